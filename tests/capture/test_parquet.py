"""Frames as Parquet columns, read back by the library itself."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pyarrow.parquet as pq
import pytest

from busbench.analysis.recording import read_recording
from busbench.capture.open import open_capture
from busbench.capture.parquet import write_parquet
from busbench.errors import OutputError

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


def test_nothing_is_written_over(tmp_path: Path) -> None:
    path = tmp_path / "there.parquet"
    path.write_bytes(b"mine")
    with open_capture(str(CAPTURES / "heron-line.vcd")) as capture, pytest.raises(OutputError, match="already"):
        write_parquet(str(path), capture)
    assert path.read_bytes() == b"mine"
