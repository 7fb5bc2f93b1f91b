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
    surface_deg: float  # angle of its surface as seen on the aircraft
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
        self.rig = rig
        self._motion = ServoMotion(rig.driven, scale=rig.scale)
        built = {(fault.kind, fault.device) for fault in faults}
        self._stuck = [("stalled", device.name) in built for device in rig.driven]
        self._dead = [("dead", device.name) in built for device in rig.driven]
        self._stall_a = [d.current_a.stall or d.current_a.moving or 0.0 for d in rig.driven]
        self._network = build_network(rig, temperature_c=temperature_c)
        self._solver = Solver(self._network)
        self._receiver = self._network.nodes.index(RECEIVER)
        self._driven_at = [index for index, device in enumerate(rig.devices) if device.kind != "sensor"]
        first = len(self._network.nodes) - len(rig.devices)
        self._driven_nodes = [first + index for index in self._driven_at]
        self._drawn = np.array([device.current_a.idle or 0.0 for device in rig.devices])
        self._driven_a: list[float] = []
        self._volts: list[float] = []
        self._draw(self._motion.current_a())
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
        return self._volts[self._receiver]

    def settle(self, counts: ArrayLike, *, flags: int = 0) -> None:
        """Put every device at the position of counts (16,) and byte 23, settled."""
        columns = zip(
            self._motion.servos, self._motion.command_pct(counts, flags), self._stuck, self._dead, strict=True
        )
        for servo, asked, is_stuck, is_dead in columns:
            if asked is not None and not (is_stuck or is_dead):
                servo.position_pct = asked

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
        powered = [
            self._volts[node] >= minimum and not dead for node, dead in zip(self._driven_nodes, self._dead, strict=True)
        ]
        if self._receiver_v < minimum:
            self.restarts += self._restart_s <= 0
            self._restart_s = RESTART_S
        else:
            self._restart_s = max(0.0, self._restart_s - dt_s)
        servos = self._motion.servos
        jam = [(at, servos[at].position_pct) for at, is_stuck in enumerate(self._stuck) if is_stuck]
        self._motion.step(dt_s, counts if self.receiver_lives else None, flags=flags, powered=powered)
        drawn = self._motion.current_a()
        for at, position_pct in jam:
            servos[at].position_pct = position_pct
            if servos[at].is_moving and powered[at]:
                drawn[at] = self._stall_a[at]
        if drawn != self._driven_a:
            self._draw(drawn)
        self.lowest_v = min(self.lowest_v, self._receiver_v)

    def _draw(self, driven_a: list[float]) -> None:
        """Solve the voltages for new currents of the devices."""
        self._driven_a = driven_a
        self._drawn[self._driven_at] = driven_a
        self._volts = self._solver.volts(sinks_of(self.rig, self._network, self._drawn))[0].tolist()

    def volts(self) -> dict[str, float]:
        """Voltage at each node of the harness, by name."""
        return dict(zip(self._network.nodes, self._volts, strict=True))

    def states(self) -> tuple[DeviceState, ...]:
        """The states of all devices with a channel, in the order of the file."""
        columns = zip(
            self.rig.driven, self._motion.servos, self._motion.surface_deg().tolist(), self._stuck, strict=True
        )
        return tuple(
            DeviceState(device.name, servo.position_pct, surface, servo.is_moving and not is_stuck, servo.is_powered)
            for device, servo, surface, is_stuck in columns
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
