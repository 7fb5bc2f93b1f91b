"""One check and its result."""

from __future__ import annotations

import enum
import math
from dataclasses import dataclass, replace
from typing import Literal

from busbench.wire.frame_spec import CHANNELS

CAUTION = (
    "A bench check is no proof of airworthiness: keep to local rules, ask your club's safety officer, and make a"
    " range check and a control check before every flight."
)
VIRTUAL = "Made on a virtual receiver or aircraft: it says nothing about a real one."

Part = Literal["plan", "line", "channel", "failsafe", "power-up", "pulse", "walk", "change"]


ON_OFF = "on/off"  # unit of on/off channels, on (1) or off (0)
_MIDDLE_COUNTS = 992  # counts used for its states


class Verdict(enum.StrEnum):
    """The verdict of a check; "not tested" is never a pass.

    Attributes:
        PASS, FAIL, NOT_TESTED: values as in the output.
    """

    PASS = "pass"
    FAIL = "fail"
    NOT_TESTED = "not tested"


@dataclass(frozen=True, slots=True)
class Check:
    """One check.

    Args:
        part: what it is about.
        subject: channel and devices, or "plan", "line", "failsafe".
        name: short name of the check.
        verdict: its verdict.
        sentence: the finding in one sentence.
        measured: the measured value, None without one.
        expected: the planned value, None if only the limit counts.
        limit: max of the measured value, or of its distance from the expected one.
        margin: distance to the limit; negative: fails.
        unit: of all four; ON_OFF for channels 17 and 18, which have no limit and no margin.
        channel: 1-18, None if it is about no channel.
    """

    part: Part
    subject: str
    name: str
    verdict: Verdict
    sentence: str
    measured: float | None = None
    expected: float | None = None
    limit: float | None = None
    margin: float | None = None
    unit: str = ""
    channel: int | None = None

    @property
    def message(self) -> str:
        """The sentence; for a failed check with its limit."""
        if self.limit is None or self.verdict is not Verdict.FAIL:
            return self.sentence
        if self.expected is not None:  # the sentence names the planned value
            word = "limit ±"
        else:
            word = "at least " if (self.measured or 0) < self.limit else "limit "
        return f"{self.sentence} ({word}{self.limit:.3g} {self.unit})"

    def to_json(self) -> dict[str, object]:
        """Plain values."""
        return {name: getattr(self, name) for name in self.__slots__} | {"verdict": self.verdict.value}


@dataclass(frozen=True, slots=True)
class CheckFactory:
    """Makes checks about one subject."""

    part: Part  # part, subject, channel: see Check
    subject: str
    channel: int | None = None

    def at_most(self, name: str, sentence: str, *, measured: float, limit: float, unit: str) -> Check:
        """Check that a value is not above a limit."""
        if self._is_on_off(unit):
            return self.is_so(name, sentence, good=measured <= limit)
        return self._judged(name, sentence, measured, None, limit, limit - measured, unit)

    def at_least(self, name: str, sentence: str, *, measured: float, limit: float, unit: str) -> Check:
        """Check that a value is not below a limit."""
        return self._judged(name, sentence, measured, None, limit, measured - limit, unit)

    def within(self, name: str, sentence: str, *, measured: float, expected: float, limit: float, unit: str) -> Check:
        """Check that a value is within a limit of the planned one; for an on/off channel the same state."""
        if self._is_on_off(unit):
            on, planned = float(measured > _MIDDLE_COUNTS), float(expected > _MIDDLE_COUNTS)
            state = self.is_so(name, sentence, good=on == planned)
            return replace(state, measured=on, expected=planned, unit=ON_OFF)
        margin = limit - abs(measured - expected)
        return self._judged(name, sentence, measured, expected, limit, margin, unit)

    def is_so(self, name: str, sentence: str, *, good: bool) -> Check:
        """Check a condition."""
        verdict = Verdict.PASS if good else Verdict.FAIL
        return Check(self.part, self.subject, name, verdict, sentence, channel=self.channel)

    def not_tested(self, name: str, why: str, *, unit: str = "", limit: float | None = None) -> Check:
        """A check that the recording cannot answer."""
        if self._is_on_off(unit):
            unit, limit = ON_OFF, None
        return Check(
            self.part, self.subject, name, Verdict.NOT_TESTED, why, limit=limit, unit=unit, channel=self.channel
        )

    def _is_on_off(self, unit: str) -> bool:
        """True if states are compared: there is nothing between on and off."""
        return (self.channel or 0) > CHANNELS and unit == "counts"

    def _judged(
        self,
        name: str,
        sentence: str,
        measured: float,
        expected: float | None,
        limit: float,
        margin: float,
        unit: str,
    ) -> Check:
        # Limits are decimal fractions: a value equal to one must not fail by binary rounding.
        good = margin >= 0 or math.isclose(margin, 0, abs_tol=1e-9 * max(1.0, abs(limit)))
        verdict = Verdict.PASS if good else Verdict.FAIL
        return Check(
            self.part, self.subject, name, verdict, sentence, measured, expected, limit, margin, unit, self.channel
        )


def overall(checks: tuple[Check, ...]) -> Verdict:
    """Pass if all passed, fail if one failed, else not tested (also without checks)."""
    verdicts = {check.verdict for check in checks}
    if Verdict.FAIL in verdicts:
        return Verdict.FAIL
    return Verdict.PASS if verdicts == {Verdict.PASS} else Verdict.NOT_TESTED
