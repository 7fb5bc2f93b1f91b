"""A recording as a session at its ends: reading, playing, its link, its cut, and the columns beneath it."""

from __future__ import annotations

import os
import shutil
import sys
from pathlib import Path

import numpy as np
import pytest

from busbench.capture.base import ReadOptions
from busbench.capture.open import open_capture
from busbench.errors import CaptureError, OutputError
from busbench.model import Annotation
from busbench.rig.load import read_rig
from busbench.tui import growing_array
from busbench.tui.growing_array import GrowingArray
from busbench.tui.new_file import free_name, require_new
from busbench.tui.opening import open_session, rig_names
from busbench.tui.replay import ReplaySession
from busbench.tui.store import _FrameRows
from tests.cli.running import CAPTURES


def copied(folder: Path, name: str = "heron-flight.pcapng") -> ReplaySession:
    return ReplaySession(open_capture(shutil.copy(CAPTURES / name, folder)))


def test_before_it_is_read_there_is_nothing_to_play(tmp_path: Path) -> None:
    session = copied(tmp_path)
    assert (session.link, session.timing(), session.is_at_end, session.is_loaded) == ("reading", None, False, False)
    assert session.progress == "reading: 0 frames, 0%"
    session.tick(1.0)
    assert session.place == 0
    session.load()
    assert (session.progress, session.link, session.is_loaded) == ("", "in sync", True)
    session.is_loaded = False
    assert session.progress.startswith("reading: 5,172 frames, ")
    Path(session.source).unlink()
    assert session.progress == "reading: 5,172 frames"  # how much is to come is not known
    session.close()


@pytest.mark.parametrize(
    ("name", "share"),
    [("heron-flight.pcapng", 25 / 60), ("heron-noisy.raw", 1.0), ("heron-slots.csv", 0.06), ("heron-line.vcd", 0.06)],
)
def test_how_far_reading_is_goes_by_the_bytes_of_a_file_that_are_frames(name: str, share: float) -> None:
    session = ReplaySession(open_capture(str(CAPTURES / name)))
    size = (CAPTURES / name).stat().st_size
    assert session._payload_bytes == pytest.approx(size * share)
    session._span.bytes_total = round(size * share / 4)
    assert session.progress == "reading: 0 frames, 25%"
    session._span.bytes_total = size * 2
    assert session.progress == "reading: 0 frames, 100%"
    session.close()


def test_playing_stops_at_the_end_of_what_is_read_once_all_of_it_is(tmp_path: Path) -> None:
    session = copied(tmp_path)
    session.load()
    session.seek(session.end - 10**9)
    session.toggle()
    assert session.is_moving
    session.is_loaded = False
    session.tick(2.0)
    assert (session.place, session.is_moving, session.is_at_end) == (session.end, True, False)
    session.is_loaded = True
    session.tick(0.0)
    assert (session.is_moving, session.is_at_end) == (False, True)
    session.toggle()
    assert (session.place, session.is_moving) == (session.start, True)
    session.tick(0.5)
    session.toggle()
    assert (session.seconds(session.place), session.is_moving) == (0.5, False)
    session.close()


def test_the_link_is_what_the_outage_at_the_place_says(tmp_path: Path) -> None:
    session = copied(tmp_path)
    session.load()
    wanted = {"gap": "silent", "lost": "in sync", "failsafe": "in sync"}
    for index, event in enumerate(session.events.items):
        session.seek(int(session.events.start[index]))
        if event.kind != "damaged":
            assert session.link == wanted[event.kind], index
        else:
            assert session.link == ("out of sync" if event.missing else "in sync"), index
    session.seek(session.start)
    assert session.link == "in sync"
    row = 100
    session.seek(session.store.axis(row))
    at = int(session.store.offset[row])
    for start, end, link in ((at, at + 1, "ambiguous"), (at - 1, at, "in sync"), (at + 1, at + 9, "in sync")):
        session._span.ambiguous = [(start, end)]
        assert session.link == link
    session.close()


def test_bytes_before_the_first_frame_are_ambiguous_before_it_alone(tmp_path: Path) -> None:
    session = copied(tmp_path, "heron-slots.csv")
    session.load()
    session._span.ambiguous = [(0, int(session.store.offset[0]))]
    for row in (0, 1):
        session.seek(session.store.axis(row))
        assert session.link == "in sync"
    session.seek(session.store.axis(0) - 1)
    assert (session.row, session.link) == (-1, "ambiguous")
    session.close()


