"""A virtual aircraft in a walk: moved frame by frame, described in words."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from busbench.drive.frame_generator import FrameGenerator
from busbench.drive.locked_program import LockedProgram
from busbench.port.pacer import FrameSource
from busbench.rig.direction import directions_of, sign_of
from busbench.rig.linkage import knows_surface
from busbench.rig.model import Rig
from busbench.sim.devices import DeviceState, VirtualRig
from busbench.sim.rehearsal_port import RehearsalPort
from busbench.verify.stations import LATE_DEG, SEEN_DEG
from busbench.wire.codec import unpack_channels
from busbench.wire.frame_spec import FRAME_BYTES

_LOOK_FRAMES = 4
_SETTLE_S = 3.0


class Watch:
    """The observation of one motion of a virtual aircraft.

    Args:
        plan: names and the plan's directions.
        states: states of the aircraft before the motion.
    """

    def __init__(self, plan: Rig, states: Sequence[DeviceState]) -> None:
        self._plan = {device.name: device for device in plan.driven}
        self._with_surface = {device.name for device in plan.driven if knows_surface(device)}
        self._rest = {state.name: state.surface_deg for state in states}
        self._far: dict[str, dict[bool, float]] = {name: {} for name in self._rest}  # ordered by first sight
        self._had_power = {state.name for state in states if state.is_powered}
        self._weak: list[str] = []
        self._late: list[str] = []

    def look(self, states: Sequence[DeviceState]) -> None:
        """Observe once; call it often enough to see the ends."""
        self._late = []
        for state in states:
            way = state.surface_deg - self._rest[state.name]
            far = self._far[state.name]
            if abs(way) >= SEEN_DEG:
                far[way > 0] = max(far.get(way > 0, 0.0), abs(way))
            if state.is_moving and abs(way) >= LATE_DEG:
                self._late.append(state.name)
            if not state.is_powered and state.name in self._had_power and state.name not in self._weak:
                self._weak.append(state.name)

    def words(self) -> Iterator[str]:
        """For example "rudder moved 33° right, then 33° left", or "left (arm 45°)" without a planned surface angle."""
        for name, far in self._far.items():
            if far:
                ways = ((deg, self._told(name, is_plus=is_plus)) for is_plus, deg in far.items())
                knows = name in self._with_surface
                moves = (f"{deg:.0f}° {way}" if knows else f"{way} (arm {deg:.0f}°)" for deg, way in ways)
                yield f"{name} moved {', then '.join(moves)}"
        if not any(self._far.values()):
            yield "nothing moved"
        for name in self._late:
            yield f"{name} is still moving, though it should be back at rest"
        if self._weak:
            is_all = len(self._weak) == len(self._rest) > 1
            yield f"{'every device' if is_all else ', '.join(self._weak)} lost power for a while"

    def _told(self, name: str, *, is_plus: bool) -> str:
        device = self._plan.get(name)
        if device is None:
            return "plus" if is_plus else "minus"
        return directions_of(device).of(is_high=is_plus == (sign_of(device) > 0))


class Rehearsal(RehearsalPort):
    """The aircraft as a port.

    Args:
        plan: the plan whose names and directions are used.
        hold: the program that brings it to rest at the start.
    """

    def __init__(self, plan: Rig, aircraft: VirtualRig, *, hold: LockedProgram) -> None:
        super().__init__()
        self._plan, self._aircraft = plan, aircraft
        self._period_ns = round(hold.program.period_s * 1e9)
        self._t_ns = self._looks = 0
        self._watch: Watch | None = None
        first = FrameGenerator(hold.program).take(1).raw
        aircraft.settle(unpack_channels(first)[0], flags=int(first[0, FRAME_BYTES - 2]))
        for _ in range(round(_SETTLE_S * 1e9 / self._period_ns)):
            self._hear(first.tobytes())

    def states(self) -> tuple[DeviceState, ...]:
        """The current states of all devices."""
        return self._aircraft.states()

    def transmit(self, source: FrameSource) -> None:
        """See RehearsalPort; the motion is observed."""
        super().transmit(source)
        self._watch = Watch(self._plan, self._aircraft.states())
        self._restarts, self._looks = self._aircraft.restarts, 0

    def seen(self) -> tuple[str, ...]:
        """The observation of the last transmission."""
        if self._watch is None:
            return ()
        words = [*self._watch.words()]
        if times := self._aircraft.restarts - self._restarts:
            often = f" {times} times" * (times > 1)
            low = f"{self._aircraft.lowest_v:.1f} V"
            words.append(f"the receiver had too little voltage ({low}) and restarted{often}: frames stopped meanwhile")
        return tuple(words)

    def _hear(self, data: bytes) -> None:
        raw = np.frombuffer(data, np.uint8).reshape(1, -1)
        self._aircraft.frame(self._t_ns, unpack_channels(raw)[0], flags=data[FRAME_BYTES - 2])
        self._t_ns += self._period_ns
        if self._watch is not None:
            if self._looks % _LOOK_FRAMES == 0:
                self._watch.look(self._aircraft.states())
            self._looks += 1
