"""The steps of a guided check: what each asks for, by what the plan states of a channel."""

from __future__ import annotations

import msgspec
import pytest

from busbench.model import U8, U16
from busbench.rig.model import Rig
from busbench.verify.procedure import round_of
from busbench.verify.repeats import checks_of
from busbench.verify.result import Verdict
from tests.rig.rigs import device, rig
from tests.verify.rounds import RIG
from tests.verify.test_phases import changed


def instruction(plan: Rig, mark: str) -> str:
    (step,) = [step for step in round_of(plan) if step.mark == mark]
    return step.instruction


UP = 'above_neutral = "up"'
BACK = 'high_when = "back"'
BOTH_WAYS = "hold, to the other end, hold, then let go."


@pytest.mark.parametrize(
    ("states", "moves"),
    [
        ((BACK, UP), f'to "back", {BOTH_WAYS} It should move 4 rear up, and nothing else.'),
        ((BACK,), f'to "back", {BOTH_WAYS} It should move 4 rear, and nothing else.'),
        ((UP,), f"to one end, {BOTH_WAYS} It should move 4 rear, and nothing else."),
        ((), f"to one end, {BOTH_WAYS} It should move 4 rear, and nothing else."),
        (
            (BACK, UP, "rest_pct = -60"),
            'to "back", hold, and back to where it rests. It should move 4 rear up, and nothing else.',
        ),
        # It rests at the high end, which "back" names: it moves to the low one first.
        (
            (BACK, UP, "rest_pct = 60"),
            "to its other end, hold, and back to where it rests. It should move 4 rear down, and nothing else.",
        ),
        (("rest_pct = -60",), "to one end, hold, and back to where it rests. It should move 4 rear, and nothing else."),
        ((BACK, UP, "rest_pct = -40"), f'to "back", {BOTH_WAYS} It should move 4 rear up, and nothing else.'),
        ((BACK, UP, "rest_pct = 40"), f'to "back", {BOTH_WAYS} It should move 4 rear up, and nothing else.'),
    ],
)
def test_a_control_is_moved_as_the_plan_states(states: tuple[str, ...], moves: str) -> None:
    plan = rig(device("rear", 4, 'control = "slide"', *states))
    assert instruction(plan, "slide") == f'Move "slide" {moves}'


def test_a_control_names_all_that_it_moves() -> None:
    # Two channels of one control, and two devices of one channel, each with its own direction.
    plan = rig(
        device("left", 1, 'control = "stick"', BACK, UP),
        device("right", 2, 'control = "stick"', BACK, 'above_neutral = "down"'),
        device("tip", 2, BACK),
        device("rudder", 4),
    )
    assert instruction(plan, "stick") == (
        f'Move "stick" to "back", {BOTH_WAYS} It should move 1 left up, 2 right down, 2 tip, and nothing else.'
    )
    channels = {step.mark: step.channels for step in round_of(plan) if step.channels}
    assert channels == {"stick": (1, 2), "rudder": (4,)}


def test_how_long_each_step_lasts_and_which_may_be_left_out() -> None:
    steps = round_of(rig(device("rudder", 4)))
    assert [(step.mark, step.least_s, step.is_optional) for step in steps] == [
        ("rest", 4.0, False),
        ("rudder", 1.0, False),
        ("controls held away", 1.0, False),
        ("transmitter off", 4.0, False),
        ("transmitter on", 4.0, False),
        ("controls let go", 2.0, False),
        ("receiver on", 4.0, True),
        ("transmitter on after the receiver", 4.0, True),
    ]


def test_what_is_held_away_and_what_is_put_to_rest() -> None:
    """Channels that hold are taken from rest as well; motors and ignitions are back at rest before the link is."""
    holds = '"gear switch", "release switch"'
    away = "Push every control against an end, away from its failsafe position"
    assert instruction(RIG, "controls held away") == (
        f"{away}, and {holds} away from rest (propeller off!), and hold it."
    )
    plain = rig(device("rudder", 4))
    assert instruction(plain, "controls held away") == f"{away} (propeller off!), and hold it."
    on = "Hold all else as it is, and switch the transmitter on as you go on from here."
    assert instruction(plain, "transmitter on") == on
    assert instruction(RIG, "transmitter on") == f'Put "motor slider" to rest now. {on}'
    engine = {"motor": "engine", "ignition_kill": "tow release", "idle_pct": -80.0}
    devices = tuple(msgspec.structs.replace(d, **engine) if d.motor_kind else d for d in RIG.devices)
    ignited = msgspec.structs.replace(RIG, devices=devices)
    assert instruction(ignited, "transmitter on") == (
        f'Put "release switch", "motor slider" to rest (ignition off) now. {on}'
    )


def test_what_is_asked_of_every_aircraft() -> None:
    said = {step.mark: step.instruction for step in round_of(RIG)}
    assert said["rest"] == "Leave all controls alone."
    assert said["transmitter off"] == "Hold on, and switch the transmitter off as you go on from here."
    assert said["controls let go"] == (
        "When the link is back, let go of all controls; put levers and switches to rest."
    )
    assert said["receiver on"].startswith("Optional: switch the transmitter off, then the receiver.")
    assert said["transmitter on after the receiver"].startswith("Optional: leave all controls alone, and switch the")


@pytest.mark.parametrize("has_run", [False, True])
def test_what_is_judged_at_the_end_of_each_step(has_run: bool) -> None:
    """A control step judges its own channels, and each motor that ran, once; the last of failsafe judges that."""

    def run(counts: U16, _flags: U8) -> None:
        counts[70, 7] = 1811 if has_run else 173

    found = changed(run)
    judged = {step.mark: checks_of(found, step) for step in round_of(RIG)}
    for mark, channels in (("rudder stick", {6}), ("aileron stick", {1, 2}), ("motor slider", {8})):
        own = [check for check in found.checks if check.part == "channel" and check.channel in channels]
        ran = [check for check in found.checks if (check.channel, check.name) == (8, "rest")]
        assert [check.verdict is Verdict.FAIL for check in ran] == [has_run]
        assert list(judged[mark]) == own + (ran if has_run and 8 not in channels else [])
    assert {check.name for check in judged["rest"]} == {"rest"}
    assert [check.channel for check in judged["rest"]] == [1, 2, 3, 4, 5, 6, 7, 17, 8]
    assert {check.part for check in judged["controls let go"]} == {"failsafe"}
    assert judged["transmitter on after the receiver"] == ()  # it was not powered up
