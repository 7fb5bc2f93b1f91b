"""Plans for tests, built from little TOML."""

from __future__ import annotations

from pathlib import Path

from busbench.rig.load import parse_rig
from busbench.rig.model import Rig

HERON = Path(__file__).parents[2] / "captures" / "heron.toml"
HEAD = '[rig]\nname = "Heron"\nperiod_ms = 14\n[supply]\nvoltage_v = 7.4\nminimum_v = 5\n'
LEAD = "lead = {length_m = 0.3, awg = 24}"
DRAWS = "current_a = {idle = 0.02, moving = 0.5, stall = 2.0}"


def device(name: str, channel: int | None = None, *more: str, failsafe: str | None = "0") -> str:
    """A device with nothing wrong, and what a test adds."""
    lines = ["[[device]]", f'name = "{name}"', *(line for line in (LEAD, DRAWS) if not _said(line, more)), *more]
    if channel is not None:
        lines.append(f"channel = {channel}")
    if failsafe is not None:
        lines.append(f"failsafe = {failsafe}")
    return "\n".join(lines) + "\n"


def _said(line: str, more: tuple[str, ...]) -> bool:
    return any(other.split(" =")[0] == line.split(" =")[0] for other in more)


def hub(name: str, *more: str) -> str:
    """A hub with nothing wrong, and what a test adds."""
    return "\n".join(["[[hub]]", f'name = "{name}"', *(() if _said(LEAD, more) else (LEAD,)), *more]) + "\n"


def rig(*tables: str, head: str = HEAD) -> Rig:
    """The plan of some tables."""
    return parse_rig(head + "".join(tables), path="rig.toml")
