"""Pulse outputs held against the plan."""

from __future__ import annotations

import heron
import pytest

from busbench.analysis.pulses import find_pulses
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
