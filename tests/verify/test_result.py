"""One check: margins, verdicts, and what they come to together."""

from __future__ import annotations

import pytest

from busbench.verify.result import Check, CheckFactory, Verdict, overall

ABOUT = CheckFactory("channel", "channel 3 (flap)", 3)
PASS, FAIL, NOT_TESTED = Verdict.PASS, Verdict.FAIL, Verdict.NOT_TESTED


@pytest.mark.parametrize(("measured", "verdict"), [(0.1 + 0.2, PASS), (0.300001, FAIL), (-5, PASS)])
def test_a_value_on_its_limit_passes(measured: float, verdict: Verdict) -> None:
    assert ABOUT.at_most("x", "", measured=measured, limit=0.3, unit="s").verdict is verdict


def test_margin_is_what_is_left() -> None:
    near = ABOUT.within("x", "", measured=990, expected=1000, limit=8, unit="counts")
    assert (near.margin, near.verdict) == (-2, FAIL)
    assert ABOUT.at_least("x", "", measured=7, limit=5, unit="").margin == 2


def test_what_failed_is_told_with_its_limit() -> None:
    switch = CheckFactory("channel", "channel 17 (release)", 17)
    told = [
        check.message
        for check in (
            ABOUT.at_most("x", "late", measured=3.01, limit=1.5, unit="s"),
            ABOUT.at_most("x", "in time", measured=1.01, limit=1.5, unit="s"),
            ABOUT.at_least("x", "few", measured=0, limit=500, unit="frames"),
            ABOUT.at_least("x", "none", measured=0, limit=1, unit="frames"),
            ABOUT.within("x", "off", measured=900, expected=992, limit=24.57, unit="counts"),
            switch.within("x", "is on", measured=1811, expected=173, limit=8, unit="counts"),
            ABOUT.is_so("x", "no", good=False),
        )
    ]
    assert told == [
        "late (limit 1.5 s)", "in time", "few (at least 500 frames)", "none (at least 1 frames)",
        "off (limit ±24.6 counts)", "is on", "no",
    ]  # fmt: skip


def test_channel_16_has_counts_and_channel_17_states() -> None:
    for channel, unit, margin in ((16, "counts", 7.0), (17, "on/off", None), (18, "on/off", None)):
        check = CheckFactory("channel", "it", channel).within(
            "x", "", measured=174, expected=173, limit=8, unit="counts"
        )
        assert (check.verdict, check.unit, check.margin) == (PASS, unit, margin)
        assert CheckFactory("line", "it").not_tested("x", "", unit="counts", limit=8).limit == 8


def test_an_on_off_channel_is_judged_by_its_state() -> None:
    switch = CheckFactory("channel", "channel 17 (release)", 17)
    on = switch.within("rest", "rests at on, planned off", measured=1811, expected=173, limit=24.57, unit="counts")
    assert (on.verdict, on.measured, on.expected, on.limit, on.margin, on.unit) == (FAIL, 1, 0, None, None, "on/off")
    off = switch.within("rest", "", measured=173, expected=173, limit=24.57, unit="counts")
    assert (off.verdict, off.measured, off.expected) == (PASS, 0, 0)
    untested = switch.not_tested("rest", "", unit="counts", limit=24.57)
    assert (untested.limit, untested.unit) == (None, "on/off")
    assert switch.at_most("moves alone", "", measured=0, limit=20, unit="counts").measured is None
    for measured, verdict in ((0, PASS), (20, PASS), (20.1, FAIL), (1638, FAIL)):
        assert switch.at_most("moves alone", "", measured=measured, limit=20, unit="counts").verdict is verdict
    assert switch.at_most("while lost", "", measured=0, limit=0, unit="counts").verdict is PASS


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
