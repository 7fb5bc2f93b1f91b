"""A recording as a session: figures as the commands give them, playing, jumping, cutting."""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import pytest

from busbench.analysis.recording import read_recording, read_timeline
from busbench.capture.base import ReadOptions
from busbench.capture.extract import cut_log
from busbench.capture.open import open_capture
from busbench.errors import CaptureError, OutputError, PortError
from busbench.model import ByteLog
from busbench.tui.opening import open_session
from busbench.tui.replay import ReplaySession
from tests.cli.running import CAPTURES


def opened(name: str) -> ReplaySession:
    session = ReplaySession(open_capture(str(CAPTURES / name)))
    session.load()
    return session


@pytest.mark.parametrize("name", ["heron-flight.pcapng", "heron-noisy.raw", "heron-slots.csv", "heron-line.vcd"])
def test_outages_are_those_of_the_command(name: str) -> None:
    session = opened(name)
    with open_capture(str(CAPTURES / name)) as capture:
        found = read_timeline(capture).outages()
    assert list(session.events.items) == list(found.events)
    assert (session.losses.frames, session.losses.missed) == (found.frames, found.missed)
    assert session.upper95 == found.missed_ratio_upper95
    session.close()


def test_the_flight_by_letters() -> None:
    session = opened("heron-flight.pcapng")
    letters = "".join(session.events.letters(session.start, session.end, 40))
    assert letters == "   D  ld  DD  dl   df D d D  d  Dgg  dd "  # frames with marked bytes are damaged too; D: several
    assert session.progress == ""


def test_jumps_go_from_outage_to_outage() -> None:
    session = opened("heron-flight.pcapng")
    assert session.jump(-1) is None
    assert [session.jump(1), session.jump(1), session.jump(1)] == [0, 1, 2]
    assert session.seconds(session.place) == pytest.approx(12.0, abs=0.01)
    assert (session.flag_words, session.link) == ("LOST", "in sync")
    assert session.jump(-1) == 1
    assert session.link == "out of sync"
    session.seek(session.end)
    assert session.jump(1) is None
    assert not session.is_moving


def test_across_a_failsafe_every_channel_tells() -> None:
    session = opened("heron-flight.pcapng")
    index = next(i for i, one in enumerate(session.events.items) if one.kind == "failsafe")
    across = session.across(index)
    whole = read_recording(CAPTURES / "heron-flight.pcapng").frames
    rows = np.flatnonzero(whole.flags & 0x08)
    for channel in (0, 4, 15):
        one = across[channel]
        assert one.before == whole.channels[rows[0] - 1, channel]
        assert (one.low, one.high) == (
            whole.channels[rows, channel].min(),
            whole.channels[rows, channel].max(),
        )
        assert one.after == whole.channels[rows[-1] + 1, channel]
    gap = next(i for i, one in enumerate(session.events.items) if one.kind == "gap")
    assert session.across(gap)[0].low is None


def test_playing_goes_by_the_pace_and_stops_at_the_end() -> None:
    session = opened("heron-flight.pcapng")
    session.tick(2.0)
    assert session.seconds(session.place) == pytest.approx(2.0)
    session.change_pace(1)
    session.change_pace(1)
    session.tick(1.0)
    assert session.pace == 5.0
    assert session.seconds(session.place) == pytest.approx(7.0)
    for _ in range(20):
        session.change_pace(1)
    assert session.pace == 100.0
    session.tick(3.0)
    assert (session.place, session.is_moving) == (session.end, False)
    session.toggle()
    assert (session.place, session.is_moving) == (session.start, True)
    for _ in range(20):
        session.change_pace(-1)
    assert session.pace == 0.1


def test_steps_go_by_frames() -> None:
    session = opened("heron-noisy.raw")
    session.step(1)
    assert session.row == 1
    session.step(100)
    session.step(-1)
    assert session.row == 100
    session.step(10**9)
    assert session.row == len(session.store) - 1
    session.step(-(10**9))
    assert session.row == 0


def test_recent_losses_are_those_of_ten_seconds() -> None:
    session = opened("heron-flight.pcapng")
    session.seek(session.start + round(42 * 1e9))
    lost, due = session.recent_losses()
    assert lost == 101  # 100 flagged failsafe from 40 s on, one damaged just before
    assert due == pytest.approx(667, abs=2)


