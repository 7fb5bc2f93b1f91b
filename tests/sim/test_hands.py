"""Ten people with real sticks: a good receiver passes in their hands, and what is wrong with one still fails."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from busbench.bench.check_session import CheckSession, CheckState
from busbench.bench.receiver import Receiver
from busbench.drive.surface_check import Word
from busbench.sim.aircraft import VirtualAircraft
from busbench.sim.aircraft_faults import parse_fault
from busbench.sim.aircraft_port import AircraftPort
from busbench.verify.repeats import Repeat
from busbench.verify.result import Verdict
from busbench.verify.verify import Verification
from tests.sim.hands import Hands
from tests.verify.rounds import RIG, not_passed

MOTOR, RUDDER, GEAR = "channel 8 (sustainer)", "channel 6 (rudder)", "channel 7 (gear)"
AGAIN_MOST = 4  # times that a person does a step again
LOOK_S = 0.1


@cache
def lead(seed: int, *faults: str, again_most: int = AGAIN_MOST) -> tuple[Verification, list[Repeat], Hands]:
    """Lead one person through the test sequence, with pauses to read; does again what is asked."""
    person, pauses = Hands(RIG, seed=seed), np.random.default_rng(1000 + seed)
    built = VirtualAircraft(RIG, faults=[parse_fault(text) for text in faults], seed=seed, pilot=person)
    port = AircraftPort("virtual:", aircraft=built, is_fast=True)
    receiver = Receiver(port, now=port.now)
    session = CheckSession(receiver, RIG)
    session.start()
    asked: list[Repeat] = []
    done: dict[int, int] = {}
    while session.state is not CheckState.OVER:
        until_ns = port.now() + round(pauses.uniform(0.3, 1.5) * 1e9)
        while port.now() < until_ns:
            receiver.pump(LOOK_S)
        session.hear(Word.GO)
        while session.state is CheckState.LISTENING:
            receiver.pump(session.left_s or LOOK_S)
        asked += session.repeats
        back = session.repeat_at
        if back is not None and done.get(back, 0) < again_most:
            done[back] = done.get(back, 0) + 1
            session.hear(Word.BACK)
    assert session.done is not None
    return session.done.found, asked, person


@pytest.mark.parametrize("seed", range(10))
def test_a_person_with_real_sticks_can_pass(seed: int) -> None:
    found, asked, person = lead(seed)
    assert not_passed(found) == {}
    moved = [repeat for repeat in asked if "moves alone" in repeat.why]
    assert (len(moved) > 0) is (person.slips > 0)  # a slip is reported at its step, and nothing else is
    assert not any(repeat.mark == "" for repeat in asked)


def test_hands_drag_the_other_axis_along_and_that_is_reported() -> None:
    found, _, _ = lead(0)
    (check,) = [c for c in found.checks if (c.subject, c.name) == ("channel 1 (left aileron)", "moves alone")]
    assert check.verdict is Verdict.PASS
    assert check.sentence.startswith('with "aileron stick" moved a little, on the same gimbal: channel 5 by')


def test_the_step_to_do_again_is_named_with_its_reason() -> None:
    _, asked, person = lead(4)
    assert person.slips == 1
    (repeat,) = asked
    assert repeat.message == (
        'repeat "aileron stick": channel 1 (left aileron): moves alone: with "aileron stick" moved also channel 5 by'
        " 130 counts (from 5.730 s, 193 frames) (limit 8 counts)"
    )


FAULTS = [
    ("pulse-at-rest:sustainer", {(MOTOR, "rest")}),
    ("pulse-between:sustainer", {(MOTOR, "rest"), ("channel 1 (left aileron)", "moves alone"),
                                 ("channel 2 (right aileron)", "moves alone")}),
    ("pulse-lost:sustainer", {(MOTOR, "while lost")}),
    ("pulse-failsafe:sustainer", {(MOTOR, "failsafe value")}),
    ("pulse-return:sustainer", {(MOTOR, "after return")}),
    ("failsafe-drops", {("failsafe", "flag stays up")}),
    ("failsafe-late", {("failsafe", "delay")}),
    ("failsafe-stays:rudder", {(RUDDER, "after return")}),
    ("failsafe-stays:gear", {(GEAR, "after return")}),
    ("power-up-wild:sustainer", {(MOTOR, "from the first frame on")}),
    ("sent-short:rudder", {(RUDDER, "low end"), (RUDDER, "high end")}),
    ("sent-reversed:rudder", {(RUDDER, "direction")}),
    ("sent-with:rudder:3", {(RUDDER, "moves alone")}),
    ("lost-frames::5", {("line", "frames flagged lost")}),
]  # fmt: skip


@pytest.mark.parametrize(("fault", "expected"), FAULTS)
def test_what_is_wrong_with_a_receiver_fails_in_the_hands_of_a_person_too(
    fault: str, expected: set[tuple[str, str]]
) -> None:
    found, _, _ = lead(0, fault, again_most=0)
    failed = {where for where, verdict in not_passed(found).items() if verdict is Verdict.FAIL}
    assert failed == expected


@pytest.mark.parametrize("fault", ["pulse-at-rest:sustainer", "pulse-return:sustainer", "pulse-failsafe:sustainer"])
def test_no_repetition_clears_a_motor_that_ran(fault: str) -> None:
    found, asked, _ = lead(1, fault, again_most=1)
    assert found.verdict is Verdict.FAIL
    assert asked
