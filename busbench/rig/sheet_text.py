"""The set-up order as text."""

from __future__ import annotations

from collections.abc import Iterator

from busbench.rig.model import Rig
from busbench.rig.sheet import RULES, SetupStep, setup_steps
from busbench.rig.wiring_tree import draw_tree, layout_tree

INDENT = "        "


def sheet_lines(rig: Rig, *, is_ascii: bool = False) -> Iterator[str]:
    """Rules, a few lines per device with a box to tick, and the tree; not wrapped."""
    unit = "us" if is_ascii else "µs"
    yield f"{rig.plan.name}: set-up sheet"
    yield ""
    yield from (f"{number}. {rule}" for number, rule in enumerate(RULES, 1))
    yield ""
    for step in setup_steps(rig):
        yield from _block(step, unit)
        yield ""
    yield f"Pulses at the plan's scale: {rig.scale.describe().replace('µs', unit)}."
    yield ""
    yield draw_tree(layout_tree(rig), is_ascii=is_ascii)


def _block(step: SetupStep, unit: str) -> Iterator[str]:
    channel = f"channel {step.channel}: " if step.channel is not None else f"{step.kind}: "
    yield f"[ ] {step.order:2d}  {channel}{step.name}, then into {step.plugged_into}"
    values = []
    if step.low_us is not None and step.neutral_us is not None and step.high_us is not None:
        values.append(f"low {step.low_us:4.0f}  neutral {step.neutral_us:4.0f}  high {step.high_us:4.0f} {unit}")
    if step.failsafe:
        values.append(f"failsafe {step.failsafe}")
    if step.reversed_text:
        values.append(step.reversed_text)
    for line in ("   ".join(values), step.note):
        if line:
            yield INDENT + line
