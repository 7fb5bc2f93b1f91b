"""One finding of a check, in words for the builder."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal


@dataclass(frozen=True, slots=True)
class Finding:
    """What is amiss in a plan.

    Args:
        severity: "fault" (must be mended) or "hint" (worth a look).
        where: the device, hub or table it is about.
        what: what the plan says.
        effect: what that does on the aircraft.
        mend: what to do.
    """

    severity: Literal["fault", "hint"]
    where: str
    what: str
    effect: str
    mend: str

    def __str__(self) -> str:
        return f"{self.severity}: {self.where}: {self.what}\n  on the aircraft: {self.effect}\n  mend: {self.mend}"


def fault(where: str, what: str, effect: str, mend: str) -> Finding:
    """A finding that must be mended."""
    return Finding("fault", where, what, effect, mend)


def hint(where: str, what: str, effect: str, mend: str) -> Finding:
    """A finding worth a look."""
    return Finding("hint", where, what, effect, mend)


def listed(names: Iterable[str]) -> str:
    """Names as a list for people."""
    return ", ".join(names)
