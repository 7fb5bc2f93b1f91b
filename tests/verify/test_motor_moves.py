"""Which excursion of a motor is its move in a test sequence without annotations, at each limit of being like others."""

from __future__ import annotations

import dataclasses

import heron
import msgspec
import numpy as np
import pytest

from busbench.model import U8, U16
from busbench.verify.result import Verdict
from busbench.verify.verify import verify
from busbench.wire.frame_spec import FLAG_LOST
from tests.verify.rounds import RIG, recorded
from tests.verify.test_phases import MOTOR, changed, get, ran, row_s, with_ignition

PASS, FAIL, NOT_TESTED = Verdict.PASS, Verdict.FAIL, Verdict.NOT_TESTED
IDLE, LOW, HIGH = 337, 173, 1811  # counts of -80, -100 and 100 %


@pytest.mark.parametrize(("low", "verdict"), [(LOW, PASS), (LOW + 24, PASS), (LOW + 25, FAIL), (IDLE, FAIL)])
def test_a_move_to_both_ends_may_last_for_twice_as_long(low: int, verdict: Verdict) -> None:
    """An engine idles between its ends: it is away for 3.3 s, others for 1.4 s at each end; an end is ±24.57 counts."""
    rig = with_ignition(9)
    flown = heron.fly_round(rig)
    counts = flown.counts.copy()
    counts[row_s(27.0) : row_s(31.0), 7] = IDLE
    counts[row_s(27.3) : row_s(28.3), 7] = low if low != IDLE else HIGH
    counts[row_s(28.3) : row_s(30.6), 7] = HIGH
    found = verify(recorded(heron.read_by_adapter(rig, dataclasses.replace(flown, counts=counts))), rig)
    assert get(found, MOTOR, "rest").verdict is verdict


@pytest.mark.parametrize(
    ("lasts_s", "verdict"), [(0.84, FAIL), (0.90, PASS), (2.19, PASS), (2.28, FAIL)]
)  # 1.39 s / 1.6 = 0.87 s, 1.39 s x 1.6 = 2.22 s
def test_a_move_lasts_about_as_long_as_that_of_others(lasts_s: float, verdict: Verdict) -> None:
    check = get(changed(ran(27.7, 27.7 + lasts_s), has_marks=False), MOTOR, "rest")
    assert check.verdict is verdict


@pytest.mark.parametrize(("level", "verdict"), [(HIGH - 163, PASS), (HIGH - 164, FAIL)])
def test_a_move_reaches_the_end_within_its_limit(level: int, verdict: Verdict) -> None:
    """Of 20 % of 819 counts."""
    rig = msgspec.structs.replace(RIG, limits=msgspec.structs.replace(RIG.limits, end_pct=20.0))
    found = changed(ran(27.7, 29.2, level), rig=rig, has_marks=False)
    assert get(found, MOTOR, "rest").verdict is verdict


@pytest.mark.parametrize(("frames", "verdict"), [(33, FAIL), (36, NOT_TESTED)])
def test_an_excursion_of_less_than_half_a_second_is_no_move_even_where_none_is_known(
    frames: int, verdict: Verdict
) -> None:
    """Only the release switch moved as well: one other control is too few to know the motor's own move by."""

    def change(counts: U16, _flags: U8) -> None:
        counts[: row_s(31), :7] = counts[0, :7]
        counts[: row_s(31), 7] = LOW
        counts[row_s(27.7) : row_s(27.7) + frames, 7] = HIGH

    assert get(changed(change, has_marks=False), MOTOR, "rest").verdict is verdict


@pytest.mark.parametrize(("beside_s", "verdict"), [(0.7, FAIL), (0.9, PASS)])
@pytest.mark.parametrize("is_before", [True, False])
def test_a_move_is_alone_if_nothing_else_moved_shortly_before_or_after(
    beside_s: float, verdict: Verdict, is_before: bool
) -> None:
    """Of 0.8 s: the flap lever twitches by 400 counts."""

    def change(counts: U16, flags: U8) -> None:
        ran(27.7, 29.2)(counts, flags)
        at = row_s(27.7 - beside_s) - 20 if is_before else row_s(29.2 + beside_s)
        counts[at : at + 20, 2:4] = 600

    assert get(changed(change, has_marks=False), MOTOR, "rest").verdict is verdict


@pytest.mark.parametrize(("frames", "verdict"), [(14, PASS), (15, FAIL)])
def test_a_motor_is_held_away_if_it_was_until_the_link_was_all_but_gone(frames: int, verdict: Verdict) -> None:
    """It was put to rest so many frames before the last good one, for no step of the sequence."""

    def change(counts: U16, flags: U8) -> None:
        lost = int(np.flatnonzero(flags & FLAG_LOST)[0])
        counts[lost - frames : lost, 7] = LOW

    assert get(changed(change), MOTOR, "rest").verdict is verdict
