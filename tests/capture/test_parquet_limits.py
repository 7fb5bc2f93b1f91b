"""Parquet files of frames: every column, times, gaps and sums at their limits, and files of other makers."""

from __future__ import annotations

import io
import json
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from busbench.capture import parquet_read
from busbench.capture.file_io import FileSource, ObjectSource
from busbench.capture.open import open_capture
from busbench.capture.parquet import write_parquet
from busbench.capture.parquet_read import CHANNEL_NAMES, COLUMNS, META_KEY, ParquetFrames
from busbench.errors import CaptureError
from busbench.wire.codec import pack_frames
from busbench.wire.uart import LineFault

COUNTS = np.arange(16) * 100 + np.array([[7], [300], [500]])
FLAGS = np.array([0b0001, 0b1010, 0b0100], np.uint8)
RAW = pack_frames(COUNTS, FLAGS, np.array([0x00, 0x04, 0x14], np.uint8))


def table(
    offsets: list[int], times_s: list[float] | None = None, others: dict[str, list[object]] | None = None
) -> pa.Table:
    """Rows of the first frames."""
    count = len(offsets)
    columns: dict[str, object] = {name: [0] * count for name in COLUMNS}
    columns |= {"time_s": [0.0] * count if times_s is None else times_s, "offset": offsets}
    columns |= {name: COUNTS[:count, i].tolist() for i, name in enumerate(CHANNEL_NAMES)}
    for bit, name in enumerate(("ch17", "ch18", "frame_lost", "failsafe")):
        columns[name] = [bool(flags >> bit & 1) for flags in FLAGS[:count].tolist()]
    columns |= {"end_byte": [0x00, 0x04, 0x14][:count], "suspect": [False] * count} | (others or {})
    return pa.table(columns)


def read(rows: pa.Table, **meta: object) -> ParquetFrames:
    file = io.BytesIO()
    pq.write_table(rows.replace_schema_metadata({META_KEY: json.dumps(meta).encode()}), file)
    file.seek(0)
    return ParquetFrames(ObjectSource(file, name="made"))


def test_every_bit_and_byte_of_frames() -> None:
    """Frames, a gap of two bytes before the second, one that is suspect, times from the first byte."""
    rows = table([1, 28, 53], [0.25, 0.5, 1e-9], {"suspect": [False, True, False]})
    capture = read(rows, clock="per-byte", resolution_ns=40, first_t_ns=3_000, start_utc_ns=17)
    assert (capture.info.clock.resolution_ns, capture.info.start_utc_ns) == (40, 17)
    for _ in range(2):
        (log,) = capture.blocks()
        assert log.data.tobytes() == b"\xff" + RAW[0].tobytes() + b"\xff\xff" + RAW[1].tobytes() + RAW[2].tobytes()
        assert (log.mark_end.tolist(), log.mark_t_ns.tolist()) == ([26, 53, 78], [250_003_000, 500_003_000, 3_001])
        assert log.bad is not None
        assert {int(at): int(log.bad[at]) for at in np.flatnonzero(log.bad)} == {52: LineFault.PARITY}
        said = "3 bytes between the frames are known by number alone: 0xFF is written for each"
        assert capture.info.notes == [said]


def test_one_byte_between_frames() -> None:
    capture = read(table([0, 26]))
    (log,) = capture.blocks()
    assert (log.mark_end.size, log.bad, len(log)) == (0, None, 51)
    assert capture.info.notes == ["1 byte between the frames is known by number alone: 0xFF is written for each"]


@pytest.mark.parametrize(
    ("times_s", "is_sound"),
    [([0.0, 999_999_999.0], True), ([0.0, 1e9], False), ([-1e9, 0.0], False), ([-999_999_999.0, 0.0], True)],
)
def test_times_within_a_thousand_million_seconds(times_s: list[float], is_sound: bool) -> None:
    capture = read(table([0, 25], times_s), clock="per-read")
    if is_sound:
        assert [log.mark_t_ns.tolist() for log in capture.blocks()] == [[int(t * 10**9) for t in times_s]]
    else:
        with pytest.raises(CaptureError, match=r"made: is damaged \(Parquet\): copy it again"):
            list(capture.blocks())
    assert sum(map(len, read(table([0, 25], times_s)).blocks())) == 50  # of no clock


@pytest.mark.parametrize(("offsets", "is_sound"), [([0, 24, 60], False), ([0, 25, 50], True), ([3, 0, 25], False)])
def test_frames_do_not_overlap(offsets: list[int], is_sound: bool) -> None:
    capture = read(table(offsets))
    if is_sound:
        assert [log.data.tobytes() for log in capture.blocks()] == [RAW.tobytes()]
        assert capture.info.notes == []
    else:
        with pytest.raises(CaptureError, match="made: is damaged"):
            list(capture.blocks())


