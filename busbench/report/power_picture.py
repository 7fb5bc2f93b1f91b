"""Voltages as pictures: in the wiring tree, as planned or measured, and over time with outages of a recording."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from busbench.analysis.lead_fit import LeadFit
from busbench.analysis.sags import Sags
from busbench.report.pictures import LANES, time_axis, time_x
from busbench.report.svg import PAGE_WIDTH, Drawing
from busbench.rig.model import RECEIVER, SUPPLY, Rig
from busbench.rig.power import LoadCase, NodeLoad
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


_COLUMNS = 360


def draw_measured(rig: Rig, fit: LeadFit) -> Drawing:
    """The wiring tree with the measured voltages; each lead that explains a difference, or may, is thick and named.

    Args:
        rig: the plan; its leads form a tree.
    """
    nodes = tuple(NodeLoad(one.name, one.mean_v, one.current_a) for one in fit.readings)
    case = LoadCase("measured", 0.0, nodes, ())
    marks = {one.to: f" ◄ {1e3 * one.extra_ohm:+.1f} mΩ" for one in fit.leads}
    marks |= {one.to: f" ◄ {1e3 * one.extra_ohm:+.1f} mΩ?" for one in fit.alternatives}
    return draw_harness(rig, case, marks, caption="measured, mean; leads that differ from the plan")


def draw_sags(sags: Sags) -> Drawing:
    """A voltage over time, all its extremes kept, above one lane for each kind of outage."""
    end_s = max([float(sags.t_s[-1]), *((one.outage.end_s or 0.0) for one in sags.outages), 1e-9])
    top, bottom, lane = 24.0, 124.0, 16.0
    height = bottom + 14 + lane * len(LANES) + 26
    drawing = Drawing(PAGE_WIDTH, height, title=f"voltage at {sags.node} over time, with outages")
    low = min(float(sags.volts.min()), sags.below_v)
    high = max(float(sags.volts.max()), sags.below_v + 0.1)

    def y(volts: float) -> float:
        return bottom - (bottom - top) * (volts - low) / (high - low)

    inside = (sags.t_s >= 0) & (sags.t_s <= end_s)
    t_s, volts = sags.t_s[inside], sags.volts[inside]
    column = np.minimum((t_s / end_s * _COLUMNS).astype(np.int64), _COLUMNS - 1)
    starts = np.flatnonzero(np.diff(column, prepend=-1))
    points: list[tuple[float, float]] = []
    for start, stop in zip(starts.tolist(), [*starts[1:].tolist(), volts.size], strict=True):
        part = volts[start:stop]
        for row in sorted({0, int(part.argmin()), int(part.argmax()), part.size - 1}):
            points.append((time_x(float(t_s[start + row]), end_s), y(float(part[row]))))
    drawing.path(points, width=1.2)
    drawing.text(time_x(0, end_s), 12, f"voltage at {sags.node}", size=10, bold=True)
    limit = y(sags.below_v)
    drawing.line(time_x(0, end_s), limit, time_x(end_s, end_s), limit, dash="dash", width=0.7)
    drawing.text(time_x(0, end_s) - 6, limit + 4, f"min {sags.below_v:g} V", anchor="end", size=10)
    for value in (high, low):
        if abs(y(value) - limit) > 11:  # else its word would cover that of the limit
            drawing.text(time_x(0, end_s) - 6, y(value) + 4, f"{value:.2f} V", anchor="end", size=10)
    for number, (kind, letter) in enumerate(LANES):
        base = bottom + 14 + lane * (number + 1)
        drawing.text(time_x(0, end_s) - 6, base - 2, f"{kind} {letter}", anchor="end", size=10)
        drawing.line(time_x(0, end_s), base, time_x(end_s, end_s), base, dash="dot", width=0.5)
        for one in sags.outages:
            if one.outage.kind == kind:
                a, b = (time_x(value or 0.0, end_s) for value in (one.outage.start_s, one.outage.end_s))
                drawing.box(a, base - 6, max(1.5, b - a), 6, fill="solid")
    time_axis(drawing, end_s, height - 22)
    return drawing
