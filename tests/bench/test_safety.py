"""What must be said before anything moves: every combination of arming, plan and options has its words."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from busbench.bench.plan_limits import NO_SOURCES, LimitSources, MotorOption
from busbench.bench.safety import (
    CAUTIONS,
    COUNTDOWN_S,
    FAULT_CAUTION,
    caution_lines,
    error_text,
    refusal,
    require_arming,
    require_motor,
)
from busbench.bench.tick_clock import TickClock
from busbench.drive.frame_generator import EndState
from busbench.errors import DriveError, PortError
from busbench.rig.check import motion_faults
from tests.drive.helpers import make
from tests.rig.rigs import device, rig

HOLD = {"channel": 1, "shape": "hold", "level": 992, "duration": 1}
SECOND_NS = 1_000_000_000
HALF_NS = SECOND_NS // 2
LEAVE = "leave with q and start again with"
UNSAID = device("cowl", 5, 'kind = "off-bus"')
STATED = 'motor = "electric", "engine" or false for each of these in the rig file'
NOT_SAID = "the plan does not say what can turn a propeller"
OPTIONS = "--motor CH for each motor, --no-motor or --rig RIG.toml"


def plan(*tables: str) -> LimitSources:
    return LimitSources(plans=(("heron.toml", rig(*tables)),))


# A reversed motor whose rest is not stated.
TURNED = device("m", 8, "motor = true", 'kind = "off-bus"', "reversed = true", failsafe="-100")
(TURNED_FAULT,) = (f"{one.where}: {one.what}" for one in motion_faults(rig(TURNED)))


def words(act: Callable[[], None]) -> str:
    with pytest.raises(DriveError) as caught:
        act()
    return str(caught.value)


@pytest.mark.parametrize(("is_armed", "can_stop"), [(True, True), (True, False), (False, True), (False, False)])
def test_a_real_port_needs_arming_and_a_key_that_can_stop_it(is_armed: bool, can_stop: bool) -> None:
    if is_armed and can_stop:
        require_arming("/dev/ttyUSB0", is_armed=True)
        require_arming("/dev/ttyUSB0", is_armed=True, can_stop=True)
        return
    said = words(lambda: require_arming("/dev/ttyUSB0", is_armed=is_armed, can_stop=can_stop))
    assert said == (
        "/dev/ttyUSB0: nothing was sent, since standard input is not a terminal and no key could stop it:"
        " run it in a terminal, or send it to virtual: or a file"
        if is_armed
        else "/dev/ttyUSB0: nothing was sent, since it is not armed: read the cautions above, then add --arm"
    )


def test_a_motor_must_be_named_or_said_not_to_be_there() -> None:
    require_motor("/dev/ttyUSB0", names_motor=True)
    require_motor("/dev/ttyUSB0", names_motor=True, unsaid=["cowl"])
    said = words(lambda: require_motor("/dev/ttyUSB0", names_motor=False))
    assert said == (
        "/dev/ttyUSB0: nothing was sent, since it is not said which channel drives a motor:"
        " give --motor CH for each, --no-motor if there is none, or --rig"
    )
    for has_options, more in ((True, "; or give --motor CH for each motor, --no-motor if there is none"), (False, "")):
        with pytest.raises(DriveError) as caught:
            require_motor("/dev/ttyUSB0", names_motor=False, unsaid=["cowl", "fan"], has_options=has_options)
        assert caught.value.what == f"/dev/ttyUSB0: nothing was sent, since {NOT_SAID} (cowl, fan)"
        assert caught.value.hint == f"state {STATED}{more}"


@pytest.mark.parametrize(
    ("sources", "is_armed", "is_walk", "text"),
    [
        (LimitSources(has_no_motor=True), True, False, ""),
        (LimitSources(motors=(MotorOption(2),)), True, False, ""),
        (LimitSources(has_no_motor=True), False, False, "Not armed: leave with q and start again with --arm"),
        (NO_SOURCES, True, False,
         f"It is not said which channel drives a motor: leave with q and start again with {OPTIONS}"),
        (NO_SOURCES, False, False,
         "Not armed, and it is not said which channel drives a motor: leave with q and start again with --arm,"
         f" and with {OPTIONS}"),
        (plan(device("rudder", 4)), True, True, ""),
        (plan(UNSAID), True, True, f"The plan does not say what can turn a propeller (cowl): {LEAVE} {STATED}"),
        (plan(UNSAID), True, False,
         f"The plan does not say what can turn a propeller (cowl): {LEAVE} {STATED}, or {OPTIONS}"),
        (plan(UNSAID), False, True, f"Not armed, and {NOT_SAID} (cowl): {LEAVE} --arm, and with {STATED}"),
        (plan(TURNED), False, False,
         "heron.toml: nothing moves with 1 fault in what is moved or held: correct the plan; `busbench rig check`"
         f" lists it ({TURNED_FAULT})"),
    ],
)  # fmt: skip
def test_a_screen_says_why_nothing_may_be_sent(sources: LimitSources, is_armed: bool, is_walk: bool, text: str) -> None:
    said = refusal(sources, port="/dev/ttyUSB0", is_armed=is_armed, is_walk=is_walk)
    assert said == text


def test_an_error_has_the_faults_of_its_plan_alone() -> None:
    assert error_text(PortError("far", "is closed", hint="open it")) == "far: is closed: open it"


@pytest.mark.parametrize("faults", [(), ({"kind": "lost", "start": 0.2, "duration": 0.2},)])
def test_cautions_come_after_what_will_be_done(faults: tuple[dict[str, object], ...]) -> None:
    kill = ('motor = "engine"', "idle_pct = -80", 'ignition_kill = "kill switch"')
    engine = rig(device("throttle", 3, *kill, failsafe="-80"), device("kill switch", 18, failsafe='"hold"'))
    made = LimitSources(plans=(("heron.toml", engine),)).lock(make(HOLD, fault=list(faults)))
    lines = list(caution_lines(made, end=EndState.REST))
    at = lines.index(CAUTIONS[0])
    assert at > 2
    assert lines[at - 1] == ""
    more = ["  - throttle: ignition held off on channel 18 (kill switch); see that it is dead"]
    assert lines[at:] == [*CAUTIONS, *more, *([FAULT_CAUTION] if faults else []), ""]
    assert all(line.isascii() for line in lines)
    assert COUNTDOWN_S == 3


def test_time_in_suspend_counts_from_half_a_second_on() -> None:
    awake = iter([0, 1 * SECOND_NS, 3 * SECOND_NS, 3 * SECOND_NS])
    real = iter([0, 1 * SECOND_NS + HALF_NS, 3 * SECOND_NS + 2 * HALF_NS + 1, 3 * SECOND_NS + 2 * HALF_NS])
    clock = TickClock(now_ns=lambda: next(awake), real=lambda: next(real))
    assert [clock.take() for _ in range(3)] == [(1.0, 0.0), (2.0, 0.500000001), (0.0, 0.0)]
