"""The devices of a simulated aircraft: takes frames; gives motion and voltages.

Faults can be built in, so that the tests of an aircraft can be tested.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import msgspec
import numpy as np
from numpy.typing import ArrayLike

from busbench.rig.conductor import REFERENCE_C
from busbench.rig.harness import Solver, build_network, sinks_of
from busbench.rig.model import RECEIVER, Device, Rig
from busbench.rig.servo import ServoMotion
from busbench.sim.aircraft_faults import AircraftFault, check_fault

SLOW_S = 6.0  # s per 60 degrees: slower than the walk, so that it is seen
BROWN_OUT_OHM = 1.0
RESTART_S = 1.0  # time of a receiver from enough voltage to its first frame; common practice, no source


@dataclass(frozen=True, slots=True)
class DeviceState:
    """The visible and measurable state of one device."""

    name: str
    position_pct: float  # percent of full command, positive in the direction of an unreversed device above neutral
    arm_deg: float
    surface_deg: float  # angle of its surface as seen on the aircraft
    throw_mm: float  # straight across from neutral, NaN where the chord is not known
    volts: float
    current_a: float
    is_moving: bool  # True while it moves
    is_powered: bool  # False below the supply's minimum_v


class VirtualRig:
    """Devices moved by frames, on one supply.

    Args:
        faults: the faults of this aircraft.

    Raises:
        RigError: a fault names an unknown device, or the leads form no tree.
    """

    def __init__(self, rig: Rig, *, faults: Sequence[AircraftFault] = (), temperature_c: float = REFERENCE_C) -> None:
        for fault in faults:
            rig = _with_fault(rig, fault)
        names = [device.name for device in rig.driven]
        self.rig = rig
        self._motion = ServoMotion(rig.driven, scale=rig.scale)
        self._stuck = np.array([any(f.device == n and f.kind == "stalled" for f in faults) for n in names], np.bool_)
        self._dead = np.array([any(f.device == n and f.kind == "dead" for f in faults) for n in names], np.bool_)
        self._stall_a = np.array([d.current_a.stall or d.current_a.moving or 0.0 for d in rig.driven])
        self._network = build_network(rig, temperature_c=temperature_c)
        self._solver = Solver(self._network)
        self._driven_at = [index for index, device in enumerate(rig.devices) if device.kind != "sensor"]
        self._drawn = np.array([device.current_a.idle or 0.0 for device in rig.devices])
        self._drawn[self._driven_at] = self._motion.current_a()
        self._volts = self._solver.volts(sinks_of(rig, self._network, self._drawn))[0]
        self._t_ns: int | None = None
        self._restart_s = 0.0  # time until the receiver is up again
        self.restarts = 0
        self.lowest_v = self._receiver_v  # min voltage at the receiver so far

    @property
    def receiver_lives(self) -> bool:
        """False while the receiver lacks voltage, and for RESTART_S after that."""
        return self._restart_s <= 0 and self._receiver_v >= (self.rig.supply.minimum_v or 0.0)

    @property
    def supply_a(self) -> float:
        """The current of all devices now, including sensors."""
        return float(self._drawn.sum())

    @property
    def _receiver_v(self) -> float:
        return float(self._volts[self._network.nodes.index(RECEIVER)])

    def settle(self, counts: ArrayLike, *, flags: int = 0) -> None:
        """Put every device at the position of counts (16,) and byte 23, settled."""
        asked = self._motion.command_pct(counts, flags)
        still = self._stuck | self._dead | np.isnan(asked)
        self._motion.position_pct = np.where(still, self._motion.position_pct, asked)

    def frame(self, t_ns: int, counts: ArrayLike, *, flags: int = 0) -> None:
        """Receive a frame, counts (16,) and byte 23, at a non-decreasing time."""
        self._advance(t_ns, counts, flags)

    def wait(self, t_ns: int) -> None:
        """Let time pass without a frame, in steps short enough for the voltages."""
        step_ns = max(1_000_000, round(self.rig.plan.period_ms * 1e6))
        while self._t_ns is not None and t_ns - self._t_ns > step_ns:
            self._advance(self._t_ns + step_ns, None, 0)
        self._advance(t_ns, None, 0)

    def _advance(self, t_ns: int, counts: ArrayLike | None, flags: int) -> None:
        dt_s = 0.0 if self._t_ns is None else max(0, t_ns - self._t_ns) / 1e9
        self._t_ns = t_ns
        minimum = self.rig.supply.minimum_v or 0.0
        enough = self._volts >= minimum
        if self._receiver_v < minimum:
            self.restarts += self._restart_s <= 0
            self._restart_s = RESTART_S
        else:
            self._restart_s = max(0.0, self._restart_s - dt_s)
        at = len(self._network.nodes) - len(self.rig.devices)
        powered = np.asarray(enough[[at + index for index in self._driven_at]] & ~self._dead, np.bool_)
        before = self._motion.position_pct
        self._motion.step(dt_s, counts if self.receiver_lives else None, flags=flags, powered=powered)
        drawn = self._motion.current_a()
        jammed = self._stuck & self._motion.moving & powered
        drawn[jammed] = self._stall_a[jammed]
        self._motion.position_pct[self._stuck] = before[self._stuck]
        self._drawn[self._driven_at] = drawn
        self._volts = self._solver.volts(sinks_of(self.rig, self._network, self._drawn))[0]
        self.lowest_v = min(self.lowest_v, self._receiver_v)

    def volts(self) -> dict[str, float]:
        """Voltage at each node of the harness, by name."""
        return {name: float(v) for name, v in zip(self._network.nodes, self._volts, strict=True)}

    def states(self) -> tuple[DeviceState, ...]:
        """The states of all devices with a channel, in the order of the file."""
        motion, volts = self._motion, self.volts()
        columns = zip(
            self.rig.driven, motion.position_pct, motion.arm_deg(), motion.surface_deg(), motion.throw_mm(),
            self._drawn[self._driven_at], motion.moving & ~self._stuck, motion.powered, strict=True,
        )  # fmt: skip
        return tuple(
            DeviceState(d.name, float(p), float(arm), float(s), float(mm), volts[d.name], float(a), bool(m), bool(on))
            for d, p, arm, s, mm, a, m, on in columns
        )

    def state(self, name: str) -> DeviceState:
        """The state of one device by name (raises KeyError)."""
        for state in self.states():
            if state.name == name:
                return state
        raise KeyError(name)


def _with_fault(rig: Rig, fault: AircraftFault) -> Rig:
    """The plan of this aircraft as built, without faults of the receiver."""
    check_fault(fault, rig)
    replace = msgspec.structs.replace
    if fault.kind == "brown-out":
        more = BROWN_OUT_OHM if fault.value is None else fault.value
        return replace(rig, supply=replace(rig.supply, resistance_ohm=rig.supply.resistance_ohm + more))

    def changed(device: Device) -> Device:
        if device.name != fault.device:
            return device
        if fault.kind == "wrong-channel":
            channel = int(fault.value) if fault.value is not None else (device.channel or 0) % 16 + 1
            return replace(device, channel=channel)
        if fault.kind == "reversed":
            return replace(device, reversed=not device.reversed)
        if fault.kind == "slow":
            # A device without a stated speed becomes slow relative to a common one.
            slow = SLOW_S if fault.value is None else (device.speed_s_per_60deg or 0.2) * fault.value
            return replace(device, speed_s_per_60deg=slow)
        return device

    return replace(rig, devices=tuple(changed(device) for device in rig.devices))
