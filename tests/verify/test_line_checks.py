"""The checks of the line, from literal outages, periods and glitches: each at its limit, and just beyond."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import cache

import pytest

from busbench.analysis.binomial import loss_bounds
from busbench.analysis.jitter import Jitter
from busbench.analysis.jitter_range import ADVICE, Kind
from busbench.analysis.outages import Outage
from busbench.verify.inputs import VerifyInputs
from busbench.verify.line_checks import check_line
from busbench.verify.link_loss import LinkLoss
from busbench.verify.phases import Phases, PowerUp, find_phases
from busbench.verify.result import Check, Verdict
from tests.verify.exact_frames import HIGH, NEUTRAL, PLAN, STEP_S, held, inputs, limited, plans

PASS, FAIL, NOT_TESTED = Verdict.PASS, Verdict.FAIL, Verdict.NOT_TESTED
LOSSES = ("missing frames", "frames flagged lost", "frames flagged failsafe", "damaged frames")


def phases_of(evidence: VerifyInputs) -> Phases:
    return find_phases(evidence, list(plans(evidence.rig).values()))


def checks(evidence: VerifyInputs, phases: Phases | None = None) -> dict[str, Check]:
    return {one.name: one for one in check_line(evidence, phases or phases_of(evidence))}


def outage(kind: str, frames: int, low: int | None = None, *, at_s: float | None = 2.0, lasts_s: float = 0.125,
           offset: int = 0) -> Outage:  # fmt: skip
    end_s = None if at_s is None else at_s + lasts_s
    return Outage(kind, at_s, end_s, frames, frames if low is None else low, 0, 0, offset)  # type: ignore[arg-type]


def judged(
    *events: Outage,
    expected: int = 1000,
    doubt: int = 0,
    excused_s: Sequence[tuple[float, float]] = (),
    power_ups: tuple[PowerUp, ...] = (),
    loss: LinkLoss | None = None,
    marks: Sequence[tuple[float, str]] = (),
    has_clock: bool = True,
    has_period: bool = True,
    **limits: float,
) -> dict[str, Check]:
    good, good_phases = good_frames()
    plan = limited(PLAN, **{"loss_pct": 1.0, "outage_s": 0.25} | limits)
    evidence = inputs({1: [NEUTRAL] * 300}, plan=plan, marks=marks, has_clock=has_clock)
    phases = replace(good_phases, excused_s=tuple(excused_s), power_ups=power_ups, loss=loss)
    known = replace(good.outages, events=events, expected=expected, doubt=doubt)
    period_ns = STEP_S * 1e9 if has_period else None
    vars(evidence).update(outages=known, found_period_ns=period_ns, timing=good.timing, channels=good.channels)
    return checks(evidence, phases)


@cache
def good_frames() -> tuple[VerifyInputs, Phases]:
    evidence = inputs({1: [NEUTRAL] * 300})
    return evidence, phases_of(evidence)


@pytest.mark.parametrize(("frames", "verdict", "words"), [
    (1, NOT_TESTED, "only 1 frame received, too few to say much: record for longer"),
    (99, NOT_TESTED, "only 99 frames received, too few to say much: record for longer"),
    (100, PASS, "100 frames received"),
])  # fmt: skip
def test_enough_frames_pass(frames: int, verdict: Verdict, words: str) -> None:
    check = checks(inputs({1: [NEUTRAL] * frames}, plan=limited(frames_least=100)))["frames"]
    assert (check.verdict, check.sentence, check.limit, check.unit) == (verdict, words, 100, "frames")
    assert check.margin == (None if verdict is NOT_TESTED else 0)


def test_without_frames_nothing_else_is_said_of_the_line() -> None:
    evidence = inputs({1: []})
    (check,) = check_line(evidence, None)
    assert (check.part, check.subject, check.name, check.verdict) == ("line", "line", "frames", FAIL)
    assert (check.message, check.measured, check.limit) == (
        "no frame was received (at least 500 frames)", 0, 500,
    )  # fmt: skip


@pytest.mark.parametrize(("percent", "verdict"), [(25.0, PASS), (24.9, FAIL)])
def test_the_period_is_judged_by_the_plans(percent: float, verdict: Verdict) -> None:
    """14 ms are planned, and 17.5 ms are a quarter more."""
    evidence = inputs({1: [NEUTRAL] * 10}, plan=limited(period_pct=percent))
    vars(evidence).update(timing=replace(evidence.timing, period_mean_s=0.0175))
    check = checks(evidence)["period"]
    assert (check.verdict, check.expected, check.unit) == (verdict, 14.0, "ms")
    assert check.measured == pytest.approx(17.5)
    assert check.limit == pytest.approx(percent * 0.14)
    assert check.sentence == "a frame every 17.5000 ms on average, planned 14 ms"
    vars(evidence).update(timing=replace(evidence.timing, period_mean_s=None, note="too few"))
    check = checks(evidence)["period"]
    assert (check.verdict, check.sentence, check.unit) == (NOT_TESTED, "too few", "ms")
    assert check.limit == pytest.approx(percent * 0.14)


def jitter(rms_s: float, *, hides_s: float = 0.0, low_s: float, kind: Kind) -> Jitter:
    spread = (0.0, 0.0, 0.0, 0.0, 0.0, 0.0)
    return Jitter(*spread, rms_s, 0, 0, None, None, 0, 0, (), None, kind, low_s, 1.0, hides_s, 0.0, of_cut=False)


@pytest.mark.parametrize(
    ("limit_ms", "verdict"), [(750.0, PASS), (749.9, NOT_TESTED), (250.0, NOT_TESTED), (249.9, FAIL)]
)
@pytest.mark.parametrize("kind", ["figure", "at most"])
def test_jitter_is_judged_by_what_was_seen_and_what_is_certain(limit_ms: float, verdict: Verdict, kind: Kind) -> None:
    """0.5 s were seen, and 0.25 s more may be hidden; 0.25 s at least are the receiver's."""
    evidence = inputs({1: [NEUTRAL] * 10}, plan=limited(jitter_ms=limit_ms))
    found = jitter(0.5, hides_s=0.25, low_s=0.25, kind=kind)
    vars(evidence).update(timing=replace(evidence.timing, jitter=found, note="a note"))
    check = checks(evidence)["jitter"]
    said = "500.0000 ms rms" + ("" if kind == "figure" else " seen, adapter and computer included")
    said += "; judged as seen, the receiver's own may be above the limit" if limit_ms == 750.0 else ""
    said += "; a note"
    advice = f"; to know the receiver's own jitter, {ADVICE}" if verdict is NOT_TESTED else ""
    assert (check.verdict, check.sentence) == (verdict, said + advice)
    assert (check.measured, check.limit, check.unit) == (None if advice else 750.0, limit_ms, "ms")


