"""The checks in 80 columns: where lines are broken, what is written out, and what has little to spare."""

from __future__ import annotations

import dataclasses

import pytest

from busbench.cli import verify_text
from busbench.cli.verify_text import verify_lines
from busbench.verify.junit import junit_xml
from busbench.verify.result import VIRTUAL, Check, CheckFactory
from busbench.verify.verify import Verification, verify
from tests.verify.rounds import RIG, round_of

LONG = "rudder" * 15  # 90 characters without a gap
LINE = CheckFactory("line", "line")


@pytest.fixture(scope="module")
def good() -> Verification:
    return verify(round_of(), RIG)


def shown(good: Verification, *checks: Check, shows_all: bool = False) -> list[str]:
    lines = list(verify_lines(dataclasses.replace(good, checks=checks), shows_all=shows_all))
    return lines[: next(at for at, line in enumerate(lines) if line.startswith("to spare:"))]


def test_a_word_longer_than_a_line_stays_whole(good: Verification) -> None:
    """Names are found by searching for them, so none is broken: of a subject, in a finding, and in a reason."""
    channel = CheckFactory("channel", f"channel 6 ({LONG})", 6)
    checks = (
        channel.is_so("rest", "rests", good=True),
        channel.not_tested("direction", f"see {LONG} first"),
        channel.is_so("low end", f"with {LONG} moved more", good=False),
    )
    assert shown(good, *checks) == [
        "PASSED", "  channel 6", f"    ({LONG}):", "    rest", "",
        "NOT TESTED", "  see", f"  {LONG}", "  first", "    channel 6", f"      ({LONG}):", "      direction", "",
        "FAILED", f"  channel 6 ({LONG})", "    low end             with", f"{' ' * 24}{LONG}",
        f"{' ' * 24}moved more", "",
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("measured", "unit", "said"),
    [
        # A quarter of the limit is little to spare; frames and glitches may be at their limit.
        (7.6, "s", ["PASSED, WITH LITTLE TO SPARE", "  line", "    delay               late (2.4 s to spare)"]),
        (7.5, "s", ["PASSED", "  line", "    delay               late (2.5 s to spare)"]),
        (10.0, "s", ["PASSED, WITH LITTLE TO SPARE", "  line", "    delay               late"]),
        (10.0, "frames", ["PASSED", "  line", "    delay               late"]),
        (9.9, "glitches", ["PASSED", "  line", "    delay               late"]),
    ],
)
def test_what_has_little_to_spare(good: Verification, measured: float, unit: str, said: list[str]) -> None:
    check = LINE.at_most("delay", "late", measured=measured, limit=10.0, unit=unit)
    assert shown(good, check) == [*said, ""]
    assert shown(good, check, shows_all=True) == ["PASSED", *said[1:], ""]  # once


def test_a_limit_of_nothing_is_not_narrow(good: Verification) -> None:
    check = LINE.at_most("failsafe", "0 of them", measured=0, limit=0, unit="x")
    assert shown(good, check)[0] == "PASSED"
    below = LINE.within("offset", "at -90", measured=-90, expected=-100, limit=-100, unit="x")
    assert shown(good, below)[0] == "FAILED"


def test_channels_are_named_and_others_written_out(good: Verification) -> None:
    channel = CheckFactory("channel", "channel 6 (rudder)", 6)
    checks = (
        LINE.is_so("period", "15 ms", good=True),
        channel.is_so("rest", "rests", good=True),
        channel.is_so("channel", "there", good=True),
        channel.is_so("noise", "quiet", good=True),
        channel.not_tested("direction", "no end is stated"),
        LINE.not_tested("jitter", "no end is stated"),
        channel.is_so("low end", "short", good=False),
    )
    assert shown(good, *checks) == [
        "PASSED", "  line", "    period              15 ms", "  channel 6 (rudder): rest, noise", "",
        "NOT TESTED", "  no end is stated", "    channel 6 (rudder): direction", "    line: jitter", "",
        "FAILED", "  channel 6 (rudder)", "    low end             short", "",
    ]  # fmt: skip
    assert shown(good, *checks, shows_all=True)[:6] == [
        "PASSED", "  line", "    period              15 ms", "  channel 6 (rudder)",
        "    rest                rests", "    channel             there",
    ]  # fmt: skip
    whole = CheckFactory("failsafe", "failsafe").is_so("failsafe", "all of it", good=True)
    assert shown(good, whole) == ["PASSED", "  failsafe", ""]
    assert shown(good) == []


def test_what_is_wrong_with_the_plan_is_broken_between_words_alone(
    good: Verification, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(verify_text, "faults_words", lambda *_, **__: f"the plan /{LONG} has two-{'x' * 74} faults")
    lines = list(verify_lines(good))
    at = lines.index("the plan")
    assert lines[at : at + 4] == ["the plan", f"  /{LONG}", "  has", f"  two-{'x' * 74}"]


def test_a_virtual_receiver_or_aircraft_is_named_at_the_end(good: Verification) -> None:
    assert list(verify_lines(good, is_virtual=True)) == [*verify_lines(good), VIRTUAL]
    assert junit_xml(good, is_virtual=True).count(f"<system-out>{VIRTUAL}</system-out>") == 1
    assert VIRTUAL not in junit_xml(good)
