"""A whole aircraft that exists in numbers only: frames go in, motion and volts come out.

Faults are built in on request, so that whoever tests an aircraft can be tested.
"""

from __future__ import annotations

import difflib
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, get_args

import msgspec
import numpy as np
from numpy.typing import ArrayLike

from busbench.errors import RigError
from busbench.rig.harness import Solver, build_network, sinks_of
from busbench.rig.model import RECEIVER, Device, Rig
from busbench.rig.servo import Motion
from busbench.rig.wire import REFERENCE_C

FaultKind = Literal["wrong-channel", "reversed", "dead", "slow", "stalled", "brown-out"]
SLOW_TIMES = 4.0
BROWN_OUT_OHM = 1.0


@dataclass(frozen=True, slots=True)
class Fault:
    """One fault to build in.

    Args:
        kind: what is wrong.
        device: name of the device, "" for brown-out, which is in the supply.
        value: the channel it obeys (wrong-channel), times slower (slow), ohms in
            the supply (brown-out); None for the usual.
    """

    kind: FaultKind
    device: str = ""
    value: float | None = None


def parse_fault(text: str) -> Fault:
    """Read a fault as people type it: KIND, KIND:DEVICE or KIND:DEVICE:VALUE.

    Args:
        text: as in "reversed:left flap", "wrong-channel:rudder:5" or "brown-out::0.8".

    Returns:
        The fault.

    Raises:
        RigError: it names no known kind or a value that is no number.
    """
    kind, _, rest = text.partition(":")
    device, has_value, number = rest.rpartition(":") if ":" in rest else (rest, "", "")
    kind = kind.strip()
    if kind not in get_args(FaultKind):
        near = difflib.get_close_matches(kind, get_args(FaultKind), n=1)
        known = f"did you mean {near[0]}?" if near else f"known: {', '.join(get_args(FaultKind))}"
        raise RigError("fault", "", f'"{kind}" is no kind of fault', hint=known)
    value = None
    if has_value:
        try:
            value = float(number)
        except ValueError:
            value = float("nan")
        if not 0 < value < 1e6:
            raise RigError("fault", kind, f'"{number}" is no number above 0', hint="write KIND:DEVICE:VALUE")
    return Fault(kind, device.strip(), value)  # type: ignore[arg-type]


@dataclass(frozen=True, slots=True)
class DeviceState:
    """What can be seen and measured of one device.

    Args:
        name: of the device.
        position_pct: of full command, positive where channels above neutral take a device that is not reversed.
        arm_deg: angle of its arm.
        surface_deg: angle of its surface as seen on the aircraft.
        throw_mm: straight across from neutral, NaN where the chord is not known.
        volts: at the device.
        current_a: that it draws.
        is_moving: True while it moves.
        is_powered: False below the supply's minimum_v.
    """

    name: str
    position_pct: float
    arm_deg: float
    surface_deg: float
    throw_mm: float
    volts: float
    current_a: float
    is_moving: bool
    is_powered: bool


class VirtualRig:
    """Many devices moved by frames, on one supply.

    Args:
        rig: the plan.
        faults: what is wrong with this aircraft.
        temperature_c: of the leads.

    Raises:
        RigError: a fault names no device of the plan, or the leads form no tree.
    """

    def __init__(self, rig: Rig, *, faults: Sequence[Fault] = (), temperature_c: float = REFERENCE_C) -> None:
        for fault in faults:
            rig = _with_fault(rig, fault)
        names = [device.name for device in rig.driven]
        self.rig = rig
        self._motion = Motion(rig.driven, scale=rig.scale)
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

    def frame(self, t_ns: int, counts: ArrayLike, *, flags: int = 0) -> None:
        """Take in a frame.

        Args:
            t_ns: when it comes, not before the call before.
            counts: of channels 1-16, (16,).
            flags: byte 23.
        """
        self._advance(t_ns, counts, flags)

    def wait(self, t_ns: int) -> None:
        """Let time pass without a frame, in steps short enough for voltages to follow.

        Args:
            t_ns: time to reach.
        """
        step_ns = max(1_000_000, round(self.rig.plan.period_ms * 1e6))
        while self._t_ns is not None and t_ns - self._t_ns > step_ns:
            self._advance(self._t_ns + step_ns, None, 0)
        self._advance(t_ns, None, 0)

    def _advance(self, t_ns: int, counts: ArrayLike | None, flags: int) -> None:
        dt_s = 0.0 if self._t_ns is None else max(0, t_ns - self._t_ns) / 1e9
        self._t_ns = t_ns
        minimum = self.rig.supply.minimum_v or 0.0
        enough = self._volts >= minimum
        receiver_lives = bool(enough[self._network.nodes.index(RECEIVER)])
        at = len(self._network.nodes) - len(self.rig.devices)
        powered = np.asarray(enough[[at + index for index in self._driven_at]] & ~self._dead, np.bool_)
        before = self._motion.position_pct
        self._motion.step(dt_s, counts if receiver_lives else None, flags=flags, powered=powered)
        drawn = self._motion.current_a()
        jammed = self._stuck & self._motion.moving & powered
        drawn[jammed] = self._stall_a[jammed]
        self._motion.position_pct[self._stuck] = before[self._stuck]
        self._drawn[self._driven_at] = drawn
        self._volts = self._solver.volts(sinks_of(self.rig, self._network, self._drawn))[0]

    def volts(self) -> dict[str, float]:
        """Voltage at each node of the harness, by name."""
        return {name: float(v) for name, v in zip(self._network.nodes, self._volts, strict=True)}

    def states(self) -> tuple[DeviceState, ...]:
        """All devices that obey a channel, in the order of the file."""
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
        """One device by its name.

        Raises:
            KeyError: there is none.
        """
        for state in self.states():
            if state.name == name:
                return state
        raise KeyError(name)


def _with_fault(rig: Rig, fault: Fault) -> Rig:
    """The plan as this aircraft was really built."""
    replace = msgspec.structs.replace
    if fault.kind == "brown-out":
        more = BROWN_OUT_OHM if fault.value is None else fault.value
        return replace(rig, supply=replace(rig.supply, resistance_ohm=rig.supply.resistance_ohm + more))
    names = [device.name for device in rig.driven]
    if fault.device not in names:
        near = difflib.get_close_matches(fault.device, names, n=1)
        hint = f'did you mean "{near[0]}"?' if near else f"there are: {', '.join(names)}"
        raise RigError("fault", fault.kind, f'no device is named "{fault.device}"', hint=hint)

    def changed(device: Device) -> Device:
        if device.name != fault.device:
            return device
        if fault.kind == "wrong-channel":
            channel = int(fault.value) if fault.value is not None else (device.channel or 0) % 16 + 1
            return replace(device, channel=channel)
        if fault.kind == "reversed":
            return replace(device, reversed=not device.reversed)
        if fault.kind == "slow":
            times = SLOW_TIMES if fault.value is None else fault.value
            # A device without a stated speed becomes slow against a common one.
            return replace(device, speed_s_per_60deg=(device.speed_s_per_60deg or 0.2) * times)
        return device

    return replace(rig, devices=tuple(changed(device) for device in rig.devices))
