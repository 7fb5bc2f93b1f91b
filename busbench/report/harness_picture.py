"""The wiring tree as a picture, for pages and as a file."""

from __future__ import annotations

from collections.abc import Mapping

from busbench.report.svg import PAGE_WIDTH, Drawing
from busbench.rig.model import RECEIVER, SUPPLY, Rig
from busbench.rig.power import LoadCase
from busbench.rig.wiring_tree import layout_tree

_STEP, _INDENT, _TOP = 19.0, 22.0, 24.0
_LEAD_X, _VOLTS_X, _AMPS_X = 330.0, 655.0, 712.0
_LETTER = 0.56  # mean width of a letter, relative to its size
WEAKEST = " ◄ weakest lead"


def draw_harness(rig: Rig, case: LoadCase | None, marks: Mapping[str, str], *, caption: str = "") -> Drawing:
    """Draw the wiring tree with voltage and current; a marked lead is thick. A caption explains it."""
    rows = layout_tree(rig, case=case)
    drawing = Drawing(PAGE_WIDTH, _TOP + _STEP * len(rows) + 8, title="wiring tree")
    places = [(10 + _INDENT * row.depth, _TOP + _STEP * i) for i, row in enumerate(rows)]
    if caption:
        drawing.text(10, 11, _cut(caption, _LEAD_X - 18, "", size=10), size=10)
    drawing.text(_LEAD_X, 11, "lead", size=10, bold=True)
    if case is not None:
        drawing.text(_VOLTS_X, 11, "V", size=10, anchor="end", bold=True)
        drawing.text(_AMPS_X, 11, "A", size=10, anchor="end", bold=True)
    for row, (x, y) in zip(rows, places, strict=True):
        mark = marks.get(row.name, "")
        if row.parent >= 0:
            px, py = places[row.parent]
            drawing.path(((px + 5, py + 12), (px + 5, y + 4), (x - 3, y + 4)))
            if mark:
                drawing.line(px + 5, y + 4, x - 3, y + 4, width=4)
        words = row.name if row.channel is None else f"{row.channel} {row.name}"
        more = {"off-bus": " (PWM device)", "sensor": " (sensor)", "hub": " (hub)"}.get(row.kind, "")
        drawing.text(x, y + 8, _cut(words, _LEAD_X - 8 - x, more, size=11), bold=row.kind in (SUPPLY, RECEIVER))
        lead = _cut(row.lead, _VOLTS_X - 34 - _LEAD_X, mark, size=10)
        drawing.text(_LEAD_X, y + 8, lead, size=10, bold=bool(mark))
        if row.voltage_v is not None:
            drawing.text(_VOLTS_X, y + 8, f"{row.voltage_v:.2f}", anchor="end", size=10)
        if row.current_a is not None:
            drawing.text(_AMPS_X, y + 8, f"{row.current_a:.2f}", anchor="end", size=10)
    return drawing


def _cut(words: str, width: float, more: str, *, size: float) -> str:
    """Shorten words to the available width; what follows them stays whole."""
    fits = max(3, int(width / (size * _LETTER)) - len(more))
    return (words if len(words) <= fits else words[: fits - 1] + "…") + more