def test_advice_on_jitter_is_given_once_and_without_jitter_there_is_a_note() -> None:
    evidence = inputs({1: [NEUTRAL] * 10}, plan=limited(jitter_ms=300.0))
    found = jitter(0.5, low_s=0.25, kind="at most")
    vars(evidence).update(timing=replace(evidence.timing, jitter=found, note=f"late; {ADVICE}"))
    assert checks(evidence)["jitter"].sentence.count(ADVICE) == 1
    vars(evidence).update(timing=replace(evidence.timing, jitter=None, note="nothing known"))
    check = checks(evidence)["jitter"]
    assert (check.verdict, check.sentence, check.limit, check.unit) == (NOT_TESTED, "nothing known", 300.0, "ms")


def test_glitches_are_counted_by_channel() -> None:
    jumps = held(NEUTRAL, (10, 11, HIGH), (20, 21, HIGH), count=40)
    levels = {1: jumps, 9: held(NEUTRAL, (30, 31, HIGH), count=40)}
    for limit, verdict in ((3, PASS), (2, FAIL)):
        check = checks(inputs(levels, plan=limited(glitches=limit)))["glitches"]
        assert check.sentence == "3 single frames jumped 40 counts or more away and back (channel 1: 2, channel 9: 1)"
        assert (check.verdict, check.measured, check.limit, check.unit) == (verdict, 3, limit, "glitches")
    check = checks(inputs({1: [NEUTRAL] * 40}))["glitches"]
    assert (check.verdict, check.sentence) == (PASS, "0 single frames jumped 40 counts or more away and back")