def test_a_recording_without_frames_says_what_may_be_wrong(tmp_path: Path) -> None:
    path = tmp_path / "none.csv"
    path.write_text("time_s,byte\n0.0,0x55\n0.001,0x56\n", encoding="utf-8")
    session = ReplaySession(open_capture(str(path)))
    session.load()
    assert session.notice == "no frames in it: a wrong rate or polarity, or another line?"
    assert (session.link, session.timing(), session.progress) == ("no frames", None, "")
    session.close()


def test_a_cut_is_refused_without_ends_frames_or_a_name_for_it(tmp_path: Path) -> None:
    session = copied(tmp_path)
    session.load()
    path = str(tmp_path / "cut.pcapng")
    session.cut_in = session.start
    with pytest.raises(OutputError, match="there is no cut"):
        session.export(path)
    session.cut_in, session.cut_out = None, session.start
    with pytest.raises(OutputError, match="there is no cut"):
        session.export(path)
    gap = next(at for at, one in enumerate(session.events.items) if one.kind == "gap")
    inside = int(session.events.start[gap]) + 100_000_000
    session.cut_in = session.cut_out = session.start - 1
    with pytest.raises(OutputError, match="there is no frame in the cut"):
        session.export(path)
    session.cut_in, session.cut_out = inside, inside + 1
    assert session.export(path) == f"wrote {path} (1 frame)"  # the one that holds there
    session.cut_in, session.cut_out = session.start - 5, session.store.axis(2)
    with pytest.raises(Exception, match="recording"):
        session.export(str(tmp_path / "cut.csv"))
    other = str(tmp_path / "other.pcapng")
    assert session.export(other) == f"wrote {other} (3 frames)"
    session.close()
    with pytest.raises(OutputError, match="was not written: the screen was left before its end"):
        session.export(str(tmp_path / "late.pcapng"))
    assert not (tmp_path / "late.pcapng").exists()


def test_what_was_annotated_while_it_was_read_is_kept_then(tmp_path: Path) -> None:
    session = copied(tmp_path)
    at = 1_780_000_005_000_000_000
    session.mark(at, "early")
    assert session.unkept == ["1 annotation"]
    session.load()
    assert session.unkept == []
    assert session.marks == [Annotation(at, "early")]
    assert "early" in Path(f"{session.path}.notes.csv").read_text(encoding="utf-8")
    session.mark(at - 10**9, "before")
    assert [mark.text for mark in session.marks] == ["before", "early"]
    session.close()


def test_what_comes_from_a_pipe_is_not_kept_and_not_read_again(tmp_path: Path) -> None:
    session = copied(tmp_path)
    session.load()
    session._capture.info.path = "-"
    with pytest.raises(OutputError, match="the annotation is not kept: keep the recording in a file first"):
        session.mark(session.start, "here")
    assert session.unkept == ["1 annotation"]
    with pytest.raises(CaptureError, match="cannot be read a second time: keep it in a file first"):
        session.read_whole()
    session.close()


def test_titles_name_unit_interface_or_file() -> None:
    path = str(CAPTURES / "heron-pair.pcapng")
    for interface, title in ((None, path), ("1", "right")):
        capture = open_capture(path, options=ReadOptions(interface=interface or "0"))
        session = ReplaySession(capture, options=ReadOptions(interface=interface))
        assert session.title in (title, "left")
        session.close()


def test_devices_on_one_channel_are_named_together_and_sensors_are_not() -> None:
    rig = read_rig(CAPTURES / "heron.toml")
    names = rig_names(rig)
    assert names[5] == "left elevator + right elevator"
    assert names[1] == "left aileron"
    assert set(names) == {one.channel for one in rig.devices if one.channel and one.kind != "sensor"}
    assert rig_names(None) == {}
    session = open_session("virtual:", options=ReadOptions(), rig=rig)
    assert (session.names, session.scale, session.is_live) == (names, rig.scale, True)
    session.close()
    session = open_session(str(CAPTURES / "heron-flight.pcapng"), options=ReadOptions(), rig=rig)
    assert (session.names, session.scale, session.is_live) == (names, rig.scale, False)
    session.close()


