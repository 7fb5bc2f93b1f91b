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


@pytest.mark.parametrize("suffix", [".csv", ".vcd"])
@pytest.mark.parametrize("block", [1, 7, 1000])
def test_a_frame_that_a_read_cut_stays_whole(tmp_path: Path, suffix: str, block: int) -> None:
    """Reads each 16 ms of frames each 15 ms: most return the end of one frame and the start of the next."""
    data = make("mixed", 200, 1).data
    ended_ns = np.arange(200)[:, None] * 15_000_000 + np.arange(1, 26) * 120_000
    reads = ended_ns.ravel() // 16_000_000
    ends = np.append(np.flatnonzero(np.diff(reads)) + 1, data.size)
    t_ns = (reads[ends - 1] + 1) * 16_000_000
    path = str(tmp_path / f"cut{suffix}")
    with open_writer(path, CaptureInfo("cut", "test", Clock(ClockKind.PER_READ, 1000))) as writer:
        for first in range(0, ends.size, block):
            mine = slice(first, first + block)
            lo = int(ends[first - 1]) if first else 0
            writer.write_log(ByteLog(lo, data[lo : int(ends[mine][-1])], ends[mine], t_ns[mine]))
    back = read_recording(path)
    assert (back.frames.raw.tobytes(), back.span.bytes_total) == (data.tobytes(), data.size)
    assert back.outages().missed == 0
