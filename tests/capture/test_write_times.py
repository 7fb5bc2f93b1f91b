"""Bytes that came in reads, spread to times of their own."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from busbench.analysis.recording import read_recording
from busbench.capture.base import CaptureInfo
from busbench.capture.write import byte_times, open_writer
from busbench.model import ByteLog, Clock, ClockKind
from tests.wire.corpus import make


@pytest.mark.parametrize(
    ("before_ns", "began_ns"),
    [
        (0, [700, 800, 900, 1900]),  # back from the mark, a character each
        (850, [850, 950, 1050, 1900]),  # the log before ended later: moved on, and only those it crowds
        (1850, [1850, 1950, 2050, 2150]),
    ],
)
def test_bytes_never_overlap_those_of_the_log_before(before_ns: int, began_ns: list[int]) -> None:
    log = ByteLog(10, np.zeros(4, np.uint8), np.array([13, 14]), np.array([1000, 2000]))
    assert byte_times(log, before_ns=before_ns, character_ns=100).tolist() == began_ns


@pytest.mark.parametrize("suffix", [".csv", ".vcd"])
@pytest.mark.parametrize("cut", [25, 10 * 25, 11 * 25])
def test_a_clock_that_was_set_back_goes_on_there(tmp_path: Path, suffix: str, cut: int) -> None:
    data = make("mixed", 20, 1).data
    ends = np.arange(25, 25 * 20 + 1, 25)
    t_ns = np.arange(20) * 14_000_000 + 5_000_000_000
    t_ns[10:] -= 4_000_000_000
    path = str(tmp_path / f"back{suffix}")
    writer = open_writer(path, CaptureInfo("back", "test", Clock(ClockKind.PER_READ, 1000)))
    for lo, hi in ((0, cut), (cut, data.size)):
        some = (ends > lo) & (ends <= hi)
        writer.write_log(ByteLog(lo, data[lo:hi], ends[some], t_ns[some]))
    writer.close()
    steps_ms = np.diff(read_recording(path).frames.t_ns) / 1e6
    assert steps_ms == pytest.approx([14.0] * 19)  # no one knows how long the one at the step was
