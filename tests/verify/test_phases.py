"""Each frame is judged by its phase: a motor that runs outside its own move for one frame fails, wherever it is."""

from __future__ import annotations

import dataclasses
import functools
from collections.abc import Callable

import heron
import msgspec
import numpy as np
import pytest

from busbench.model import MARKED, U8, U16
from busbench.rig.model import Rig
from busbench.verify.inputs import VerifyInputs, channel_plans
from busbench.verify.phases import Phase, find_phases
from busbench.verify.result import Check, Verdict
from busbench.verify.verify import Verification, verify
from busbench.wire.codec import pack_frames
from busbench.wire.frame_spec import FLAG_FAILSAFE, FLAG_LOST
from tests.verify.rounds import RIG, not_passed, recorded, round_of

MOTOR, RUDDER = "channel 8 (sustainer)", "channel 6 (rudder)"
Change = Callable[[U16, U8], None]


def changed(change: Change, *, rig: Rig = RIG, has_marks: bool = True) -> Verification:
    """All checks of a round whose counts, (N, 16), and flags, (N,), were changed in place."""
    flown = heron.fly_round(RIG)
    counts, flags = flown.counts.copy(), flown.flags.copy()
    change(counts, flags)
    again = heron.Round(flown.t_ns, counts, flags, flown.is_sent, ())
    return verify(recorded(heron.read_by_adapter(rig, again), marks=flown.marks if has_marks else ()), rig)


def get(found: Verification, subject: str, name: str) -> Check:
    (check,) = [check for check in found.checks if (check.subject, check.name) == (subject, name)]
    return check


def row_s(time_s: float) -> int:
    return round(time_s / 0.015)


def full(counts: U16, first: int, stop: int) -> None:
    counts[first:stop, 7] = 1811


def full_in_failsafe(counts: U16, flags: U8) -> None:
    counts[np.flatnonzero(flags & FLAG_FAILSAFE)[:87], 7] = 1811  # 1.3 s of 3 s: the median is as planned


def full_while_lost(counts: U16, flags: U8) -> None:
    counts[(flags & (FLAG_LOST | FLAG_FAILSAFE)) == FLAG_LOST, 7] = 1811


RUNS: list[tuple[str, Change, str, str]] = [
    ("failsafe", full_in_failsafe, "failsafe value", "1811 counts at 33.810 s (in failsafe), 87 frames until"),
    ("lost", full_while_lost, "while lost", "1811 counts at 33.210 s (transmitter off, before failsafe), 40 frames"),
    ("a second of rest", lambda c, _: full(c, 60, 127), "rest", "1811 counts at 0.900 s (at rest), 67 frames until"),
    ("a pause", lambda c, _: full(c, row_s(6.3), row_s(6.6)), "rest", "1811 counts at 6.300 s"),
    ("one frame", lambda c, _: full(c, 70, 71), "rest", "1811 counts at 1.050 s (at rest), away from its rest at 173"),
    ("before its own move", lambda c, _: full(c, row_s(27.0), row_s(27.1)), "rest", "1811 counts at 27.000 s"),
    ("until its step begins", lambda c, _: full(c, 1820, 1827), "rest", "1811 counts at 27.300 s"),
    ("in its pause", lambda c, _: full(c, row_s(31.0), row_s(31.3)), "rest", "1811 counts at 31.005 s"),
    ("link back", lambda c, _: full(c, row_s(37.0), row_s(37.0) + 1), "after return", "1811 counts at 37.005 s"),
    ("let go", lambda c, _: full(c, row_s(39.5), row_s(39.5) + 1), "after return", "1811 counts at 39.495 s"),
]


@pytest.mark.parametrize("has_marks", [True, False])
@pytest.mark.parametrize(("change", "name", "said"), [case[1:] for case in RUNS], ids=[case[0] for case in RUNS])
def test_a_motor_that_runs_outside_its_own_move_fails(change: Change, name: str, said: str, has_marks: bool) -> None:
    check = get(changed(change, has_marks=has_marks), MOTOR, name)
    assert check.verdict is Verdict.FAIL
    assert check.sentence.startswith(said)


