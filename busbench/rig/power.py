"""Load cases of the harness, a program over time, and endurance."""

from __future__ import annotations

import enum
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from busbench.model import F64, U16
from busbench.rig.conductor import REFERENCE_C, is_above, limit_text
from busbench.rig.harness import Network, Solution, Solver, build_network, sinks_of
from busbench.rig.model import RECEIVER, SUPPLY, Current, Rig
from busbench.rig.servo import ServoMotion

IDLE, MOVING, ALL_STALLED = "all idle", "all moving", "all stalled"
PROGRAM = "program"
CELLS_MAX = 200_000  # voltages calculated at once: cases times nodes
STALLS_LEAST = 10  # min listed cases of one stalled device


@dataclass(frozen=True, slots=True)
class NodeLoad:
    """A node under load.

    Args:
        name: its name in the plan.
        voltage_v: voltage between its wires.
        current_a: current drawn or passed on, None if it was not measured.
    """

    name: str
    voltage_v: float
    current_a: float | None


class WarningKind(enum.Enum):
    """What a load case warns of.

    Attributes:
        VOLTAGE: less than the supply's minimum_v.
        CURRENT: more than a lead, a hub or the supply can carry.
        COLLAPSE: no solution: the leads cannot carry the requested current.
    """

    VOLTAGE = "voltage"
    CURRENT = "current"
    COLLAPSE = "collapse"


@dataclass(frozen=True, slots=True)
class LoadWarning:
    """One warning of a load case; as text, the line that `rig power` prints.

    Args:
        kind: what it warns of.
        node: node of the tree, or the end of the lead; "" for the whole.
        where: lead or node for people, "" for the whole.
        text: what is wrong.
    """

    kind: WarningKind
    node: str
    where: str
    text: str

    def __str__(self) -> str:
        return f"{self.where}: {self.text}" if self.where else self.text


@dataclass(frozen=True, slots=True)
class LoadCase:
    """One load case.

    Args:
        case: its name.
        supply_a: current from the supply.
        nodes: supply, receiver, hubs, devices. For a program: min voltage and max current of each.
        warnings: of high currents, then of low voltages, the lowest first.
    """

    case: str
    supply_a: float
    nodes: tuple[NodeLoad, ...]
    warnings: tuple[LoadWarning, ...]

    def node(self, name: str) -> NodeLoad:
        """Look up a node by name."""
        return next(node for node in self.nodes if node.name == name)


@dataclass(frozen=True, slots=True)
class Endurance:
    """The endurance of the pack."""

    moving_pct: float  # share of time in which all devices move
    mean_a: float
    usable_mah: float
    hours: float | None  # usable charge divided by mean current; None without current


@dataclass(frozen=True, slots=True)
class ProgramRun:
    """A program of frames over time."""

    case: LoadCase  # the worst of each node
    worst_s: float  # time of the min voltage of any device, from the start
    mean_a: float  # mean current from the supply
    hours: float | None  # endurance if repeated; None without a pack or a current


def _drawn(rig: Rig, key: Literal["idle", "moving", "stall"]) -> F64:
    """Current of each device at a duty; the next lower one if not stated."""

    def of(current: Current) -> float:
        order: tuple[float | None, ...] = (current.idle,)
        if key != "idle":
            order = (current.moving, *order)
        if key == "stall":
            order = (current.stall, *order)
        return next((a for a in order if a is not None), 0.0)

    return np.array([of(device.current_a) for device in rig.devices], np.float64)


def unstated_currents(rig: Rig) -> list[str]:
    """Names of devices without any stated current; they count as zero."""
    return [
        d.name
        for d in rig.devices
        if d.current_a.idle is None and d.current_a.moving is None and d.current_a.stall is None
    ]


def holding_more_a(rig: Rig) -> float:
    """Additional current of devices that hold a load at rest, as far as stated."""
    draws = [device.current_a for device in rig.driven]
    return sum(current.holding - (current.idle or 0.0) for current in draws if current.holding is not None)


def stall_case(name: str) -> str:
    """The name of the case with one stalled device while the rest move."""
    return f"{name} stalled, rest moving"


