"""One finding of a check, for the builder."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

NAMES_MAX = 100  # max names of a list; a plan may hold thousands


@dataclass(frozen=True, slots=True)
class Finding:
    """A fault or hint about a plan.

    Args:
        severity: "fault" (must be put right) or "hint" (worth a look).
        where: the device, hub or table it is about.
        what: what the plan says.
        effect: what that does on the aircraft.
        advice: what to do.
    """

    severity: Literal["fault", "hint"]
    where: str
    what: str
    effect: str
    advice: str

    def __str__(self) -> str:
        return (
            f"{self.severity}: {self.where}: {self.what}\n  on the aircraft: {self.effect}\n  what to do: {self.advice}"
        )


def fault(where: str, what: str, effect: str, advice: str) -> Finding:
    """A finding that must be put right; see Finding."""
    return Finding("fault", where, what, effect, advice)


def hint(where: str, what: str, effect: str, advice: str) -> Finding:
    """A finding worth a look; see Finding."""
    return Finding("hint", where, what, effect, advice)


def listed(names: Iterable[str]) -> str:
    """Names as a list for people, the first NAMES_MAX of them."""
    names = list(names)
    more = len(names) - NAMES_MAX
    return ", ".join(names) if more <= 0 else f"{', '.join(names[:NAMES_MAX])} and {more:,} more"
