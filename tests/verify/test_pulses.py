"""Pulse outputs held against the plan."""

from __future__ import annotations

from dataclasses import replace

import heron
import pytest

from busbench.analysis.pulse_fit import Fit
from busbench.analysis.pulses import PulseLine, Pulses, WidthStats, find_pulses
from busbench.verify.pulse_checks import check_pulses
from busbench.verify.result import Verdict
from busbench.wire.scale import Scale
from tests.verify.rounds import RIG


@pytest.mark.parametrize("names", [("wrong", "right"), ("right", "wrong")])
def test_every_output_of_a_channel_is_judged(names: tuple[str, str]) -> None:
    flown = heron.fly_round(RIG)
    rows = slice(700, 1250)  # the elevator and the rudder move
    part = heron.Round(flown.t_ns[rows], flown.counts[rows], flown.flags[rows], flown.is_sent[rows], ())
    scales = {"wrong": Scale(1024, 1520, 0.61), "right": RIG.scale}
    lines = {name: heron.pulse_lines(part, channels={name: 6}, scale=scales[name]) for name in names}
    found = find_pulses({"bus": lines["right"]["bus"], **{name: lines[name][name] for name in names}})
    assert found is not None
    failed = {check.subject for check in check_pulses(found, RIG) if check.verdict is Verdict.FAIL}
    passed = {check.subject for check in check_pulses(found, RIG) if check.verdict is Verdict.PASS}
    assert failed == {"channel 6 (rudder), wrong"}
    assert passed >= {"channel 6 (rudder), right", "channel 6 (rudder), wrong"}  # both follow


def line(name: str, fit: Fit | None, note: str = "") -> PulseLine:
    any_of_it = WidthStats(0.0, 0.0, 0.0, 0.0)
    return PulseLine(name, 100, any_of_it, any_of_it, False, fit, None, note)


def fit(
    channel: int,
    us_per_count: float = 0.625,
    centre_us: float = 1500.0,
    *,
    also: tuple[int, ...] = (),
    ends: tuple[int, int] = (173, 1811),
) -> Fit:
    return Fit(channel, also, centre_us, us_per_count, 1e-5, 0.26, 0.5, 0, 0, *ends)


def said(*lines: PulseLine) -> list[tuple[str, str, Verdict, str]]:
    checks = check_pulses(Pulses("bus", 1000, 0.1, lines, (), ()), RIG)
    return [(one.subject, one.name, one.verdict, one.sentence) for one in checks if one.part == "pulse"]


MOTOR = "channel 8 (sustainer)"
UNSEEN = (MOTOR, "pulse output", Verdict.NOT_TESTED, "no pulse line in the recording is seen to follow this channel")


def test_a_device_without_an_output_is_not_tested() -> None:
    """The sustainer alone is not on the bus; others are judged where an output follows them."""
    assert said() == [UNSEEN]
    assert said(line("a", fit(8))) == [
        (MOTOR, "pulse output", Verdict.PASS,
         "a follows channel 8: 1500.00 µs at 992 counts, 0.62500 µs a count, residual 0.26 µs rms"),
        (MOTOR, "agrees with the bus", Verdict.PASS, "988.1 µs at 173 counts, by the plan's scale 988.1 µs"),
    ]  # fmt: skip


def test_an_output_that_runs_against_its_channel_fails() -> None:
    follows, agrees = said(line("a", fit(6, -0.625)))[:2]
    assert follows == (
        "channel 6 (rudder)", "pulse output", Verdict.FAIL,
        "a runs against channel 6: 1500.00 µs at 992 counts, -0.62500 µs a count, residual 0.26 µs rms",
    )  # fmt: skip
    # 819 counts at 0.625 µs are 511.9 µs, to the other side.
    assert agrees[1:] == ("agrees with the bus", Verdict.FAIL, "2011.9 µs at 173 counts, by the plan's scale 988.1 µs")


@pytest.mark.parametrize(
    ("centre_us", "us_per_count", "ends", "sentence", "verdict"),
    [
        # 5 µs are the limit, wherever the line is farthest from the plan.
        (1505.0, 0.625, (173, 1811), "993.1 µs at 173 counts, by the plan's scale 988.1 µs", Verdict.PASS),
        (1494.9, 0.625, (173, 1811), "983.0 µs at 173 counts, by the plan's scale 988.1 µs", Verdict.FAIL),
        (1500.0, 0.632, (900, 1811), "2017.6 µs at 1811 counts, by the plan's scale 2011.9 µs", Verdict.FAIL),
        (1500.0, 0.632, (900, 1100), "1568.3 µs at 1100 counts, by the plan's scale 1567.5 µs", Verdict.PASS),
    ],
)
def test_an_output_agrees_where_it_is_farthest(
    centre_us: float, us_per_count: float, ends: tuple[int, int], sentence: str, verdict: Verdict
) -> None:
    found = said(line("a", fit(6, us_per_count, centre_us, ends=ends)))
    assert found[1] == ("channel 6 (rudder)", "agrees with the bus", verdict, sentence)


def test_an_output_that_may_follow_several_channels_shows_the_scale_alone() -> None:
    assert said(line("a", fit(8, also=(1, 2))), line("b", None, "it never moves")) == [
        UNSEEN,
        ("pulse line a", "agrees with the bus", Verdict.PASS, "988.1 µs at 173 counts, by the plan's scale 988.1 µs"),
        ("pulse line b", "pulse output", Verdict.NOT_TESTED, "it never moves"),
    ]


def test_an_output_whose_centre_is_unknown_is_judged_by_its_way_alone() -> None:
    even = replace(fit(8, centre_us=1400), is_centre_known=False)
    assert said(line("a", even)) == [
        (MOTOR, "pulse output", Verdict.PASS,
         "a follows channel 8: 0.62500 µs a count, residual 0.26 µs rms"),
        (MOTOR, "agrees with the bus", Verdict.NOT_TESTED,
         "a moved too evenly: its width at 992 counts is unknown: move its control quickly, both ways"),
    ]  # fmt: skip


def test_two_outputs_of_a_channel_are_named() -> None:
    found = said(line("a", fit(8)), line("b", fit(8, 0.61)))
    assert [(one[0], one[2]) for one in found] == [
        (f"{MOTOR}, a", Verdict.PASS), (f"{MOTOR}, a", Verdict.PASS),
        (f"{MOTOR}, b", Verdict.PASS), (f"{MOTOR}, b", Verdict.FAIL),
    ]  # fmt: skip
