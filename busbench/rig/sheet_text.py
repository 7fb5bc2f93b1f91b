"""The order of set-up as text for people."""

from __future__ import annotations

from collections.abc import Iterator

from busbench.rig.model import Rig
from busbench.rig.sheet import RULES, Step, setup_steps
from busbench.rig.tree import draw_tree, layout_tree

HEADER = ("step", "ch", "device", "direction", "low", "neutral", "high", "failsafe", "then into")
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
    steps = setup_steps(rig)
    rows = [HEADER, *(_cells(step) for step in steps)]
    widths = [max(len(row[column]) for row in rows) for column in range(len(HEADER))]
    notes = ["", *(step.note for step in steps)]
    for row, note in zip(rows, notes, strict=True):
        cells = [
            cell.rjust(width) if column in RIGHT else cell.ljust(width)
            for column, (cell, width) in enumerate(zip(row, widths, strict=True))
        ]
        yield "  ".join(cells).rstrip()
        if note:
            yield " " * (widths[0] + widths[1] + 4) + f"({note})"
    yield ""
    said = rig.scale.describe()
    yield f"low, neutral and high in {unit} at the plan's scale: {said.replace('µs', unit)}."
    yield ""
    yield draw_tree(layout_tree(rig), ascii_only=ascii_only)


def _cells(step: Step) -> tuple[str, ...]:
    def pulse(us: float | None) -> str:
        return "-" if us is None else f"{us:.0f}"

    channel = "-" if step.channel is None else str(step.channel)
    return (
        str(step.order), channel, step.name, step.direction or "-",
        pulse(step.low_us), pulse(step.neutral_us), pulse(step.high_us),
        step.failsafe or "-", step.plugged_into,
    )  # fmt: skip
