"""One check: margins, verdicts, and what they come to together."""

from __future__ import annotations

import pytest

from busbench.verify.check import About, Check, Verdict, overall

ABOUT = About("channel", "channel 3 (flap)", 3)
PASS, FAIL, NOT_TESTED = Verdict.PASS, Verdict.FAIL, Verdict.NOT_TESTED


@pytest.mark.parametrize(("measured", "verdict"), [(0.1 + 0.2, PASS), (0.300001, FAIL), (-5, PASS)])
def test_a_value_on_its_limit_passes(measured: float, verdict: Verdict) -> None:
    assert ABOUT.at_most("x", "", measured=measured, limit=0.3, unit="s").verdict is verdict


def test_margin_is_what_is_left() -> None:
    near = ABOUT.within("x", "", measured=990, expected=1000, limit=8, unit="counts")
    assert (near.margin, near.verdict) == (-2, FAIL)
    assert ABOUT.at_least("x", "", measured=7, limit=5, unit="").margin == 2


@pytest.mark.parametrize(
    ("verdicts", "expected"),
    [
        ([PASS, PASS], PASS),
        ([PASS, NOT_TESTED], NOT_TESTED),
        ([NOT_TESTED, FAIL, PASS], FAIL),
        ([], NOT_TESTED),
    ],
)
def test_all_must_pass(verdicts: list[Verdict], expected: Verdict) -> None:
    assert overall(tuple(Check("line", "line", "x", verdict, "") for verdict in verdicts)) is expected