@pytest.mark.parametrize("name", ["heron-flight.pcapng", "heron-noisy.raw"])
def test_a_cut_holds_its_frames_alone(name: str, tmp_path: Path) -> None:
    session = ReplaySession(open_capture(shutil.copy(CAPTURES / name, tmp_path)))
    session.load()
    session.step(500)
    session.mark(session.place, "here")
    session.set_cut(is_end=True)
    session.step(-400)
    session.set_cut(is_end=False)
    path = tmp_path / "cut.pcapng"
    assert session.export(str(path)) == f"wrote {path} (401 frames)"
    cut = read_recording(path)
    assert cut.frames.raw.tobytes() == session.store.table(100, 501).raw.tobytes()
    if session.clock.is_known:
        assert cut.frames.t_ns.tolist() == session.store.times(100, 501).t_ns.tolist()
        assert [mark.text for mark in cut.info.marks] == ["here"]
    with pytest.raises(OutputError, match="file exists already"):
        session.export(str(path))


def test_without_a_cut_nothing_is_written(tmp_path: Path) -> None:
    with pytest.raises(OutputError, match="there is no cut: set its start with i and its end with o"):
        opened("heron-bench.pcapng").export(str(tmp_path / "x.pcapng"))


@pytest.mark.parametrize(
    ("lo", "hi", "data", "ends", "times"),
    [
        (100, 110, [0, 1, 2, 3, 4, 5, 6, 7, 8, 9], [104, 110], [1, 2]),
        (102, 106, [2, 3, 4, 5], [104, 106], [1, 2]),
        (104, 105, [4], [105], [2]),
        (100, 104, [0, 1, 2, 3], [104], [1]),
        (90, 101, [0], [101], [1]),
    ],
)
def test_a_cut_log_keeps_the_times_of_its_bytes(
    lo: int, hi: int, data: list[int], ends: list[int], times: list[int]
) -> None:
    log = ByteLog(100, np.arange(10, dtype=np.uint8), np.array([104, 110]), np.array([1, 2]))
    cut = cut_log(log, lo, hi)
    assert (cut.data.tolist(), cut.mark_end.tolist(), cut.mark_t_ns.tolist()) == (data, ends, times)
    assert cut.offset == max(lo, 100)


def test_closing_stops_the_reading(tmp_path: Path) -> None:
    session = ReplaySession(open_capture(str(CAPTURES / "heron-flight.pcapng")))
    session.close()
    session.load()
    assert not session.is_loaded


def test_the_beat_is_that_of_the_whole_recording() -> None:
    view = opened("heron-flight.pcapng").timing()
    assert view is not None
    assert view.figures.period_mean_s == pytest.approx(0.015, rel=1e-5)
    assert (view.figures.missing, view.steps) == (162, 5160)
    assert int(view.counts.sum()) + view.shorter + view.longer == view.steps
    assert view.low_ns < 15_000_000 < view.low_ns + view.quantum_ns * view.counts.size
    untimed = opened("heron-noisy.raw").timing()
    assert untimed is not None
    assert (untimed.steps, untimed.counts.size) == (0, 0)


@pytest.mark.parametrize(
    ("source", "error", "words"),
    [
        ("nowhere", CaptureError, "is neither a port nor a file"),
        ("nowhere.pcapng", CaptureError, "file not found"),
        ("virtual:?peroid=7ms", PortError, '"peroid" is not a setting'),
    ],
)
def test_what_cannot_be_opened_is_told(source: str, error: type[Exception], words: str) -> None:
    with pytest.raises(error, match=words):
        open_session(source, options=ReadOptions())


@pytest.mark.parametrize("name", ["heron-flight.pcapng", "heron-noisy.raw"])
def test_annotations_are_kept_beside_the_recording_and_read_again(name: str, tmp_path: Path) -> None:
    path = tmp_path / name
    shutil.copy(CAPTURES / name, path)
    before = path.read_bytes()
    first = ReplaySession(open_capture(str(path)))
    first.load()
    at = first.store.axis(100)
    first.mark(at, "motor on")
    assert first.unkept == []
    first.close()
    again = ReplaySession(open_capture(str(path)))
    again.load()
    assert [(mark.t_ns, mark.text) for mark in again.marks] == [(at, "motor on")]
    again.mark(again.store.axis(50), "motor off")
    assert [mark.text for mark in again.marks] == ["motor off", "motor on"]
    again.close()
    assert path.read_bytes() == before
    assert len(Path(f"{path}.notes.csv").read_text().splitlines()) == 3


def test_annotations_that_cannot_be_kept_are_asked_about(tmp_path: Path) -> None:
    path = tmp_path / "x.pcapng"
    shutil.copy(CAPTURES / "heron-flight.pcapng", path)
    notes = Path(f"{path}.notes.csv")
    notes.write_text("mine,own\n")
    session = ReplaySession(open_capture(str(path)))
    session.load()
    assert "holds no annotations" in session.notice
    with pytest.raises(OutputError, match="the annotation is not kept"):
        session.mark(session.place, "here")
    assert session.unkept == ["1 annotation"]
    assert notes.read_text() == "mine,own\n"