def test_a_motor_in_one_frame_flagged_lost_fails() -> None:
    def pulse(counts: U16, flags: U8) -> None:
        flags[70] |= FLAG_LOST
        full(counts, 70, 71)

    check = get(changed(pulse), MOTOR, "while lost")
    assert check.verdict is Verdict.FAIL
    assert check.sentence == "1811 counts at 1.050 s (at rest); the last good value was 173 counts"


def test_an_engine_is_judged_as_a_motor_at_its_idle() -> None:
    devices = tuple(
        msgspec.structs.replace(
            d, motor="engine", ignition_kill="kill switch", idle_pct=-80.0, rest_pct=None, failsafe=-80.0
        )
        if d.motor_kind
        else d
        for d in RIG.devices
    )
    rig = msgspec.structs.replace(RIG, devices=devices)
    flown = heron.fly_round(rig)
    counts = flown.counts.copy()
    marks = flown.marks
    good = verify(recorded(heron.read_by_adapter(rig, flown), marks=marks), rig)
    assert get(good, MOTOR, "rest").sentence.startswith("rests at 337 counts")  # 992 - 0.8 * 819
    assert not_passed(good) == {}
    counts[70, 7] = 400
    again = heron.Round(flown.t_ns, counts, flown.flags, flown.is_sent, ())
    check = get(verify(recorded(heron.read_by_adapter(rig, again), marks=marks), rig), MOTOR, "rest")
    assert check.verdict is Verdict.FAIL


def test_a_flag_that_is_down_for_one_frame_of_failsafe_fails() -> None:
    def drop(counts: U16, flags: U8) -> None:
        flags[2300] &= 0xFF ^ (FLAG_LOST | FLAG_FAILSAFE)

    for has_marks in (True, False):
        check = get(changed(drop, has_marks=has_marks), "failsafe", "flag stays up")
        assert check.verdict is Verdict.FAIL
        assert check.sentence == "the failsafe flag was down in 1 frame from 34.500 s on, with the transmitter off"


def test_a_channel_that_stays_in_its_failsafe_position_is_named() -> None:
    def stay(counts: U16, flags: U8) -> None:
        counts[2454:, 5] = 1024

    marked, bare = (get(changed(stay, has_marks=has), RUDDER, "after return") for has in (True, False))
    assert (marked.verdict, bare.verdict) == (Verdict.FAIL, Verdict.NOT_TESTED)
    for check in (marked, bare):
        assert check.sentence.startswith("stays in its failsafe position: 1024 counts at 37.320 s (link back)")


def test_where_no_annotation_says_why_a_second_move_is_not_tested() -> None:
    def touch(counts: U16, flags: U8) -> None:
        counts[row_s(10.5) : row_s(10.8), 5] = 1400

    bare = get(changed(touch, has_marks=False), RUDDER, "rest")
    assert bare.verdict is Verdict.NOT_TESTED
    assert bare.sentence.endswith("moved more than once, and no annotation says why: annotate the steps")


def test_a_companion_on_the_same_gimbal_is_reported_up_to_its_share() -> None:
    def drag(counts: U16, share: float, channel: int) -> None:
        part = slice(row_s(3), row_s(7))
        moved = counts[part, channel] + share * (counts[part, 0].astype(float) - 992)
        counts[part, channel] = np.rint(moved).astype(np.uint16)

    def drag_other(counts: U16, flags: U8, channel: int) -> None:
        drag(counts, 0.06, channel)

    aileron = "channel 1 (left aileron)"
    little = get(changed(lambda c, _: drag(c, 0.06, 4)), aileron, "moves alone")
    assert little.verdict is Verdict.PASS  # 6 % of 819 are 49 counts, of 82 that a hand may add
    assert little.sentence == (
        'with "aileron stick" moved a little, on the same gimbal: channel 5 by 49 counts (from 3.120 s, 166 frames)'
    )
    assert get(changed(lambda c, _: drag(c, 0.12, 4)), aileron, "moves alone").verdict is Verdict.FAIL
    for other in (5, 2, 7):  # the rudder has another gimbal, the flap none, and a motor has no share
        found = changed(functools.partial(drag_other, channel=other))
        assert get(found, aileron, "moves alone").verdict is Verdict.FAIL
    motor = get(changed(lambda c, _: drag(c, 0.06, 7)), MOTOR, "rest")
    assert motor.verdict is Verdict.FAIL


