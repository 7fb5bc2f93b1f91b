"""Frames as Parquet columns, read back by the library itself."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from busbench.analysis.recording import read_recording
from busbench.capture import parquet_read
from busbench.capture.open import open_capture
from busbench.capture.parquet import write_parquet
from busbench.capture.parquet_read import META_KEY, _meta
from busbench.errors import CaptureError, OutputError
from busbench.model import NO_CLOCK, Clock, ClockKind

CAPTURES = Path(__file__).resolve().parent.parent.parent / "captures"


def test_every_frame_and_flag(tmp_path: Path) -> None:
    path = tmp_path / "flight.parquet"
    with open_capture(str(CAPTURES / "heron-flight.pcapng")) as capture:
        assert write_parquet(str(path), capture) == 5172
    table = pq.read_table(path)
    frames = read_recording(CAPTURES / "heron-flight.pcapng").frames
    assert table.column_names[:3] == ["time_s", "offset", "ch1"]
    for channel in (1, 9, 16):
        assert np.array_equal(table[f"ch{channel}"].to_numpy(), frames.channels[:, channel - 1])
    assert sum(table["failsafe"].to_pylist()) == 100
    assert table["time_s"][0].as_py() == 0.0


def test_without_a_clock_times_are_null(tmp_path: Path) -> None:
    path = tmp_path / "noisy.parquet"
    with open_capture(str(CAPTURES / "heron-noisy.raw")) as capture:
        write_parquet(str(path), capture)
    assert pq.read_table(path)["time_s"].null_count == 3278


@pytest.mark.parametrize("name", ["heron-flight.pcapng", "heron-slots.csv", "heron-noisy.raw", "heron-line.vcd"])
def test_what_was_written_is_read_again(tmp_path: Path, name: str) -> None:
    path = tmp_path / "own.parquet"
    with open_capture(str(CAPTURES / name)) as capture:
        write_parquet(str(path), capture)
    before, after = read_recording(CAPTURES / name), read_recording(path)
    assert after.frames.offset.tolist() == before.frames.offset.tolist()
    assert after.frames.raw.tolist() == before.frames.raw.tolist()
    assert after.frames.suspect.tolist() == before.frames.suspect.tolist()
    assert (after.clock, after.info.start_utc_ns) == (before.clock, before.info.start_utc_ns)
    assert np.abs(after.frames.t_ns - before.frames.t_ns).max() <= before.clock.resolution_ns
    total = int(before.frames.offset[-1]) + 25 - 25 * len(before.frames)
    said = f"{total:,} bytes between the frames are known by number alone: 0xFF is written for each"
    assert after.info.notes == ([said] if total else [])


@pytest.mark.parametrize("rows", [1, 5, 100])
@pytest.mark.parametrize("name", ["heron-line.vcd", "heron-noisy.raw"])
def test_blocks_of_any_number_of_frames_follow_one_another(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str, rows: int
) -> None:
    with open_capture(str(CAPTURES / name)) as capture:
        write_parquet(str(tmp_path / "whole.parquet"), capture)
    table = pq.read_table(tmp_path / "whole.parquet")[:120]
    path = str(tmp_path / "some.parquet")
    pq.write_table(table, path)
    with open_capture(path) as capture:
        (whole,) = capture.blocks()
        notes = list(capture.info.notes)
        monkeypatch.setattr(parquet_read, "_ROWS", rows)
        logs = list(capture.blocks())
        assert (len(logs), capture.info.notes) == (-(-table.num_rows // rows), notes)
    assert [log.offset for log in logs] == [0, *(log.end for log in logs[:-1])]
    assert logs[-1].end == whole.end
    for field in ("data", "mark_end", "mark_t_ns"):
        assert np.concatenate([getattr(log, field) for log in logs]).tolist() == getattr(whole, field).tolist()
    bad = [np.zeros(len(log), np.uint8) if log.bad is None else log.bad for log in (whole, *logs)]
    assert np.concatenate(bad[1:]).tolist() == bad[0].tolist()


def test_other_parquet_and_damage_end_in_one_line(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "a.parquet"
    with open_capture(str(CAPTURES / "heron-line.vcd")) as capture:
        write_parquet(str(path), capture)
    own = path.read_bytes()
    said = pq.read_metadata(path).metadata[b"busbench"]
    table = pq.read_table(path)
    pq.write_table(table.drop(["offset"]), path)
    with pytest.raises(CaptureError, match="is Parquet of other columns than busbench writes"):
        open_capture(str(path))
    pq.write_table(table.take([1, 0]), path)
    with pytest.raises(CaptureError, match=r"a.parquet: is damaged \(Parquet\): copy it again"):
        read_recording(path)
    for wild in (float("inf"), float("nan"), 1e300):
        times = [wild, *table["time_s"].to_pylist()[1:]]
        wrong = table.set_column(0, "time_s", pa.array(times)).replace_schema_metadata({"busbench": said})
        pq.write_table(wrong, path)
        with pytest.raises(CaptureError, match=r"is damaged \(Parquet\)"):
            read_recording(path)
    for cut in (4, 100, len(own) // 2, len(own) - 1):
        path.write_bytes(own[:cut])
        with pytest.raises(CaptureError, match=r"is damaged \(Parquet\)"):
            open_capture(str(path))
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    monkeypatch.setitem(sys.modules, "pyarrow.parquet", None)
    with pytest.raises(CaptureError, match="needs the package pyarrow: install pyarrow beside busbench"):
        open_capture(str(path))


def test_nothing_is_written_over(tmp_path: Path) -> None:
    path = tmp_path / "there.parquet"
    path.write_bytes(b"mine")
    with open_capture(str(CAPTURES / "heron-line.vcd")) as capture, pytest.raises(OutputError, match="already"):
        write_parquet(str(path), capture)
    assert path.read_bytes() == b"mine"


@pytest.mark.parametrize(
    ("written", "kept"),
    [
        ("125", 125), ("0", 0), ("-7", -7), ("true", None), ('"5"', None), ("2.5", None), ("null", None), ("[]", None),
        (str((1 << 62) - 1), (1 << 62) - 1), (str(1 << 62), None), (str(-(1 << 62)), None),
    ],
)  # fmt: skip
def test_metadata_of_whole_numbers(written: str, kept: int | None) -> None:
    text = f'{{"clock": "per-read", "resolution_ns": {written}, "first_t_ns": {written}, "start_utc_ns": {written}}}'
    found = _meta({META_KEY: text.encode()})
    assert found.clock == Clock(ClockKind.PER_READ, kept or 1)
    assert (found.first_t_ns, found.start_utc_ns) == (kept or 0, kept)


@pytest.mark.parametrize(
    "text", ["", "no json", "[1]", "{}", '{"clock": "none"}', '{"clock": "sundial"}', '{"clock": 1}']
)
def test_metadata_without_a_clock(text: str) -> None:
    found = _meta({META_KEY: text.encode()})
    assert (found.clock, found.first_t_ns, found.start_utc_ns) == (NO_CLOCK, 0, None)
