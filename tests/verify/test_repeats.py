"""What a guided check asks to be repeated at the end of a step, from literal phases and checks."""

from __future__ import annotations

import pytest

from busbench.verify.inputs import VerifyInputs
from busbench.verify.phases import Phase, Phases
from busbench.verify.procedure import TestStep as Step
from busbench.verify.procedure import round_of
from busbench.verify.repeats import Repeat, checks_of, find_repeats
from busbench.verify.result import Check, Part, Verdict
from busbench.verify.verify import Verification
from busbench.verify.windows import Window
from tests.verify.exact_frames import COUNT, HIGH, LOW, NEUTRAL, PLAN, held, inputs, phases, plans, step

PASS, FAIL, NOT_TESTED = Verdict.PASS, Verdict.FAIL, Verdict.NOT_TESTED


def step_of(mark: str) -> Step:
    (found,) = (one for one in round_of(PLAN) if one.mark == mark)
    return found


def verification(*checks: Check, evidence: VerifyInputs | None = None, found: Phases | None = None) -> Verification:
    evidence = inputs({1: [NEUTRAL] * COUNT}) if evidence is None else evidence
    return Verification(checks, evidence, tuple(plans().values()), phases() if found is None else found)


def check(part: Part, channel: int | None, name: str, verdict: Verdict = FAIL) -> Check:
    subject = "failsafe" if channel is None else plans()[channel].subject
    return Check(part, subject, name, verdict, "why", channel=channel)


RESTS = [check("channel", 1, "rest", PASS), check("channel", 8, "rest"), check("channel", 3, "rest")]
OTHERS = [
    check("channel", 1, "low end"), check("channel", 8, "low end"), check("failsafe", None, "delay"),
    check("failsafe", 1, "after return", PASS), check("power-up", 1, "value"), check("line", None, "rest"),
]  # fmt: skip


@pytest.mark.parametrize(
    ("mark", "judged"),
    [
        ("rest", [0, 1, 2]),
        ("a", [0, 3, 1]),
        ("m", [1, 4]),
        ("s", [1]),
        ("controls held away", [1]),
        ("transmitter off", [1]),
        ("controls let go", [5, 6]),
        ("transmitter on after the receiver", [7]),
    ],
)
def test_the_checks_that_are_possible_at_the_end_of_a_step(mark: str, judged: list[int]) -> None:
    """Those of its own channels, and of each motor that ran."""
    every = [*RESTS, *OTHERS]
    assert list(checks_of(verification(*every), step_of(mark))) == [every[index] for index in judged]


def away(first: int, level: float = HIGH) -> list[float]:
    return held(LOW, (first, first + 2, level), count=COUNT)


WINDOWS = [step("rest", 0, 100), step("e", 100, 200, 300), step("a", 300, 400, COUNT)]


@pytest.mark.parametrize(
    ("row", "asked"),
    [(50, None), (99, "e"), (250, "e"), (298, "e"), (300, None), (450, "a"), (600, "a")],
)
def test_what_left_its_rest_since_the_step_before_repeats_the_step_in_which_it_did(row: int, asked: str | None) -> None:
    found = phases({(300, 301): Phase.MOVE, (301, 302): Phase.MOVE}, windows=WINDOWS)
    evidence = inputs({3: away(row, 300)})
    asks = list(find_repeats(verification(evidence=evidence, found=found), step_of("a")))
    assert [one.mark for one in asks] == ([] if asked is None else [asked])
    if row == 250:
        assert asks[0].message == (
            'repeat "e": channel 3 (flap): 300 counts at 3.906 s (at rest), 2 frames until 3.922 s, away from rest'
        )


def test_the_first_reason_of_a_step_is_given_and_checks_of_rest_are_not_repeated() -> None:
    found = phases(windows=WINDOWS)
    evidence = inputs({3: away(450, 300), 2: held(NEUTRAL, (460, 462, 1100), (260, 262, 1100), count=COUNT)})
    checks = [check("channel", 1, "rest"), check("channel", 1, "low end", NOT_TESTED), check("channel", 1, "high end")]
    asks = list(find_repeats(verification(*checks, evidence=evidence, found=found), step_of("a")))
    flap = "channel 3 (flap): 300 counts at 7.031 s (at rest), 2 frames until 7.047 s, away from rest"
    elevator = "channel 2 (elevator): 1100 counts at 4.062 s (at rest), 4 frames until 7.203 s, away from rest"
    assert asks == [Repeat("a", flap), Repeat("e", elevator)]
    good = verification(*checks, found=found)
    assert list(find_repeats(good, step_of("a"))) == [Repeat("a", "channel 1 (aileron): low end: why")]
    assert list(find_repeats(good, step_of("e"))) == []


def test_a_motor_that_ran_begins_the_whole_test_sequence_again() -> None:
    evidence = inputs({8: away(450)})
    (ask,) = find_repeats(verification(evidence=evidence, found=phases(windows=WINDOWS)), step_of("a"))
    assert ask.message == (
        "start the whole test sequence again: channel 8 (fan): 1811 counts at 7.031 s (at rest), 2 frames until"
        " 7.047 s, away from rest"
    )


@pytest.mark.parametrize(
    ("windows", "row", "mark"),
    [
        ([], 5, "rest"),
        ([step("a", 100, 200, 300)], 5, "rest"),  # the only step: all before it counts
        ([step("a", 100, 200, 300)], 350, "rest"),  # after its pause
        ([step("e", 50, 60, 70), Window("a", 1.5, 100, 200, 300, is_repeated=True)], 350, "rest"),
        ([Window("a", 0.5, 40, 45, 50, is_repeated=True), step("e", 50, 60, 70), step("a", 100, 200)], 45, None),
    ],
)
def test_without_a_step_there_the_rest_is_repeated(windows: list[Window], row: int, mark: str | None) -> None:
    evidence = inputs({3: away(row, 300)})
    asks = find_repeats(verification(evidence=evidence, found=phases(windows=windows)), step_of("a"))
    assert [one.mark for one in asks] == ([] if mark is None else [mark])


@pytest.mark.parametrize("windows", [[], [step("a", 100, 200)]])
def test_the_very_first_frame_counts_where_there_is_no_step_before(windows: list[Window]) -> None:
    evidence = inputs({3: held(LOW, (0, 1, 300), count=COUNT)})
    asks = find_repeats(verification(evidence=evidence, found=phases(windows=windows)), step_of("a"))
    assert [one.mark for one in asks] == ["rest"]


@pytest.mark.parametrize(
    ("mark", "part", "again"),
    [
        ("controls let go", "failsafe", "controls held away"),
        ("transmitter on after the receiver", "power-up", "receiver on"),
    ],
)
def test_what_failed_without_a_link_is_repeated_from_its_first_step_on(mark: str, part: Part, again: str) -> None:
    found = verification(check(part, None, "delay"), check("line", None, "jitter"))
    assert list(find_repeats(found, step_of(mark))) == [Repeat(again, "failsafe: delay: why")]


def test_without_frames_nothing_is_repeated() -> None:
    nothing = Verification((check("channel", 1, "low end"),), inputs({1: []}), tuple(plans().values()), None)
    assert list(find_repeats(nothing, step_of("a"))) == []
