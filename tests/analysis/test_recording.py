"""What a recording is asked gives the figures that the commands print."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from busbench import read_recording
from busbench.analysis.recording import read_timeline, read_whole
from busbench.analysis.several import read_several
from busbench.capture.open import open_capture
from busbench.model import FrameTimes, FrameTimesCollector
from busbench.wire.table import AlignmentResult
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


@pytest.mark.parametrize("name", ["heron-slots.csv", "heron-noisy.raw"])
def test_the_frames_so_far_are_told_with_each_block(name: str) -> None:
    told: list[int] = []
    found: list[AlignmentResult] = []
    with open_capture(CAPTURES / name) as capture:
        timeline = read_timeline(capture, on_block=told.append, on_found=found.append)
    assert told == np.cumsum([len(one.frames) for one in found]).tolist()
    whole: list[int] = []
    with open_capture(CAPTURES / name) as capture:
        recording = read_whole(capture, on_block=whole.append)
    assert told == whole
    assert told[-1] == len(recording.frames) == len(timeline.times) > 100
    assert timeline.first_offset == recording.timeline.first_offset == recording.frames.offset[0]
    assert timeline.rejects.offset.tolist() == recording.rejects.offset.tolist()
    assert timeline.times.t_ns.tolist() == recording.frames.t_ns.tolist()


def test_the_frames_of_several_recordings_are_counted_on() -> None:
    told: list[int] = []
    with open_capture(CAPTURES / "heron-bench.pcapng") as one, open_capture(CAPTURES / "heron-bench.pcapng") as other:
        found = read_several([one, other], on_block=told.append)
    frames = len(found.sources[0].timeline.times)
    assert told == sorted(told)
    assert (frames in told, told[-1]) == (True, 2 * frames)
    with open_capture(CAPTURES / "heron-bench.pcapng") as one, open_capture(CAPTURES / "heron-bench.pcapng") as other:
        assert read_several([one, other]).coincidence == found.coincidence


def test_a_recording_without_frames_begins_at_its_first_byte(tmp_path: Path) -> None:
    path = tmp_path / "none.csv"
    path.write_text("Time [s],Value\n" + "".join(f"{0.001 * at:.3f},0x{at % 5:02X}\n" for at in range(80)), "utf-8")
    with open_capture(path) as capture:
        timeline = read_timeline(capture)
    assert (len(timeline.times), timeline.first_offset) == (0, 0)
    out = timeline.outages()
    assert [(event.kind, event.frames, event.bytes, event.offset) for event in out.events] == [("damaged", 3, 80, 0)]
