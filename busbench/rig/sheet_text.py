"""The order of set-up as text for people."""

from __future__ import annotations

from collections.abc import Iterator

from busbench.rig.model import Rig
from busbench.rig.sheet import RULES, Step, setup_steps
from busbench.rig.tree import draw_tree, layout_tree

HEADER = ("step", "channel", "device", "direction", "low", "neutral", "high", "failsafe", "then into", "mind")
RIGHT = {0, 1, 4, 5, 6}


def sheet_lines(rig: Rig, *, ascii_only: bool = False) -> Iterator[str]:
    """Rules, one row a device, and the wiring tree.

    Args:
        rig: the plan.
        ascii_only: draw with plain ASCII.

    Yields:
        Lines.
    """
    unit = "us" if ascii_only else "µs"
    yield f"{rig.plan.name}: set-up sheet"
    yield ""
    yield from (f"{number}. {rule}" for number, rule in enumerate(RULES, 1))
    yield ""
    rows = [HEADER, *(_cells(step, unit) for step in setup_steps(rig))]
    widths = [max(len(row[column]) for row in rows) for column in range(len(HEADER))]
    for row in rows:
        cells = [
            cell.rjust(width) if column in RIGHT else cell.ljust(width)
            for column, (cell, width) in enumerate(zip(row, widths, strict=True))
        ]
        yield "  ".join(cells).rstrip()
    yield ""
    said = rig.scale.describe()
    yield f"Pulses at the plan's scale: {said.replace('µs', unit)}."
    yield ""
    yield draw_tree(layout_tree(rig), ascii_only=ascii_only)


def _cells(step: Step, unit: str) -> tuple[str, ...]:
    def pulse(us: float | None) -> str:
        return "-" if us is None else f"{us:.0f} {unit}"

    channel = "-" if step.channel is None else str(step.channel)
    return (
        str(step.order), channel, step.name, step.direction or "-",
        pulse(step.low_us), pulse(step.neutral_us), pulse(step.high_us),
        step.failsafe or "-", step.plugged_into, step.note,
    )  # fmt: skip
