"""Measured voltages as pictures: beside the plan in the wiring tree, and over time with the outages of a recording."""

from __future__ import annotations

import numpy as np

from busbench.analysis.lead_fit import LeadFit
from busbench.analysis.sags import Sags
from busbench.report.harness_picture import draw_harness
from busbench.report.pictures import LANES, time_axis, time_x
from busbench.report.svg import PAGE_WIDTH, Drawing
from busbench.rig.model import Rig
from busbench.rig.power import LoadCase, NodeLoad

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
    for value, word in ((high, f"{high:.2f} V"), (low, f"{low:.2f} V"), (sags.below_v, f"min {sags.below_v:g} V")):
        if value == sags.below_v:
            drawing.line(time_x(0, end_s), y(value), time_x(end_s, end_s), y(value), dash="dash", width=0.7)
        if value == sags.below_v or abs(y(value) - y(sags.below_v)) > 11:
            drawing.text(time_x(0, end_s) - 6, y(value) + 4, word, anchor="end", size=10)
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