@pytest.mark.parametrize("rows", [1, 2, 3])
@pytest.mark.parametrize(("most", "is_sound"), [(9, True), (8, False)])
def test_bytes_that_are_made_up_have_a_limit(
    monkeypatch: pytest.MonkeyPatch, rows: int, most: int, is_sound: bool
) -> None:
    assert parquet_read._FILLED_MOST == 1 << 30
    monkeypatch.setattr(parquet_read, "_FILLED_MOST", most)
    monkeypatch.setattr(parquet_read, "_ROWS", rows)
    capture = read(table([2, 30, 59]))
    if is_sound:
        assert sum(map(len, capture.blocks())) == 84
        assert capture.info.notes[0].startswith("9 bytes between the frames are")
    else:
        with pytest.raises(CaptureError, match="made: is damaged"):
            list(capture.blocks())


@pytest.mark.parametrize(
    "wrong",
    [
        *({"ch16": some} for some in (["a", "b"], [None, 1], [0.5, 1.0], [2048, 1], [-1, 1])),
        *({"offset": some} for some in (["x", "y"], [None, 25], [0.0, 25.0])),
        *({"end_byte": some} for some in ([256, 0], [None, 0], [0, 1])),
    ],
    ids=str,
)
def test_columns_of_other_kinds_are_damage(wrong: dict[str, list[object]]) -> None:
    with pytest.raises(CaptureError, match="made: is damaged"):
        list(read(table([0, 25], others=wrong)).blocks())


@pytest.mark.parametrize("name", [*COLUMNS[:3], "suspect"])
def test_a_column_that_is_missing(name: str) -> None:
    with pytest.raises(CaptureError, match="made: is Parquet of other columns than busbench writes: give"):
        read(table([0, 25]).drop_columns([name]))


def test_times_are_written_from_the_first_byte(tmp_path: Path) -> None:
    """The first frame comes later, after bytes that are in none."""
    path = tmp_path / "a.parquet"
    text = "time,byte\n0.5,1\n" + "".join(f"{0.75 + n * 12e-5:.6f},{byte}\n" for n, byte in enumerate(RAW.flat))
    with open_capture(io.BytesIO(text.encode())) as capture:
        assert write_parquet(str(path), capture) == 3
        resolution_ns = capture.info.clock.resolution_ns
    found = pq.read_table(path)
    assert found["offset"].to_pylist() == [1, 26, 51]
    assert found["time_s"].to_pylist() == [(250_000_000 + n * 120_000) / 1e9 for n in (24, 49, 74)]
    assert [found[name].to_pylist() for name in ("ch17", "ch18", "frame_lost", "failsafe")] == [
        [True, False, False], [False, True, False], [False, False, True], [False, True, False],
    ]  # fmt: skip
    assert (found["end_byte"].to_pylist(), found["suspect"].to_pylist()) == ([0x00, 0x04, 0x14], [False] * 3)
    said = {"first_t_ns": 500_000_000, "start_utc_ns": None, "clock": "per-byte", "resolution_ns": resolution_ns}
    assert json.loads(pq.read_metadata(path).metadata[META_KEY]) == said
    assert {str(found.schema.field(name).type) for name in CHANNEL_NAMES} == {"uint16"}
    with open_capture(io.BytesIO(text.encode())) as capture:
        write_parquet(str(path), capture, force=True)


@pytest.mark.parametrize("fault", ["", "a column", "the file"])
def test_the_file_is_let_go(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, fault: str) -> None:
    """When it is closed, and when it cannot be read."""
    path = tmp_path / "a.parquet"
    pq.write_table(table([0, 25]).drop_columns(["ch1"] if fault == "a column" else []), path)
    if fault == "the file":
        path.write_bytes(path.read_bytes()[:-5])
    source = FileSource(str(path))
    opened = path.open("rb")
    monkeypatch.setattr(source, "random_access", lambda: opened)
    if fault:
        with pytest.raises(CaptureError):
            ParquetFrames(source)
    else:
        with ParquetFrames(source) as capture:
            assert sum(map(len, capture.blocks())) == 50
            assert not opened.closed
    assert opened.closed


def test_a_frame_that_is_suspect_is_marked_in_any_block(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(parquet_read, "_ROWS", 1)
    logs = list(read(table([0, 30, 55], others={"suspect": [False, True, True]})).blocks())
    marked = [[] if log.bad is None else (log.offset + np.flatnonzero(log.bad)).tolist() for log in logs]
    assert marked == [[], [54], [79]]
