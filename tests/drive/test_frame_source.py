"""What the transmitting process is handed, one frame a slot."""

import pickle
from collections.abc import Sequence

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busbench.drive.frame_generator import EndState
from busbench.drive.frame_source import DriveSource
from busbench.drive.program import Program
from tests.drive.helpers import counts_of, locked, make, sent

SINE = {"channel": 1, "shape": "sine", "low": 592, "high": 1392, "period": 4, "cycles": 1}
SLOW = {"rate": 650}


def source_of(program: Program, *, end: EndState = EndState.REST, last: Sequence[int] | None = None) -> DriveSource:
    return DriveSource(locked(program), end=end, last=last)


def drain(source: DriveSource, most: int = 5000) -> list[bytes]:
    frames = []
    while (frame := source.next_frame()) is not None:
        frames.append(frame)
        assert len(frames) < most
    return frames


def test_the_same_frames_as_a_file_after_pickling() -> None:
    program = make(SINE, limits=SLOW)
    source = pickle.loads(pickle.dumps(source_of(program)))
    assert b"".join(drain(source)) == sent(program, end=EndState.REST).raw.tobytes()
    assert source.is_over
    assert source.next_frame() is None


@settings(max_examples=40, deadline=None)
@given(after=st.integers(1, 560))
def test_a_stop_at_any_moment_ramps_out_from_the_frame_last_sent(after: int) -> None:
    source = source_of(make(SINE, limits={"rate": 500}))
    before = [source.next_frame() or b"" for _ in range(after)]
    stood = counts_of(before[-1])[0].tolist()
    source.request_stop()
    ramp = counts_of(drain(source))[:, 0]
    steps = np.abs(np.diff(ramp, prepend=stood[0]))
    assert steps.max() <= 3  # 500 counts/s at 7 ms
    assert ramp[-3:].tolist() == [992, 992, 992]
    assert len(ramp) == -(-abs(stood[0] - 992) // 3) + 3


def test_a_stop_before_the_first_frame_sends_nothing() -> None:
    source = source_of(make(SINE))
    source.request_stop()
    assert source.next_frame() is None


def test_silence_stops_with_the_frame_last_sent() -> None:
    source = source_of(make(SINE), end=EndState.SILENCE)
    source.next_frame()
    source.request_stop()
    assert source.next_frame() is None


def test_hold_says_the_last_values_until_a_second_stop() -> None:
    source = source_of(make(SINE), end=EndState.HOLD)
    frames = [source.next_frame() for _ in range(100)]
    source.request_stop()
    assert {source.next_frame() for _ in range(500)} == {frames[-1]}
    source.request_stop()
    assert source.next_frame() is None


def test_a_second_stop_does_not_cut_the_ramp_short() -> None:
    source = source_of(make(SINE, limits={"rate": 500}))
    for _ in range(140):
        source.next_frame()
    source.request_stop()
    first = source.next_frame()
    source.request_stop()
    ramp = counts_of([first or b"", *drain(source)])[:, 0]
    assert np.abs(np.diff(ramp)).max() <= 3
    assert ramp[-1] == 992


def test_a_frame_left_out_is_an_empty_slot() -> None:
    fault = [{"kind": "gap", "start": 0.07, "duration": 0.014}]
    frames = drain(source_of(make(SINE, fault=fault)))
    assert [number for number, frame in enumerate(frames) if frame == b""] == [10, 11]


@pytest.mark.parametrize("last", [700, 2047])
def test_starts_from_the_last_position(last: int) -> None:
    source = source_of(make(SINE, limits=SLOW), last=(last,) * 16)
    first = counts_of(source.next_frame() or b"")[0]
    assert set(first.tolist()) == {min(last, 1811)}


def test_it_is_over_with_its_last_frame_and_not_before() -> None:
    program = make({"channel": 1, "shape": "hold", "level": 1200, "duration": 0.021})
    source, given = source_of(program, end=EndState.REST), list[bytes | None]()
    while not source.is_over:
        given.append(source.next_frame())
    assert given == [row.tobytes() for row in sent(program, end=EndState.REST).raw]
    assert source.next_frame() is None
