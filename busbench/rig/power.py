"""Load cases of the harness, its weakest lead, advice with its gain, and endurance."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import msgspec
import numpy as np
from numpy.typing import ArrayLike

from busbench.model import F64, U16
from busbench.rig.conductor import REFERENCE_C, is_above, lead_text, limit_text, thicker
from busbench.rig.harness import Branch, Network, Solution, Solver, build_network, sinks_of
from busbench.rig.model import RECEIVER, SUPPLY, Current, Lead, Rig, SupplyFeed
from busbench.rig.servo import ServoMotion
from busbench.rig.topology import way_to

IDLE, MOVING, ALL_STALLED = "all idle", "all moving", "all stalled"
PROGRAM = "program"


@dataclass(frozen=True, slots=True)
class NodeLoad:
    """A node under load: voltage between its wires; current drawn or passed on."""

    name: str
    voltage_v: float
    current_a: float


@dataclass(frozen=True, slots=True)
class Case:
    """One load case.

    Args:
        case: its name.
        supply_a: current from the supply.
        nodes: supply, receiver, hubs, devices. Of a program: lowest volts and highest amperes of each.
        warnings: one line each.
    """

    case: str
    supply_a: float
    nodes: tuple[NodeLoad, ...]
    warnings: tuple[str, ...]

    def node(self, name: str) -> NodeLoad:
        """The node of a name."""
        return next(node for node in self.nodes if node.name == name)


@dataclass(frozen=True, slots=True)
class Advice:
    """One change of the harness and what it gains.

    Args:
        action: what is changed.
        where: hub or device that the lead goes to.
        text: the change in words.
        voltage_after_v: at the weakest device in the worst case.
        gain_v: over what it was.
    """

    action: Literal["thicken", "second feed"]
    where: str
    text: str
    voltage_after_v: float
    gain_v: float


@dataclass(frozen=True, slots=True)
class Weakest:
    """The device with the least voltage, and the lead that costs it most.

    Args:
        case: the worst case short of all stalled.
        device: its name.
        voltage_v: what it has left.
        lead: name of the lead with the greatest drop on its way.
        lead_text: that lead in few words.
        drop_v: over that lead.
        supply_drop_v: inside the supply.
        advice: best first.
    """

    case: str
    device: str
    voltage_v: float
    lead: str
    lead_text: str
    drop_v: float
    supply_drop_v: float
    advice: tuple[Advice, ...]


@dataclass(frozen=True, slots=True)
class Endurance:
    """How long the pack lasts.

    Args:
        moving_pct: share of the time in which all devices move.
        mean_a: mean current.
        usable_mah: of the pack.
        hours: usable charge over mean current; None where nothing draws.
    """

    moving_pct: float
    mean_a: float
    usable_mah: float
    hours: float | None


@dataclass(frozen=True, slots=True)
class ProgramRun:
    """A program of frames over time.

    Args:
        case: the worst of each node.
        worst_s: from its begin to the least voltage of any device.
        mean_a: mean current from the supply.
        hours: how long the pack lasts if it is run over and over; None without a pack or a current.
    """

    case: Case
    worst_s: float
    mean_a: float
    hours: float | None


def _drawn(rig: Rig, key: Literal["idle", "moving", "stall"]) -> F64:
    """Current of each device at a duty, the next lower one where that is not stated."""

    def of(current: Current) -> float:
        order: tuple[float | None, ...] = (current.idle,)
        if key != "idle":
            order = (current.moving, *order)
        if key == "stall":
            order = (current.stall, *order)
        return next((a for a in order if a is not None), 0.0)

    return np.array([of(device.current_a) for device in rig.devices], np.float64)


def unstated_currents(rig: Rig) -> list[str]:
    """Names of devices on the supply whose current is nowhere stated: they count as nil."""
    return [
        d.name
        for d in rig.devices
        if d.current_a.idle is None and d.current_a.moving is None and d.current_a.stall is None
    ]


def holding_more_a(rig: Rig) -> float:
    """By how much the current of the devices at rest rises where they hold a load, as far as that is stated."""
    draws = [device.current_a for device in rig.driven]
    return sum(current.holding - (current.idle or 0.0) for current in draws if current.holding is not None)


def stall_case(name: str) -> str:
    """Name of the case in which one device is stalled while the rest move."""
    return f"{name} stalled, rest moving"


def _loads(rig: Rig) -> dict[str, F64]:
    idle, moving, stall = _drawn(rig, "idle"), _drawn(rig, "moving"), _drawn(rig, "stall")
    loads = {IDLE: idle, MOVING: moving}
    for index, device in enumerate(rig.devices):
        if device.current_a.stall is not None:
            one = moving.copy()
            one[index] = stall[index]
            loads[stall_case(device.name)] = one
    loads[ALL_STALLED] = stall
    return loads


def power_cases(rig: Rig, *, temperature_c: float = REFERENCE_C) -> list[Case]:
    """Solve the steady load cases: idle, moving, each device stalled, all stalled.

    Args:
        rig: the plan.
        temperature_c: of the leads.

    Returns:
        The cases in that order.

    Raises:
        RigError: the leads form no tree.
    """
    network = build_network(rig, temperature_c=temperature_c)
    loads = _loads(rig)
    solved = Solver(network).solve(sinks_of(rig, network, np.stack(list(loads.values()))))
    return [_case(rig, network, name, solved, slice(row, row + 1)) for row, name in enumerate(loads)]


def run_program(
    rig: Rig, counts: U16, *, period_s: float, temperature_c: float = REFERENCE_C, flags: ArrayLike = 0
) -> ProgramRun:
    """Solve a program of frames over time, with currents from the motion of the devices.

    They stand where the first frame has them when it begins.

    Args:
        rig: the plan.
        counts: of channels 1-16, (N, 16).
        period_s: from frame to frame.
        temperature_c: of the leads.
        flags: byte 23 of each frame or of all, for channels 17 and 18.

    Returns:
        Lowest volts and highest amperes of each node over the program, with its worst moment and its mean.

    Raises:
        RigError: the leads form no tree.
    """
    network = build_network(rig, temperature_c=temperature_c)
    motion = ServoMotion(rig.driven, scale=rig.scale)
    steps = len(counts)
    driven_a = np.zeros((steps + 1, len(rig.driven)))
    byte = np.broadcast_to(np.asarray(flags, np.uint8), (steps,)).tolist()
    if steps:
        motion.settle(counts[0], flags=byte[0])
    for row in range(steps + 1):
        if row < steps:
            motion.step(period_s, counts[row], flags=byte[row])
        else:
            motion.step(period_s)
        driven_a[row] = motion.current_a()
    drawn = np.tile(_drawn(rig, "idle"), (steps + 1, 1))
    drawn[:, [index for index, device in enumerate(rig.devices) if device.kind != "sensor"]] = driven_a
    solved = Solver(network).solve(sinks_of(rig, network, drawn))
    case = _case(rig, network, PROGRAM, solved, slice(None))
    devices = solved.volts[:, -len(rig.devices) :] if rig.devices else solved.volts
    worst_s = int(devices.min(axis=1).argmin()) * period_s
    mean_a = float(solved.branch_a[:, 0].mean())
    return ProgramRun(case, worst_s, mean_a, _hours(rig, mean_a))


def _hours(rig: Rig, mean_a: float) -> float | None:
    pack = rig.supply.pack
    return pack.capacity_mah * pack.usable_pct / 1e5 / mean_a if pack is not None and mean_a > 0 else None


def _case(rig: Rig, network: Network, name: str, solved: Solution, rows: slice) -> Case:
    volts = solved.volts[rows].min(axis=0)
    amps = solved.through_a[rows].max(axis=0)
    branch_a = np.abs(solved.branch_a[rows]).max(axis=0)
    nodes = tuple(NodeLoad(node, float(v), float(a)) for node, v, a in zip(network.nodes, volts, amps, strict=True))
    warnings: list[str] = []
    minimum = rig.supply.minimum_v
    if volts.min() <= 0:
        warnings.append("the plan asks for more than the leads can carry: a voltage falls to nothing")
    if minimum is not None:
        warnings += [
            f"{node.name}: {node.voltage_v:.2f} V is below the minimum of {minimum:g} V"
            for node in nodes
            if node.voltage_v < minimum and node.name != SUPPLY
        ]
    warnings += [
        f"{branch.name}: {a:.2f} A is above its limit of {limit_text(branch.lead, limit_a=branch.limit_a)}"
        for branch, a in zip(network.branches, branch_a, strict=True)
        if branch.limit_a is not None and is_above(a, branch.limit_a)
    ]
    warnings += [
        f"hub {hub.name}: {a:.2f} A is above its limit of {hub.limit_a:.3g} A (stated)"
        for hub in rig.hubs
        if hub.limit_a is not None and is_above(a := amps[network.nodes.index(hub.name)], hub.limit_a)
    ]
    return Case(name, float(branch_a[0]), nodes, tuple(warnings))


def find_weakest(rig: Rig, *, temperature_c: float = REFERENCE_C) -> Weakest | None:
    """Find the device left with the least voltage, the lead to thicken and the feed to add.

    The case looked at is the worst one short of all stalled at once.

    Args:
        rig: the plan.
        temperature_c: of the leads.

    Returns:
        The weakest place, or None where nothing draws a current.

    Raises:
        RigError: the leads form no tree.
    """
    loads = {name: drawn for name, drawn in _loads(rig).items() if name != ALL_STALLED}
    if not rig.devices or not max(float(drawn.sum()) for drawn in loads.values()):
        return None
    network = build_network(rig, temperature_c=temperature_c)
    solved = Solver(network).solve(sinks_of(rig, network, np.stack(list(loads.values()))))
    device_volts = solved.volts[:, -len(rig.devices) :]
    row, column = (int(i) for i in np.unravel_index(int(device_volts.argmin()), device_volts.shape))
    case, device = list(loads)[row], rig.devices[column].name
    before = float(device_volts[row, column])

    on_way = {RECEIVER, device, *(hub.name for hub in way_to(rig, device))}
    drops = [
        (abs(float(a)) * branch.ohm, branch)
        for a, branch in zip(solved.branch_a[row], network.branches, strict=True)
        if branch.key in on_way
    ]
    drop, branch = max(drops, key=lambda pair: pair[0])

    def gained(changed: Rig, action: Literal["thicken", "second feed"], where: str, text: str) -> Advice:
        net = build_network(changed, temperature_c=temperature_c)
        volts = Solver(net).volts(sinks_of(changed, net, loads[case]))
        after = float(volts[0, net.nodes.index(device)])
        return Advice(action, where, text, after, after - before)

    advice = [gained(*change) for change in (*_thickened(rig, on_way, network), *_fed(rig, device))]
    advice = [one for one in advice if one.gain_v > 0.005]  # less is no gain that anybody could measure
    advice.sort(key=lambda one: -one.gain_v)
    supply_drop = abs(float(solved.branch_a[row, 0])) * rig.supply.resistance_ohm
    return Weakest(case, device, before, branch.name, lead_text(branch.lead), drop, supply_drop, tuple(advice))


_Change = tuple[Rig, Literal["thicken", "second feed"], str, str]


def _thickened(rig: Rig, on_way: set[str], network: Network) -> list[_Change]:
    """The plan with each lead on the way to the weakest device thickened in turn."""
    changes: list[_Change] = []

    def add(branch: Branch, lead: Lead) -> None:
        replace = msgspec.structs.replace
        if branch.start == SUPPLY and branch.key == RECEIVER:
            changed = replace(rig, supply=replace(rig.supply, lead=lead))
        elif branch.start == SUPPLY:
            changed = replace(
                rig, feeds=tuple(replace(f, lead=lead) if f.lead is branch.lead else f for f in rig.feeds)
            )
        else:
            hubs = tuple(replace(h, lead=lead) if h.name == branch.key else h for h in rig.hubs)
            devices = tuple(replace(d, lead=lead) if d.name == branch.key else d for d in rig.devices)
            changed = replace(rig, hubs=hubs, devices=devices)
        text = f"thicken the {branch.name} from {lead_text(branch.lead)} to {lead_text(lead)}"
        changes.append((changed, "thicken", branch.key, text))

    for branch in network.branches:
        lead = thicker(branch.lead) if branch.lead is not None and branch.key in on_way else None
        if lead is not None:
            add(branch, lead)
    return changes


def _fed(rig: Rig, device: str) -> list[_Change]:
    """The plan with a second feed to each hub on the way to the weakest device in turn."""
    changes: list[_Change] = []
    leads = [rig.supply.lead] if rig.supply.lead is not None else []
    for hub in way_to(rig, device):
        if hub.lead is None:
            break  # its length is not known, so neither is that of a feed to it
        leads.append(hub.lead)
        lengths = [lead.length_m for lead in leads]
        if any(length is None for length in lengths) or hub.lead.resistance_ohm is not None:
            ohm = sum((lead.resistance_ohm or 0.0) for lead in leads)
            if any(lead.resistance_ohm is None for lead in leads):
                continue
            feed = Lead(resistance_ohm=ohm, connector_ohm=hub.lead.connector_ohm)
        else:
            length = round(sum(length for length in lengths if length is not None), 3)
            feed = msgspec.structs.replace(hub.lead, length_m=length, limit_a=None)
        changed = msgspec.structs.replace(rig, feeds=(*rig.feeds, SupplyFeed(to=hub.name, lead=feed)))
        changes.append((changed, "second feed", hub.name, f"add a second feed of {lead_text(feed)} to {hub.name}"))
    return changes


def find_endurance(rig: Rig, *, moving_pct: float) -> Endurance | None:
    """How long the pack lasts at a stated duty.

    At rest a device draws its holding current, or idle where none is stated or
    where it lowers it by itself.

    Args:
        rig: the plan.
        moving_pct: share of the time in which all devices move, 0-100.

    Returns:
        The endurance, or None where the plan states no pack.
    """
    pack = rig.supply.pack
    if pack is None:
        return None
    rest = _drawn(rig, "idle")
    for index, device in enumerate(rig.devices):
        current = device.current_a
        if current.holding is not None and current.hold_lowered_after_s is None:
            rest[index] = current.holding
    share = moving_pct / 100
    mean = float(((1 - share) * rest + share * _drawn(rig, "moving")).sum())
    return Endurance(moving_pct, mean, pack.capacity_mah * pack.usable_pct / 100, _hours(rig, mean))
