"""Load cases as text for people."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from busbench.errors import pluralize
from busbench.rig.conductor import ascii_units
from busbench.rig.model import SUPPLY, Rig
from busbench.rig.power import (
    IDLE,
    MOVING,
    Endurance,
    LoadCase,
    ProgramRun,
    holding_more_a,
    unlisted_stalls,
    unstated_currents,
)
from busbench.rig.weakest import Weakest
from busbench.rig.wiring_tree import draw_tree, layout_tree

WARNINGS_SHOWN = 20  # columns of each case, in text


def power_lines(
    rig: Rig,
    cases: Sequence[LoadCase],
    weakest: Weakest | None,
    endurance: Endurance | None,
    run: ProgramRun | None = None,
    *,
    temperature_c: float,
    is_ascii: bool = False,
) -> Iterator[str]:
    """Load cases, weakest lead, advice and endurance.

    Yields:
        Lines.
    """
    minimum = f"{rig.supply.minimum_v:g} V needed" if rig.supply.minimum_v is not None else "minimum not stated"
    yield f"{rig.plan.name}: {rig.supply.voltage_v:g} V, {minimum}, leads at {temperature_c:g} degrees Celsius"
    yield ""
    moving = next(case for case in cases if case.case == MOVING)
    yield draw_tree(layout_tree(rig, case=moving), title=MOVING, is_ascii=is_ascii)
    yield ""
    yield from _table(cases)
    if more := unlisted_stalls(rig, cases):
        yield f"left out: {pluralize(more, 'case')} of one device stalled that leave more voltage than those above"
    if more_a := holding_more_a(rig):
        yield f"{IDLE}: at rest without load; holding one, as in a rehearsal, devices draw {more_a:.2f} A more"
    yield ""
    if weakest is not None:
        volts, least = weakest.voltage_v, rig.supply.minimum_v
        left = "" if least is None else f", {volts - least:+.2f} V to the minimum"
        yield f"min voltage, all stalled left out: {weakest.device}, {volts:.2f} V{left} ({weakest.case})"
        lead = ascii_units(weakest.lead_text) if is_ascii else weakest.lead_text
        yield f"weakest lead on its way: {weakest.lead}, {lead}: {weakest.drop_v:.2f} V lost in it"
        if weakest.supply_drop_v > weakest.drop_v:
            yield f"the supply itself loses more: {weakest.supply_drop_v:.2f} V in its own resistance"
        for action in ("thicken", "second feed"):
            best = next((one for one in weakest.advice if one.action == action), None)
            if best is not None:
                what = ascii_units(best.text) if is_ascii else best.text
                yield f"{what}: {weakest.device} gains {best.gain_v:.2f} V, to {best.voltage_after_v:.2f} V"
    if run is not None:
        lasts = "" if run.hours is None else f"; repeated, the pack lasts {run.hours:.1f} h"
        yield f"program: worst {run.worst_s:.1f} s after its start; {run.mean_a:.2f} A on average{lasts}"
    if endurance is not None:
        if endurance.hours is None:
            yield "endurance: nothing draws a current"
        else:
            share = "" if rig.supply.pack is None else f" ({rig.supply.pack.usable_pct:g} % of the pack)"
            yield (
                f"endurance: {endurance.hours:.1f} h from {endurance.usable_mah:.0f} mAh{share}, "
                f"devices moving {endurance.moving_pct:g} % of the time, {endurance.mean_a:.2f} A on average"
            )
    unknown = unstated_currents(rig)
    if unknown:
        yield f"counted as 0 A, since no current is stated: {', '.join(unknown)}"


def _table(cases: Sequence[LoadCase]) -> Iterator[str]:
    width = max(len(case.case) for case in cases)
    yield f"{'case'.ljust(width)}  supply, A  min, V  at"
    for case in cases:
        lowest = min((node for node in case.nodes if node.name != SUPPLY), key=lambda node: node.voltage_v)
        yield f"{case.case.ljust(width)}  {case.supply_a:9.2f}  {lowest.voltage_v:6.2f}  {lowest.name}"
        for warning in case.warnings[:WARNINGS_SHOWN]:
            yield f"  ! {warning}"
        if (more := len(case.warnings) - WARNINGS_SHOWN) > 0:
            yield f"  ! and {pluralize(more, 'more warning')}"