def test_every_frame_has_a_phase() -> None:
    for has_marks in (True, False):
        inputs = VerifyInputs(round_of(has_marks=has_marks), RIG)
        phases = find_phases(inputs, channel_plans(RIG))
        starts = {Phase(int(p)).name: float(inputs.t_s[np.argmax(phases.of_frame == p)]) for p in set(phases.of_frame)}
        assert sorted(starts, key=lambda name: starts[name]) == [
            name
            for name in ("AT_REST", "MOVE", "BETWEEN", "HELD_AWAY", "OFF", "FAILSAFE", "BACK")
            if not (has_marks and name == "BETWEEN")  # no word says when a step was done
        ]
        assert starts["OFF"] == pytest.approx(33.2, abs=0.02)
        assert starts["FAILSAFE"] == pytest.approx(33.8, abs=0.02)
        assert starts["BACK"] == pytest.approx(36.8, abs=0.02)


def powered_up(counts_at: Callable[[U16], None]) -> Verification:
    """A round after two seconds of frames without a link."""
    flown = heron.fly_round(RIG)
    before = np.repeat(flown.counts[:1], 133, 0)
    counts_at(before)
    counts = np.concatenate([before, flown.counts])
    flags = np.concatenate([np.full(133, FLAG_LOST | FLAG_FAILSAFE, np.uint8), flown.flags])
    t_ns = np.arange(len(counts), dtype=np.int64) * 15_000_000
    return verify(recorded(heron.read_by_adapter(RIG, heron.Round(t_ns, counts, flags, flags >= 0, ()))), RIG)


def test_a_motor_is_at_rest_from_the_first_frame_on() -> None:
    assert not_passed(powered_up(lambda counts: None)) == {}

    def pulse(counts: U16) -> None:
        counts[0, 7] = 1811

    found = powered_up(pulse)
    assert not_passed(found) == {(MOTOR, "from the first frame on"): Verdict.FAIL}
    assert get(found, MOTOR, "from the first frame on").sentence == (
        "1811 counts at 0.000 s (powered up, no link yet), planned 173 counts"
    )


@pytest.mark.parametrize(("row", "where"), [(70, "1.050 s (at rest)"), (2500, "37.500 s (link back)")])
@pytest.mark.parametrize("flags", [0, FLAG_LOST, FLAG_FAILSAFE])
def test_a_motor_in_a_damaged_frame_is_not_tested_whatever_its_flags(flags: int, row: int, where: str) -> None:
    recording = round_of(has_marks=True)
    raw, marks = recording.frames.raw.copy(), recording.frames.line_marks.copy()
    counts = np.where(np.arange(16) == 7, 1811, recording.frames.channels[row])
    raw[row] = pack_frames(counts[None], np.array([flags], np.uint8))
    marks[row] = MARKED
    recording = dataclasses.replace(recording, frames=dataclasses.replace(recording.frames, raw=raw, line_marks=marks))
    check = get(verify(recording, RIG), MOTOR, "rest")
    assert check.verdict is Verdict.NOT_TESTED
    assert check.sentence == f"1811 counts at {where}, in frames with bytes that the line marked as damaged"