@dataclass(frozen=True, slots=True, eq=False)
class Harness:
    """A plan's network with its solver, and the currents of each device."""

    rig: Rig
    network: Network
    solver: Solver
    idle_a: F64  # idle_a, moving_a, stall_a: of each device, float64 (devices,)
    moving_a: F64
    stall_a: F64

    def loads(self) -> dict[str, F64]:
        """Name and currents of each load case: idle, moving, devices stalled one at a time, all stalled."""
        loads = {IDLE: self.idle_a, MOVING: self.moving_a}
        for index in self._stalled():
            one = self.moving_a.copy()
            one[index] = self.stall_a[index]
            loads[stall_case(self.rig.devices[index].name)] = one
        loads[ALL_STALLED] = self.stall_a
        return loads

    def solve(self, loads: Sequence[F64]) -> Solution:
        """Voltage and current of load cases."""
        return self.solver.solve(sinks_of(self.rig, self.network, np.stack(loads)))

    def _stalled(self) -> list[int]:
        """Devices to stall one at a time: those with the lowest voltages, if not all can be listed."""
        stalls = stalling(self.rig)
        most = max(STALLS_LEAST, CELLS_MAX // len(self.network.nodes))
        if len(stalls) <= most:
            return stalls
        volts = self.solver.volts(sinks_of(self.rig, self.network, self.moving_a))[0]
        extra_a = (self.stall_a - self.moving_a)[stalls]
        nodes = len(self.network.nodes) - len(self.rig.devices) + np.array(stalls)
        least_v = self.solver.least_with_more(volts, nodes, extra_a)
        return sorted(stalls[at] for at in np.argsort(least_v, kind="stable")[:most].tolist())


def build_harness(rig: Rig, *, temperature_c: float = REFERENCE_C) -> Harness:
    """Make a plan ready to be solved.

    Raises:
        RigError: the leads form no tree.
    """
    network = build_network(rig, temperature_c=temperature_c)
    return Harness(rig, network, Solver(network), _drawn(rig, "idle"), _drawn(rig, "moving"), _drawn(rig, "stall"))


def stalling(rig: Rig) -> list[int]:
    """Indices of the devices whose stall current is stated."""
    return [index for index, device in enumerate(rig.devices) if device.current_a.stall is not None]


def unlisted_stalls(rig: Rig, cases: Sequence[LoadCase]) -> int:
    """Number of cases of one stalled device that are not listed, since others leave less voltage."""
    return len(stalling(rig)) - sum(case.case not in (IDLE, MOVING, ALL_STALLED, PROGRAM) for case in cases)


def power_cases(rig: Rig, *, temperature_c: float = REFERENCE_C) -> list[LoadCase]:
    """Solve the steady load cases: idle, moving, each device stalled, all stalled.

    For a large plan, only the stalls with the lowest voltages are solved, as
    many as make CELLS_MAX figures; unlisted_stalls counts the others.

    Returns:
        The cases in that order.

    Raises:
        RigError: the leads form no tree.
    """
    harness = build_harness(rig, temperature_c=temperature_c)
    loads = harness.loads()
    worst = _Worst.of(harness.solve(list(loads.values())))
    limits = _Limits(rig, harness.network)
    return [limits.case(name, worst.row(row)) for row, name in enumerate(loads)]


def run_program(
    rig: Rig, counts: U16, *, period_s: float, temperature_c: float = REFERENCE_C, flags: ArrayLike = 0
) -> ProgramRun:
    """Solve a program of frames over time, with currents from the motion of the devices.

    At the start they are at the position of the first frame.

    Args:
        counts: of channels 1-16, (N, 16).
        period_s: from frame to frame.
        flags: byte 23 per frame, or one for all, for channels 17 and 18.

    Returns:
        Lowest voltage and highest current of each node over the program, with its worst moment and its mean.

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
    idle_a, driven = _drawn(rig, "idle"), [i for i, device in enumerate(rig.devices) if device.kind != "sensor"]
    solver = Solver(network)
    rows = max(1, CELLS_MAX // len(network.nodes))
    worst: _Worst | None = None
    least_v, total_a = [], 0.0
    for first in range(0, steps + 1, rows):
        drawn = np.tile(idle_a, (len(driven_a[first : first + rows]), 1))
        drawn[:, driven] = driven_a[first : first + rows]
        solved = solver.solve(sinks_of(rig, network, drawn))
        worst = _Worst.over(solved, worst)
        devices = solved.volts[:, -len(rig.devices) :] if rig.devices else solved.volts
        least_v.append(devices.min(axis=1))
        total_a += float(solved.branch_a[:, 0].sum())
    assert worst is not None  # there is at least one row
    case = _Limits(rig, network).case(PROGRAM, worst)
    mean_a = total_a / (steps + 1)
    return ProgramRun(case, int(np.concatenate(least_v).argmin()) * period_s, mean_a, _hours(rig, mean_a))


def _hours(rig: Rig, mean_a: float) -> float | None:
    pack = rig.supply.pack
    return pack.capacity_mah * pack.usable_pct / 1e5 / mean_a if pack is not None and mean_a > 0 else None


@dataclass(frozen=True, slots=True, eq=False)
class _Worst:
    """Min voltage and max current, each float64 (..., nodes) or (..., branches)."""

    volts: F64
    through_a: F64
    branch_a: F64

    @staticmethod
    def of(solved: Solution) -> _Worst:
        return _Worst(solved.volts, solved.through_a, np.abs(solved.branch_a))

    @staticmethod
    def over(solved: Solution, before: _Worst | None) -> _Worst:
        """The worst of all rows and of earlier ones."""
        volts, through = solved.volts.min(axis=0), solved.through_a.max(axis=0)
        branch = np.abs(solved.branch_a).max(axis=0)
        if before is None:
            return _Worst(volts, through, branch)
        return _Worst(
            np.minimum(volts, before.volts), np.maximum(through, before.through_a), np.maximum(branch, before.branch_a)
        )

    def row(self, index: int) -> _Worst:
        return _Worst(self.volts[index], self.through_a[index], self.branch_a[index])


class _Limits:
    """The current limits of nodes and leads."""

    def __init__(self, rig: Rig, network: Network) -> None:
        self._rig, self._network = rig, network
        # Unknown limits are never exceeded.
        self._branch_a = np.array([np.inf if b.limit_a is None else b.limit_a for b in network.branches])
        self._hub_a = np.array([np.inf if hub.limit_a is None else hub.limit_a for hub in rig.hubs])

    def case(self, name: str, worst: _Worst) -> LoadCase:
        volts, amps = worst.volts.tolist(), worst.through_a.tolist()
        nodes = tuple(map(NodeLoad, self._network.nodes, volts, amps))
        return LoadCase(name, float(worst.branch_a[0]), nodes, tuple(self._warnings(worst)))

    def _warnings(self, worst: _Worst) -> Iterator[LoadWarning]:
        nodes, minimum = self._network.nodes, self._rig.supply.minimum_v
        if worst.volts.min() <= 0:
            text = "the plan asks for more than the leads can carry: a voltage falls to nothing"
            yield LoadWarning(WarningKind.COLLAPSE, "", "", text)
        for index in np.flatnonzero(is_above(worst.branch_a, self._branch_a)).tolist():
            branch = self._network.branches[index]
            limit = limit_text(branch.lead, limit_a=self._branch_a[index])
            text = f"{worst.branch_a[index]:.2f} A is above its limit of {limit}"
            yield LoadWarning(WarningKind.CURRENT, branch.end, branch.name, text)
        first = nodes.index(RECEIVER) + 1
        hub_a = worst.through_a[first : first + len(self._rig.hubs)]
        for index in np.flatnonzero(is_above(hub_a, self._hub_a)).tolist():
            hub = self._rig.hubs[index]
            text = f"{hub_a[index]:.2f} A is above its limit of {self._hub_a[index]:.3g} A (stated)"
            yield LoadWarning(WarningKind.CURRENT, hub.name, f"hub {hub.name}", text)
        if minimum is not None:
            for node in np.argsort(worst.volts, kind="stable").tolist():
                if nodes[node] != SUPPLY and worst.volts[node] < minimum:
                    text = f"{worst.volts[node]:.2f} V is below the minimum of {minimum:g} V"
                    yield LoadWarning(WarningKind.VOLTAGE, nodes[node], nodes[node], text)


def find_endurance(rig: Rig, *, moving_pct: float) -> Endurance | None:
    """The endurance of the pack at a stated duty.

    At rest a device draws its holding current, or idle if none is stated or
    if it lowers it by itself.

    Args:
        moving_pct: share of time in which all devices move, 0-100.

    Returns:
        The endurance, or None if the plan states no pack.
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