@pytest.mark.parametrize(("kind", "name"), [("gap", LOSSES[0]), ("lost", LOSSES[1]), ("damaged", LOSSES[3])])
def test_losses_are_judged_by_their_upper_limit(kind: str, name: str) -> None:
    """0 of 1000: 1 - 0.05 ** (1 / 1000) is 0.2991 %."""
    found = judged(outage(kind, 10), loss_pct=1.0)
    upper = 100 * loss_bounds(10, 1000).upper_one_sided  # 1.69 %
    assert {one: found[one].verdict for one in LOSSES} == dict.fromkeys(LOSSES, PASS) | {name: NOT_TESTED}
    burst = ", too kind a bound as they came in bursts"
    said = f"10 of 1,000; 95 % upper confidence limit 1.69 %{burst}"
    assert found[name].sentence == f"{said}; too few frames to promise 1 %"
    assert (found[name].measured, found[name].limit, found[name].unit) == (None, 1.0, "%")
    found = judged(outage(kind, 11), loss_pct=1.0)
    assert (found[name].verdict, found[name].limit, found[name].unit) == (FAIL, 1.0, "%")
    assert found[name].measured == pytest.approx(1.8142, abs=1e-4)
    assert found[name].sentence == f"11 of 1,000; 95 % upper confidence limit 1.81 %{burst}"
    found = judged(outage(kind, 10), loss_pct=upper)
    assert (found[name].verdict, found[name].sentence) == (PASS, said)
    single = judged(*(outage(kind, 1) for _ in range(10)), loss_pct=2.0)[name]
    assert single.sentence == "10 of 1,000; 95 % upper confidence limit 1.69 %"
    two = judged(outage(kind, 2), loss_pct=2.0)[name]
    assert two.sentence == f"2 of 1,000; 95 % upper confidence limit 0.628 %{burst}"
    assert judged(loss_pct=2.0)[name].sentence == "0 of 1,000; 95 % upper confidence limit 0.299 %"


@pytest.mark.parametrize(("frames", "low", "verdict"), [
    (11, 10, NOT_TESTED), (11, 11, FAIL), (10, 9, NOT_TESTED), (12, 11, FAIL), (2, 1, PASS),
])  # fmt: skip
def test_marked_packets_fail_only_by_the_frames_that_are_certain(frames: int, low: int, verdict: Verdict) -> None:
    """Of 1000, 10 are 1 %."""
    check = judged(outage("damaged", frames, low), loss_pct=1.0)["damaged frames"]
    assert check.verdict is verdict
    certain = f"; {low} for certain, since adapters may mark a whole packet for one bad byte"
    assert (certain in check.sentence) is (low < frames)
    assert check.sentence.endswith("; too few frames to promise 1 %") is (frames == 10)


def test_frames_late_or_lost_count_as_missing_alone() -> None:
    found = judged(outage("gap", 1), doubt=2, loss_pct=2.0)
    more = "; up to 2 more, as some late frames and lost frames look alike"
    assert found["missing frames"].sentence == f"1 of 1,000; 95 % upper confidence limit 0.774 %{more}"  # 3 of 1000
    assert found["frames flagged lost"].sentence == "0 of 1,000; 95 % upper confidence limit 0.299 %"
    found = judged(doubt=2000, expected=1000, loss_pct=100.0)
    assert found["missing frames"].measured == 100


def test_no_frame_may_be_flagged_failsafe_besides_the_test_of_it() -> None:
    check = judged(outage("failsafe", 1))["frames flagged failsafe"]
    assert (check.verdict, check.measured, check.limit, check.unit) == (FAIL, 1, 0, "frames")
    assert check.sentence == "1 frame flagged failsafe came besides the test of it"
    check = judged()["frames flagged failsafe"]
    assert (check.verdict, check.sentence) == (PASS, "0 frames flagged failsafe came besides the test of it")


@pytest.mark.parametrize(
    ("at_s", "lasts_s", "is_in"),
    [
        (1.0, 1.0, True),
        (0.9765625, 1.046875, True),  # 1.5 periods of 1/64 s, before and after
        (0.9765624, 1.046875, False),
        (0.9765625, 1.0468751, False),
        (3.0, 0.5, True),
        (2.5, 0.1, False),
    ],
)
def test_what_was_lost_without_a_link_is_not_counted(at_s: float, lasts_s: float, is_in: bool) -> None:
    found = judged(outage("lost", 40, at_s=at_s, lasts_s=lasts_s), outage("lost", 1, at_s=5.0),
                   excused_s=[(1.0, 2.0), (3.0, 3.5)])  # fmt: skip
    assert found["frames flagged lost"].sentence.startswith("1 of 960;" if is_in else "41 of 1,000;")
    assert (found["longest outage"].measured == 0.125) is (is_in or lasts_s == 0.1)


def test_all_may_be_excused() -> None:
    found = judged(outage("lost", 1001, at_s=1.0), excused_s=[(0.0, 5.0)])
    assert (
        found["frames flagged lost"].sentence
        == "0 of 0; 95 % upper confidence limit 100 %; too few frames to promise 1 %"
    )
    assert found["longest outage"].sentence == "there was no outage"


