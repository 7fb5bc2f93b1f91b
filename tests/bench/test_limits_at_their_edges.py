"""Where sources of limits just agree, and where they just do not; what a plan names beside the frame."""

from __future__ import annotations

import pytest

from busbench.bench.plan_limits import LimitSources, MotorOption
from busbench.errors import DriveError
from tests.bench.test_plan_limits import PLAN, SINE, channel, locked, plan, program, rest_of
from tests.rig.rigs import device


@pytest.mark.parametrize(("rest_pct", "counts"), [(-100.0, 173), (-99.88, 174), (-99.76, 175)])
def test_two_rests_of_a_locked_channel_may_be_one_count_apart(rest_pct: float, counts: int) -> None:
    """A motor is off at 173 counts, and 1 % is 8.19 of them."""
    made = program(**channel(8, rest=rest_pct))
    assert made.limits.channels[7].rest == counts
    if abs(counts - 173) <= 1:
        assert rest_of(locked(PLAN, made), 8) == (173, True)
    else:
        with pytest.raises(DriveError, match="it is locked, but"):
            locked(PLAN, made)


@pytest.mark.parametrize(("low_pct", "is_left"), [(59.9, True), (60.0, True), (60.2, False)])
def test_limits_that_meet_in_one_place_leave_that_place(low_pct: float, is_left: bool) -> None:
    """60 % of travel end at 1483 counts."""
    sources = LimitSources(plan(device("flap", 3, "travel_pct = 60")))
    made = program(**channel(3, low=low_pct, high=100, rest=low_pct))
    if is_left:
        limit = locked(sources, made).limits.channels[2]
        assert (limit.low, limit.high) == (made.limits.channels[2].low, 1483)
        return
    with pytest.raises(DriveError, match="no travel is left between"):
        locked(sources, made)


def test_a_rest_beyond_limits_of_that_channel_is_held_at_their_end_and_not_locked() -> None:
    """Limits of all channels lock it at its rest instead."""
    sources = LimitSources(plan(device("gear", 7, "rest_pct = -100")))
    assert rest_of(locked(sources, program(**channel(7, low=-50, high=50))), 7) == (582, False)
    assert rest_of(locked(sources, program(limits={"low": -50, "high": 50})), 7) == (173, True)


@pytest.mark.parametrize(("rest_pct", "rest"), [(-90.0, 255), (-95.0, 214), (-89.8, None), (50.0, None)])
def test_a_motor_option_takes_the_rest_of_others_where_a_motor_is_off(rest_pct: float, rest: int | None) -> None:
    made = program(**channel(3, rest=rest_pct))
    sources = LimitSources(motors=(MotorOption(2),))
    if rest is not None:
        assert rest_of(locked(sources, made), 3) == (rest, True)
        return
    with pytest.raises(DriveError, match=r"--motor 3 has it rest at -100\.0 % \(173 counts\)"):
        locked(sources, made)


@pytest.mark.parametrize(("rest_pct", "state"), [(0.0, "off"), (1.0, "on"), (-1.0, "off")])
def test_a_rest_of_an_on_off_channel_that_is_refused_is_named_by_its_state(rest_pct: float, state: str) -> None:
    with pytest.raises(DriveError, match=f"--motor 17={state}: a motor may turn there"):
        MotorOption(16, rest_pct)


def test_a_default_rest_of_a_plan_is_no_word_against_a_motor_option() -> None:
    sources = LimitSources(plan(device("wheel", 3)), motors=(MotorOption(2),))
    assert rest_of(locked(sources), 3) == (173, True)


@pytest.mark.parametrize("number", [1, 16, 17, 18])
def test_travel_counts_on_the_channels_that_have_one(number: int) -> None:
    failsafe = "0" if number <= 16 else '"hold"'
    sources = LimitSources(plan(device("flap", number, "travel_pct = 50", failsafe=failsafe)))
    made = locked(sources, program({**SINE, "channel": 2}))
    if number <= 16:
        limit = made.limits.channels[number - 1]
        assert (limit.low, limit.high) == (582, 1402)
    assert rest_of(made, number) == (992 if number <= 16 else 0, False)


@pytest.mark.parametrize("neutral_us", [1400, 1600])
def test_ends_beyond_the_frame_narrow_nothing(neutral_us: int) -> None:
    """150 % of travel are 1228.5 counts to each side of the neutral, at 832 or 1152 counts."""
    sources = LimitSources(plan(device("flap", 3, "travel_pct = 150", f"neutral_us = {neutral_us}")))
    limit = sources.merge(program(limits={"low": -121, "high": 128})).limits.channels[2]
    assert (limit.low, limit.high) == (1, 2040)  # of the program


def test_a_device_beside_the_frame_limits_nothing() -> None:
    """Its plan has a fault: what is only calculated goes by the rest of it."""
    tables = (device("low", 0), device("high", 19), device("none"), device("flap", 3, "travel_pct = 50"))
    sources = LimitSources(plan(*tables))
    assert sources.faults
    made, alone = sources.merge(program()), locked(LimitSources(plan(tables[-1])))
    assert made.limits == alone.limits
    assert [made.named(number) for number in (0, 2, 17)] == ["channel 1", "channel 3 (flap)", "channel 18"]


@pytest.mark.parametrize("rest", ["on", "off"])
@pytest.mark.parametrize("number", [17, 18])
def test_an_on_off_channel_rests_as_the_program_says(number: int, rest: str) -> None:
    for is_locked in (True, False):
        made = locked(LimitSources(), program(**channel(number, rest=rest, locked=is_locked)))
        assert rest_of(made, number) == (int(rest == "on"), is_locked)
        assert rest_of(made, 35 - number) == (0, False)


def test_an_on_off_channel_that_a_program_locks_is_off() -> None:
    """Other channels must have a rest to be locked."""
    stated = program(**channel(17, locked=True))
    assert rest_of(locked(LimitSources(), stated), 17) == (0, True)
    sources = LimitSources(plan(device("brake", 17, "rest_pct = 100", failsafe='"hold"')))
    with pytest.raises(DriveError, match=r"channel 17 \(brake\): it is locked, but the program"):
        locked(sources, stated)


def test_the_caution_of_each_engine_of_each_plan() -> None:
    engine = ('motor = "engine"', "idle_pct = -80", 'kind = "off-bus"')
    one = plan(
        device("left", 3, *engine, 'ignition_kill = "kill"', failsafe="-80"),
        device("right", 4, *engine, 'ignition_kill = "root switch"', failsafe="-80"),
        device("kill", 17, failsafe='"hold"'),
        device("electric", 5, "motor = true", 'kind = "off-bus"', failsafe="-100"),
    )
    other = plan(device("tug", 6, *engine, 'ignition_kill = "kill"', failsafe="-80"))
    assert LimitSources(one + other).cautions == (
        "  - left: ignition held off on channel 17 (kill); see that it is dead",
        "  - right: ignition switched off by hand (root switch); see that it is dead",
        "  - tug: ignition switched off by hand (kill); see that it is dead",
    )