def test_a_motor_held_away_without_switching_off_may_not_run_on() -> None:
    """The annotated step of holding away ends with the next step; what runs after that fails."""
    flown = heron.fly_round(RIG, faults=("no switching off",))
    marks = [mark for mark in flown.marks if mark[1] not in ("transmitter off", "transmitter on")]
    found = verify(recorded(heron.read_by_adapter(RIG, flown), marks=marks), RIG)
    assert get(found, MOTOR, "rest").verdict is Verdict.PASS  # it is back at rest before the controls are let go
    counts = flown.counts.copy()
    counts[row_s(36.0) : row_s(39.5), 7] = 1811
    again = heron.Round(flown.t_ns, counts, flown.flags, flown.is_sent, ())
    found = verify(recorded(heron.read_by_adapter(RIG, again), marks=marks), RIG)
    assert get(found, MOTOR, "rest").verdict is Verdict.FAIL


OWN_MOVE = slice(row_s(27.3), row_s(30.0))  # of the motor, the last of the controls


def ran(first_s: float, stop_s: float, at: int = 1811) -> Change:
    """A motor whose control was never moved, but that ran once."""

    def change(counts: U16, _flags: U8) -> None:
        counts[OWN_MOVE, 7] = 173
        counts[row_s(first_s) : row_s(stop_s), 7] = at

    return change


def moved_at(time_s: float) -> Change:
    """The motor's own move at another time."""

    def change(counts: U16, _flags: U8) -> None:
        move = counts[OWN_MOVE, 7].copy()
        counts[OWN_MOVE, 7] = 173
        counts[row_s(time_s) : row_s(time_s) + len(move), 7] = move

    return change


def moved_for_the_flaps(counts: U16, flags: U8) -> None:
    moved_at(6.8)(counts, flags)
    counts[row_s(7) : row_s(9), 2:4] = 173


STRANGE: list[tuple[str, Change, str]] = [
    ("in the rest", ran(0.9, 2.2), "1811 counts at 0.900 s (at rest), 87 frames until 2.190 s"),
    ("in a pause", ran(18.1, 19.4), "1811 counts at 18.105 s"),
    ("after the link came back", ran(37.3, 38.6), "1811 counts at 37.305 s"),
    ("until the link is gone", ran(24.0, 33.2), "1811 counts at 24.000 s"),
    ("long before others are held away", ran(29.6, 33.2), "1811 counts at 29.595 s"),
    ("for twice as long", ran(27.3, 30.8), "1811 counts at 27.300 s (between moves), 233 frames until 30.780 s"),
    ("for a third as long", ran(27.7, 28.3), "1811 counts at 27.705 s (between moves), 40 frames until 28.290 s"),
    ("half as far", ran(27.7, 29.3, 992), "992 counts at 27.705 s"),
    ("in the place of another", moved_for_the_flaps, "199 counts at 7.125 s"),
    ("while another moves", moved_at(11.0), "199 counts at 11.325 s"),
]


@pytest.mark.parametrize(("change", "said"), [case[1:] for case in STRANGE], ids=[case[0] for case in STRANGE])
def test_an_excursion_unlike_the_moves_of_the_others_is_no_move_of_a_motor(change: Change, said: str) -> None:
    found = changed(change, has_marks=False)
    check = get(found, MOTOR, "after return" if "37.305" in said else "rest")
    assert check.verdict is Verdict.FAIL
    assert check.sentence.startswith(said)
    assert get(found, MOTOR, "high end").verdict is Verdict.NOT_TESTED


@pytest.mark.parametrize(("dragged", "is_known"), [(163, True), (164, False)])
def test_a_thumb_on_the_gimbal_of_the_motor_hides_its_move_beyond_the_share_of_a_hand(
    dragged: int, is_known: bool
) -> None:
    """A hand may add 20 % of 819 counts; if more of the rudder moves as well, whose move it was is not known."""
    devices = tuple(msgspec.structs.replace(d, gimbal="left stick") if d.motor_kind else d for d in RIG.devices)
    limits = msgspec.structs.replace(RIG.limits, hands_pct=20.0)
    rig = msgspec.structs.replace(RIG, devices=devices, limits=limits)

    def drag(counts: U16, _flags: U8) -> None:
        moved = dragged / 1638 * (counts[OWN_MOVE, 7].astype(float) - 173)  # of all its travel
        counts[OWN_MOVE, 5] += np.rint(moved).astype(np.uint16)

    found = changed(drag, rig=rig, has_marks=False)
    assert (not_passed(found) == {}) is is_known
    assert get(found, MOTOR, "rest").verdict is (Verdict.PASS if is_known else Verdict.FAIL)


