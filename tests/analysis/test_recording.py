"""What a recording is asked gives the figures that the commands print."""

from __future__ import annotations

import json

import numpy as np
import pytest

from busbench import read_recording
from busbench.model import FrameTimes, FrameTimesCollector
from tests.cli.running import CAPTURES, call

NAMES = ("heron-flight.pcapng", "heron-bench.pcapng", "heron-slots.csv", "heron-line.vcd", "heron-noisy.raw")


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("command", ["outages", "timing", "channels"])
def test_a_script_gets_what_the_command_prints(capfd: pytest.CaptureFixture[str], name: str, command: str) -> None:
    path = CAPTURES / name
    printed = json.loads(call(capfd, command, path, "--format", "json").out)
    asked = getattr(read_recording(path), command)().to_json()
    assert json.loads(json.dumps(asked)) == printed


def test_marks_of_the_line_are_kept_from_the_first_frame_that_has_one() -> None:
    def part(*marks: int) -> FrameTimes:
        zeros = np.zeros(len(marks), np.int64)
        return FrameTimes(zeros, zeros.astype(np.int32), zeros.astype(np.uint8), np.array(marks, np.uint8))

    collector = FrameTimesCollector()
    for marks in ((0, 0), (0, 2), (0,)):
        collector.add(part(*marks))
    times = collector.take()
    assert times.line_marks is not None
    assert times.line_marks.tolist() == [0, 0, 0, 2, 0]
    none = FrameTimesCollector()
    none.add(part(0, 0))
    assert none.take().line_marks is None


def test_columns_grow_by_any_parts(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(FrameTimesCollector, "_STEP", 8)
    collector, sent = FrameTimesCollector(), 0
    for size in (1, 2, 0, 4, 1, 1, 30, 7):
        number = np.arange(sent, sent + size)
        collector.add(FrameTimes(number, number.astype(np.int32), number.astype(np.uint8)))
        sent += size
        assert len(collector) == sent
    times = collector.take()
    for column in (times.t_ns, times.slack_ns, times.flags):
        assert column.tolist() == list(range(46))