@pytest.mark.parametrize(("row", "is_in"), [(49, False), (50, True), (69, True), (70, False)])
def test_without_times_what_was_lost_without_a_link_is_known_by_its_bytes(row: int, is_in: bool) -> None:
    event = outage("lost", 3, at_s=None, offset=row * 25)
    loss = LinkLoss(1.0, 2.0, 50, 70, None, 0.0, None, None, True, has_ended=True)
    power_up = PowerUp(50, 70, 90, 1.0, None, is_annotated=False)
    for found in (
        judged(event, loss=loss, has_clock=False, has_period=False),
        judged(event, power_ups=(power_up,), has_clock=False, has_period=False),
    ):
        assert found["frames flagged lost"].sentence.startswith("0 of 997" if is_in else "3 of 1,000")
    last = LinkLoss(4.0, 5.0, 290, 300, None, 0.0, None, None, True, has_ended=False)  # until the end
    found = judged(outage("lost", 3, at_s=None, offset=299 * 25), loss=last, has_clock=False)
    assert found["frames flagged lost"].sentence.startswith("0 of 997")


def test_without_times_or_a_period_missing_frames_cannot_be_seen() -> None:
    for found, why in (
        (judged(has_clock=False, has_period=False), "the recording has no times"),
        (judged(has_period=False), "no period was found"),
    ):
        missing, longest = found["missing frames"], found["longest outage"]
        assert (missing.verdict, missing.sentence) == (NOT_TESTED, f"{why}: missing frames cannot be seen")
        assert (missing.limit, missing.unit, longest.limit, longest.unit) == (1.0, "%", 0.25, "s")
        assert (longest.verdict, longest.sentence) == (NOT_TESTED, why)
    for lasts_s, verdict in ((0.25, NOT_TESTED), (0.5, FAIL)):
        seen = judged(outage("lost", 9, lasts_s=lasts_s), has_period=False)["longest outage"]
        assert seen.verdict is verdict


@pytest.mark.parametrize(
    ("outages_s", "verdict", "words"),
    [
        ([(0.125, True), (0.25, True), (0.2, True)], PASS, "the longest outage lasted 0.250 s"),
        ([(0.25, False)], PASS, "the longest outage lasted 0.250 s"),
        ([(0.0, True)], PASS, "the longest outage lasted 0.000 s"),
        ([(0.125, True), (0.5, True)], FAIL, "the longest outage lasted 0.500 s; it began 2.00 s from the start"),
        ([(0.5, False)], NOT_TESTED, "packets were marked for 0.500 s, perhaps each for one bad byte"),
        ([(0.25, True), (0.5, False)], NOT_TESTED, "packets were marked for 0.500 s, perhaps each for one bad byte"),
        ([(0.375, True), (0.5, False)], FAIL, "the longest outage lasted 0.500 s; it began 2.00 s from the start"),
    ],
)
def test_the_longest_outage(outages_s: list[tuple[float, bool]], verdict: Verdict, words: str) -> None:
    """Of those whose marks may be for one bad byte only what is certain fails."""
    some = [outage("damaged", 9, 9 if is_certain else 2, lasts_s=lasts_s) for lasts_s, is_certain in outages_s]
    check = judged(*some, outage("gap", 2, at_s=None))["longest outage"]
    assert (check.verdict, check.sentence, check.limit, check.unit) == (verdict, words, 0.25, "s")
    assert check.measured == (None if verdict is NOT_TESTED else max(lasts_s for lasts_s, _ in outages_s))


def test_where_the_longest_outage_began() -> None:
    marks = [(1.0, "a"), (2.0, "e"), (2.5, "f")]
    loss = LinkLoss(4.0, 5.0, 290, 300, None, 0.0, None, None, True, has_ended=True)
    at_s = {2.5: "f", 2.25: "e", 2.0: "e", 0.5: None}
    for start_s, step in at_s.items():
        check = judged(outage("gap", 9, at_s=start_s, lasts_s=0.5), marks=marks, loss=loss)["longest outage"]
        during = "" if step is None else f', after the mark "{step}"'
        began = f"it began {start_s:.2f} s from the start{during}"
        assert check.sentence == f"the longest outage lasted 0.500 s besides the failsafe test; {began}"
    assert judged(loss=loss)["longest outage"].sentence == "there was no outage besides the failsafe test"