@pytest.mark.parametrize(
    ("source", "words"), [("a/nowhere", "neither a port nor a file"), ("a.b/nowhere", "neither a port")]
)
def test_a_name_without_a_suffix_may_mean_a_port(source: str, words: str) -> None:
    with pytest.raises(CaptureError, match=words):
        open_session(source, options=ReadOptions())


def test_a_name_is_free_with_its_page_beside_it(tmp_path: Path) -> None:
    name = str(tmp_path / "a.pcapng")
    require_new(name)
    (tmp_path / "a.html").touch()
    assert free_name(name) == name
    assert free_name(name, beside=".html") == str(tmp_path / "a-2.pcapng")
    (tmp_path / "a-2.html").touch()
    (tmp_path / "a-3.pcapng").touch()
    assert free_name(name, beside=".html") == str(tmp_path / "a-4.pcapng")
    (tmp_path / "a.pcapng").touch()
    with pytest.raises(OutputError, match="file exists already: choose another name"):
        require_new(name)


@pytest.mark.parametrize("pieces", [[5, 4091, 1], [4096, 1], [4097], [1, 9000, 9000]])
@pytest.mark.parametrize("long_bytes", [1 << 20, 4096 * 8, 4096 * 8 - 1, 4097 * 8])
def test_a_column_holds_what_was_put_in_at_every_size(
    pieces: list[int], long_bytes: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(growing_array, "_LONG_BYTES", long_bytes)
    column, whole = GrowingArray(np.int64), np.arange(sum(pieces))
    end = 0
    for piece in pieces:
        early = column.first(end)
        column.add(whole[end : end + piece])
        assert early.tolist() == whole[:end].tolist()
        end += piece
        assert column.first(end).tolist() == whole[:end].tolist()
    is_long = end * 8 > long_bytes and end > 4096
    assert (column._file is not None) is (is_long and sys.platform == "linux")
    column.close()
    assert column.first(end).tolist() == whole.tolist()


@pytest.mark.skipif(sys.platform != "linux", reason="elsewhere columns stay in memory")
def test_a_column_longer_than_its_addresses_goes_on_in_memory(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(growing_array, "_LONG_BYTES", 1000)
    monkeypatch.setattr(growing_array, "_MOST_BYTES", 1 << 16)
    column, begun = GrowingArray(np.int64), 0
    for end in (5000, 8192, 8193, 9000, 40_000):
        column.add(np.arange(begun, end))
        assert (column._file is None) is (end > 8192)
        assert column.first(end).tolist() == list(range(end))
        begun = end
    column.close()


@pytest.mark.skipif(sys.platform != "linux", reason="elsewhere columns stay in memory")
def test_a_column_goes_on_in_memory_after_a_disk_was_full_for_a_moment(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(growing_array, "_LONG_BYTES", 1000)
    column, write, fails = GrowingArray(np.int64), os.pwrite, [False]

    def full(file: int, data: bytes, place: int) -> int:
        if fails[0]:
            fails[0] = False
            raise OSError(28, "No space left on device")
        return write(file, data, place)

    monkeypatch.setattr(os, "pwrite", full)
    column.add(np.arange(5000))
    assert column._file is not None
    fails[0] = True
    column.add(np.arange(5000, 6000))
    column.add(np.arange(6000, 20_000))
    assert column.first(20_000).tolist() == list(range(20_000))
    column.close()


@pytest.mark.parametrize("held", [25 * 4, 25 * 10])
def test_rows_are_the_same_from_file_and_memory_for_any_range(held: int, monkeypatch: pytest.MonkeyPatch) -> None:
    from busbench.tui import store

    monkeypatch.setattr(store, "_HELD_BYTES", held)
    rows = _FrameRows()
    raw = np.arange(60 * 25, dtype=np.int64).astype(np.uint8).reshape(60, 25)
    end = 0
    for size in (3, 1, 4, 12, 1, 9, 30):
        rows.add(raw[end : end + size])
        end += size
        for lo in range(0, end, 3):
            for hi in (lo, lo + 1, min(lo + 7, end), end):
                assert rows.get(lo, hi).tolist() == raw[lo:hi].tolist(), (end, lo, hi)
    rows.close()
    rows.close()
