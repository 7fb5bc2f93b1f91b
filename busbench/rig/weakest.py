"""The device with the min voltage, the lead that causes it, and what would help."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

import msgspec
import numpy as np

from busbench.rig.conductor import REFERENCE_C, lead_text, thicker
from busbench.rig.harness import branch_ohm
from busbench.rig.model import RECEIVER, SUPPLY, Lead, Rig
from busbench.rig.power import ALL_STALLED, build_harness
from busbench.rig.topology import path_to

GAIN_LEAST_V = 0.005  # smaller gains cannot be measured


@dataclass(frozen=True, slots=True)
class Advice:
    """One change of the harness and its gain."""

    action: Literal["thicken", "second feed"]
    where: str  # hub or device at the end of the lead
    text: str
    voltage_after_v: float  # gain at the weakest device in the worst case
    gain_v: float


@dataclass(frozen=True, slots=True)
class Weakest:
    """The device with the min voltage, and the lead with the largest drop before it."""

    case: str  # the worst case except all stalled
    device: str
    voltage_v: float
    lead: str  # name of the lead with the largest drop before it
    lead_to: str  # node at its end
    lead_text: str  # that lead in short
    drop_v: float
    supply_drop_v: float
    advice: tuple[Advice, ...]  # best first


def find_weakest(rig: Rig, *, temperature_c: float = REFERENCE_C) -> Weakest | None:
    """Find the device with the min voltage, the lead that needs thicker wire and the feed to add.

    The case used is the worst one except all stalled at once.

    Returns:
        The result, None if nothing draws a current.

    Raises:
        RigError: the leads form no tree.
    """
    harness = build_harness(rig, temperature_c=temperature_c)
    loads = {name: drawn for name, drawn in harness.loads().items() if name != ALL_STALLED}
    if not rig.devices or not max(float(drawn.sum()) for drawn in loads.values()):
        return None
    network, solved = harness.network, harness.solve(list(loads.values()))
    device_volts = solved.volts[:, -len(rig.devices) :]
    row, column = (int(i) for i in np.unravel_index(int(device_volts.argmin()), device_volts.shape))
    device, before = rig.devices[column], float(device_volts[row, column])
    volts, device_a = solved.volts[row], float(list(loads.values())[row][column])

    on_way = {RECEIVER, device.name, *(hub.name for hub in path_to(rig, device.name))}
    drops = [
        (abs(amps) * branch.ohm, branch)
        for amps, branch in zip(solved.branch_a[row].tolist(), network.branches, strict=True)
        if branch.key in on_way
    ]
    drop, weakest = max(drops, key=lambda pair: pair[0])

    def gain_v(start: str, end: str, siemens: float) -> float:
        return harness.solver.rise_v(volts, at=device.parent, start=start, end=end, siemens=siemens)

    advice: list[Advice] = []
    for _, branch in drops:
        lead = thicker(branch.lead) if branch.lead is not None else None
        if branch.lead is None or lead is None:
            continue
        ohm = branch_ohm(lead, temperature_c=temperature_c)
        if branch.end == device.name:
            gain = (branch.ohm - ohm) * device_a
        else:
            gain = gain_v(branch.start, branch.end, 1 / ohm - 1 / branch.ohm)
        text = f"use thicker wire in the {branch.name}: {lead_text(lead)} instead of {lead_text(branch.lead)}"
        advice.append(Advice("thicken", branch.key, text, before + gain, gain))
    for hub, feed in _second_feeds(rig, device.name):
        gain = gain_v(SUPPLY, hub, 1 / branch_ohm(feed, temperature_c=temperature_c))
        text = f"add a second feed of {lead_text(feed)} to {hub}"
        advice.append(Advice("second feed", hub, text, before + gain, gain))
    advice = [one for one in advice if one.gain_v > GAIN_LEAST_V]
    advice.sort(key=lambda one: -one.gain_v)
    supply_drop = abs(float(solved.branch_a[row, 0])) * rig.supply.resistance_ohm
    return Weakest(
        case=list(loads)[row],
        device=device.name,
        voltage_v=before,
        lead=weakest.name,
        lead_to=weakest.end,
        lead_text=lead_text(weakest.lead),
        drop_v=drop,
        supply_drop_v=supply_drop,
        advice=tuple(advice),
    )


def _second_feeds(rig: Rig, device: str) -> Iterator[tuple[str, Lead]]:
    """Each hub before a device, with a new lead from the supply to it."""
    leads = [rig.supply.lead] if rig.supply.lead is not None else []
    for hub in path_to(rig, device):
        if hub.lead is None:
            return  # its length is unknown, and so is that of a feed to it
        leads.append(hub.lead)
        lengths = [lead.length_m for lead in leads]
        if any(length is None for length in lengths) or hub.lead.resistance_ohm is not None:
            if any(lead.resistance_ohm is None for lead in leads):
                continue
            ohm = sum((lead.resistance_ohm or 0.0) for lead in leads)
            yield hub.name, Lead(resistance_ohm=ohm, connector_ohm=hub.lead.connector_ohm)
        else:
            length = round(sum(length for length in lengths if length is not None), 3)
            yield hub.name, msgspec.structs.replace(hub.lead, length_m=length, limit_a=None)