def test_a_move_of_a_motor_is_not_known_with_fewer_than_two_others_to_compare_with() -> None:
    def others(channels: list[int]) -> Change:
        def change(counts: U16, _flags: U8) -> None:
            still = [channel for channel in range(7) if channel not in channels]
            counts[: row_s(31), still] = counts[0, still]

        return change

    # Switched off in the pauses, the release switch of channel 17 still moves as it did.
    two = get(changed(others([5]), has_marks=False), MOTOR, "rest")
    one = get(changed(others([]), has_marks=False), MOTOR, "rest")
    assert (two.verdict, one.verdict) == (Verdict.PASS, Verdict.NOT_TESTED)
    assert one.sentence == (
        "199 counts at 27.630 s (between moves), 116 frames until 29.355 s: fewer than 2 other controls were moved,"
        " to know its own move by, and no annotation says why: annotate the steps"
    )

    def pulse(counts: U16, flags: U8) -> None:
        others([])(counts, flags)
        full(counts, 60, 70)

    check = get(changed(pulse, has_marks=False), MOTOR, "rest")
    assert check.verdict is Verdict.FAIL


def with_ignition(channel: int) -> Rig:
    """The Heron with an engine, whose ignition a switch on a channel of its own kills."""
    engine = {"motor": "engine", "ignition_kill": "kill switch", "idle_pct": -80.0, "rest_pct": None, "failsafe": -80.0}
    devices = tuple(msgspec.structs.replace(d, **engine) if d.motor_kind else d for d in RIG.devices)
    release = next(d for d in RIG.devices if d.name == "tow release")
    kill = msgspec.structs.replace(
        release, name="kill switch", control="ignition switch", channel=channel, rest_pct=-100.0, failsafe=-100.0
    )
    return msgspec.structs.replace(RIG, devices=(*devices, kill))


IGNITIONS: list[tuple[str, str, slice, str]] = [
    ("one frame at rest", "rest", slice(70, 71), "1811 counts at 1.050 s (at rest), away from its rest at 173 counts"),
    ("between moves", "rest", slice(row_s(10.3), row_s(10.5)), "1811 counts at 10.305 s"),
    ("in failsafe", "failsafe value", slice(row_s(39), row_s(39) + 1), "1811 counts at 39.000 s (in failsafe)"),
    ("link back", "after return", slice(row_s(41.5), row_s(41.5) + 1), "1811 counts at 41.505 s (link back)"),
]


@pytest.mark.parametrize("has_marks", [True, False])
@pytest.mark.parametrize(("name", "rows", "said"), [case[1:] for case in IGNITIONS], ids=[one[0] for one in IGNITIONS])
def test_an_ignition_that_is_on_outside_its_own_move_fails(name: str, rows: slice, said: str, has_marks: bool) -> None:
    rig = with_ignition(9)
    flown = heron.fly_round(rig)
    counts = flown.counts.copy()
    counts[rows, 8] = 1811
    again = dataclasses.replace(flown, counts=counts)
    marks = flown.marks if has_marks else ()
    found = verify(recorded(heron.read_by_adapter(rig, again), marks=marks), rig)
    check = get(found, "channel 9 (kill switch)", name)
    assert check.verdict is Verdict.FAIL
    assert check.sentence.startswith(said)


@pytest.mark.parametrize("channel", [9, 18])
@pytest.mark.parametrize("has_marks", [True, False])
def test_an_engine_with_an_ignition_switch_can_pass(channel: int, has_marks: bool) -> None:
    rig = with_ignition(channel)
    flown = heron.fly_round(rig)
    log = heron.read_by_adapter(rig, flown)
    assert not_passed(verify(recorded(log, marks=flown.marks if has_marks else ()), rig)) == {}
    assert [one.motor_kind for one in channel_plans(rig)[-2:]] == ["engine", "kill"]
