"""What the checks take from a recording: values, times, annotations and the period, with a clock and without."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from busbench.verify.inputs import VerifyInputs, control_of
from busbench.wire.frame_spec import FLAG_FAILSAFE, FLAG_LOST
from tests.rig.rigs import device, rig
from tests.verify.exact_frames import HIGH, LOW, NEUTRAL, PLAN, STEP_S, held, inputs, plans


def test_on_and_off_are_levels_on_the_scale_of_the_others() -> None:
    evidence = inputs({1: [1, 2, 2047], 17: [0, 1, 0], 18: [1, 1, 0]})
    assert evidence.counts.shape == (18, 3)
    assert evidence.counts[[0, 1, 16, 17]].tolist() == [
        [1, 2, 2047], [NEUTRAL] * 3, [LOW, HIGH, LOW], [HIGH, HIGH, LOW],
    ]  # fmt: skip


def test_frames_without_a_link_and_frames_that_are_sound() -> None:
    flags = {1: FLAG_LOST, 2: FLAG_FAILSAFE, 3: FLAG_LOST | FLAG_FAILSAFE}
    evidence = inputs({1: [NEUTRAL] * 5}, flags=flags, damaged=[4])
    assert evidence.is_down.tolist() == [False, True, True, True, False]
    assert evidence.is_sound.tolist() == [True, False, False, False, False]


def begun_at(evidence: VerifyInputs, first_t_ns: int | None, last_t_ns: int | None) -> VerifyInputs:
    span = replace(evidence.recording.span, first_t_ns=first_t_ns, last_t_ns=last_t_ns)
    return replace(evidence, recording=replace(evidence.recording, span=span))


def test_times_count_from_the_first_byte() -> None:
    """The recorder listened for 0.5 s after the last frame, and annotations are in order."""
    marks = [(5.5, " late "), (4.25, "early"), (5.5, "later")]
    evidence = begun_at(inputs({1: [NEUTRAL] * 3}, t_s=[4.5, 5.0, 5.5], marks=marks), 4_000_000_000, 6_000_000_000)
    assert (evidence.start_ns, evidence.no_times, evidence.clock) == (4_000_000_000, "", evidence.recording.clock)
    assert evidence.t_s.tolist() == [0.5, 1.0, 1.5]
    assert evidence.end_s == 2.0
    assert evidence.marks_s() == [(0.25, "early"), (1.5, "late"), (1.5, "later")]
    assert [evidence.row_at(time_s) for time_s in (0.0, 0.5, 0.5000001, 1.0, 1.5, 1.6)] == [0, 0, 1, 1, 2, 3]
    assert begun_at(evidence, 4_000_000_000, 5_250_000_000).end_s == 1.5
    assert begun_at(evidence, 4_000_000_000, None).end_s == 1.5
    assert begun_at(evidence, None, None).t_s.tolist() == [4.5, 5.0, 5.5]
    assert inputs({1: []}).end_s == 0.0


def test_without_a_clock_frames_are_a_period_of_the_plan_apart() -> None:
    """Of 14 ms."""
    evidence = inputs({1: [NEUTRAL] * 3}, t_s=[4, 5, 6], marks=[(5, "a")], has_clock=False)
    assert evidence.t_s == pytest.approx(np.array([0.0, 0.014, 0.028]))
    assert evidence.end_s == pytest.approx(0.028)
    assert (evidence.marks_s(), evidence.no_times) == ([], "the recording has no times")
    assert (evidence.found_period_ns, evidence.period_ns, evidence.clock.is_known) == (None, 14e6, False)
    assert evidence.outages.expected == 3


def test_times_that_go_back_are_not_used() -> None:
    evidence = inputs({1: [NEUTRAL] * 4}, t_s=[1, 2, 1.5, 3], marks=[(2, "a")])
    assert evidence.no_times == "the clock goes back once, so its times cannot be trusted"
    assert not evidence.clock.is_known
    assert evidence.recording.clock.is_known
    assert evidence.t_s == pytest.approx(np.array([0.0, 0.014, 0.028, 0.042]))
    assert evidence.marks_s() == []
    long = inputs({1: [NEUTRAL] * 300}, t_s=[row / 50 - (row > 250) for row in range(300)])
    assert (replace(long, known_period_ns=None).found_period_ns, long.period_ns) == (None, 14e6)


def test_the_period_is_the_known_one_else_the_measured_one() -> None:
    known = inputs({1: [NEUTRAL] * 300}, t_s=[row / 50 for row in range(300)])
    assert known.period_ns == STEP_S * 1e9
    measured = replace(known, known_period_ns=None)
    assert measured.found_period_ns == pytest.approx(20e6)
    assert measured.period_ns == measured.found_period_ns


def test_glitches_of_one_channel() -> None:
    jumps = held(NEUTRAL, (10, 11, HIGH), (20, 21, HIGH), count=40)
    evidence = inputs({1: jumps, 9: held(NEUTRAL, (30, 31, HIGH), count=40)})
    assert np.flatnonzero(evidence.is_glitch(0)).tolist() == [10, 20]
    assert np.flatnonzero(evidence.is_glitch(8)).tolist() == [30]
    assert evidence.is_glitch(1).tolist() == [False] * 40


def test_the_control_of_a_device_is_its_own_else_its_group_else_itself() -> None:
    devices = rig(
        device("one", 1, 'control = "stick"', 'group = "tail"'), device("two", 2, 'group = "tail"'), device("three", 4),
    ).devices  # fmt: skip
    assert [control_of(one) for one in devices] == ["stick", "tail", "three"]


def test_which_channels_are_in_the_plan() -> None:
    """Those of the frame, 1-18, with the first device of a channel for its ends."""
    plan = rig(
        device("last", 18),
        device("first", 1, "travel_pct = 60"),
        device("beside", 1, "travel_pct = 90"),
        device("sixteen", 16, "rest_pct = 40"),
        device("none"),
    )
    found = plans(plan)
    assert [(one.channel, one.subject, one.is_on_off, one.must_rest) for one in found.values()] == [
        (18, "channel 18 (last)", True, False),
        (1, "channel 1 (first, beside)", False, False),
        (16, "channel 16 (sixteen)", False, False),
    ]
    assert found[1].ends.low_counts == pytest.approx(500.6)
    assert found[1].ends.high_counts == pytest.approx(1483.4)
    assert found[16].rest_counts == pytest.approx(1319.6)
    assert [plans(PLAN)[channel].motor_kind for channel in (3, 8, 17)] == [None, "electric", None]
