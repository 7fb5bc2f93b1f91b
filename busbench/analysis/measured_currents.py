"""What each device draws in each row of a measurement: measured, divided by the plan, or planned."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from busbench.errors import RigError, quote_value
from busbench.model import F64, I64
from busbench.rig.harness import Network
from busbench.rig.measurement import Measurement
from busbench.rig.model import RECEIVER, SUPPLY, Device, Rig
from busbench.rig.power import IDLE, MOVING, build_harness

_SHORT = {"idle": IDLE, "moving": MOVING, "all stalled": "all stalled", "stalled": "all stalled"}
_NAMES_MOST = 12  # in a note
_UNIFORM = 12**-0.5  # standard deviation of what may be anywhere in a range, in parts of that range


@dataclass(frozen=True, slots=True, eq=False)
class Currents:
    """Currents of groups of devices. A group is one device with a voltage of its own, or what shares a hub.

    Args:
        nodes: node of the network at which each group draws, int64 (G,).
        amps: of each group in each row, float64 (N, G).
        spread: how the currents may deviate, in parts of themselves: a direction per column, one standard deviation
            each, float64 (G, U).
        notes: what was taken from the plan.
    """

    nodes: I64
    amps: F64
    spread: F64
    notes: tuple[str, ...]


def find_currents(rig: Rig, network: Network, measured: Measurement, *, path: str = "measurement") -> Currents:
    """Currents of all devices.

    A current measured at a hub is divided among the devices below it as the plan says, less what was measured there.

    Args:
        path: of the measurement, for errors.

    Raises:
        RigError: a row's load is not known, or a hub's current is not the sum of its devices.
    """
    _require_sums(rig, measured, path)
    zones = _zones(rig, measured)
    loads = build_harness(rig).loads()
    planned = np.array([loads[name] for name in _cases(measured, list(loads), path)])  # (N or 1, devices)
    moving = loads[MOVING]
    index = {name: at for at, name in enumerate(network.nodes)}
    groups: dict[tuple[str, str], list[int]] = {}
    for at, device in enumerate(rig.devices):
        node = device.name if device.name in measured.volts else device.parent
        groups.setdefault((zones[at], node), []).append(at)
    amps, spread = np.zeros((len(measured), len(groups))), np.zeros((len(groups), 0))
    relative = np.array([_relative_spread(device) for device in rig.devices])
    notes = []
    for zone in dict.fromkeys(zones):
        mine = [at for at, (name, _) in enumerate(groups) if name == zone]
        members = [groups[key] for key in groups if key[0] == zone]
        all_of = [at for one in members for at in one]
        drawn = np.stack([planned[:, one].sum(axis=1) for one in members], axis=1)
        if zone:
            total = drawn.sum(axis=1, keepdims=True)
            evenly = np.array([[len(one) for one in members]]) / len(all_of)  # if nothing is planned to draw
            shares = np.where(total > 0, drawn / np.where(total > 0, total, 1.0), evenly)
            drawn = shares * _rest(rig, measured, zone)[:, None]
        amps[:, mine] = drawn
        mean = np.array([moving[one].sum() for one in members])
        error = np.sqrt([float(((relative * moving)[one] ** 2).sum()) for one in members])
        own = np.diag(np.divide(error, mean, out=np.zeros_like(error), where=mean > 0))
        if zone:
            own = _within_sum(own, mean)
            if len(members) > 1:
                notes.append(f"the current of {zone} is divided as in the plan: {_names(rig, all_of)}")
        elif mean.any():
            notes.append(f"currents taken from the plan, between idle and stall: {_names(rig, all_of)}")
        wide = np.zeros((len(groups), own.shape[1]))
        wide[mine] = own
        spread = np.hstack([spread, wide])
    if not measured.cases and any(zones[at] == "" and moving[at] > 0 for at in range(len(rig.devices))):
        hint = "measure the current of the supply, or name the load of each row in a column `case`, as in `all moving`"
        raise RigError(path, "", "neither measures all currents nor names the load", hint=hint)
    nodes = np.array([index[node] for _, node in groups], np.int64)
    return Currents(nodes, amps, spread[:, spread.any(axis=0)], tuple(notes))


def _names(rig: Rig, devices: Sequence[int]) -> str:
    """Names of devices in the order of the plan, of many the first."""
    names = [rig.devices[at].name for at in sorted(devices)]
    more = f" and {len(names) - _NAMES_MOST:,} more" if len(names) > _NAMES_MOST else ""
    return ", ".join(names[:_NAMES_MOST]) + more


def _relative_spread(device: Device) -> float:
    """Standard deviation of what a device draws while it moves, in parts of that: from idle to stall, as stated."""
    current = device.current_a
    moving = current.moving if current.moving is not None else current.idle
    if not moving:
        return 0.0
    high = current.stall if current.stall is not None else 2 * moving
    return (high - (current.idle or 0.0)) * _UNIFORM / moving


def _within_sum(own: F64, mean: F64) -> F64:
    """Deviations of shares of a sum that was measured: what one draws more, others draw less."""
    if len(mean) < 2 or not mean.any():
        return np.zeros((len(mean), 0))
    square = own @ own.T
    along = square @ (mean / mean.sum())
    total = float(along @ mean) / float(mean.sum())
    if total <= 0:
        return np.zeros((len(mean), 0))
    values, vectors = np.linalg.eigh(square - np.outer(along, along) / total)
    kept = values > 1e-9 * max(float(values.max()), 1e-30)
    return np.asarray(vectors[:, kept] * np.sqrt(values[kept]), np.float64)


def _zones(rig: Rig, measured: Measurement) -> list[str]:
    """The nearest node above each device, itself included, whose current was measured; "" for none."""
    above = _above(rig)
    found = []
    for device in rig.devices:
        name = device.name
        while name and name not in measured.amps:
            name = above[name]
        found.append(name)
    return found


def _above(rig: Rig) -> dict[str, str]:
    return {SUPPLY: "", RECEIVER: SUPPLY} | {part.name: part.parent for part in rig.parts}


def _rest(rig: Rig, measured: Measurement, zone: str) -> F64:
    """What was measured at a node less what was measured below it, (N,)."""
    above = _above(rig)
    rest = measured.amps[zone].copy()
    for name, amps in measured.amps.items():
        up = above[name]
        while up and up not in measured.amps:
            up = above[up]
        if up == zone:
            rest -= amps
    return rest


def _require_sums(rig: Rig, measured: Measurement, path: str) -> None:
    """Refuse currents measured above a second feed: they are not sums of the currents of devices."""
    if not rig.feeds:
        return
    branching = {RECEIVER, *(hub.name for hub in rig.hubs)}
    for name in measured.amps:
        if name in branching:
            hint = "with a second feed measure at the supply and at devices"
            raise RigError(path, "", f"the current of {quote_value(name)} is not the sum of its devices", hint=hint)


def _cases(measured: Measurement, known: Sequence[str], path: str) -> list[str]:
    if not measured.cases:
        return [MOVING]
    plain = {name.casefold(): name for name in known} | _SHORT
    for case in dict.fromkeys(measured.cases):
        if case.casefold() not in plain:
            hint = "give all idle, all moving, all stalled, or a case as `rig power` lists it"
            raise RigError(path, "case", f"{quote_value(case)} is not a load case", hint=hint)
    return [plain[case.casefold()] for case in measured.cases]
