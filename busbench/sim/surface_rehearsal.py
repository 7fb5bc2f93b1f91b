"""An aircraft that exists in numbers only, walked round: moved frame by frame, told in words."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from busbench.drive.frame_generator import FrameBlock, FrameGenerator
from busbench.drive.locked_program import LockedProgram
from busbench.rig.direction import directions_of, sign_of
from busbench.rig.linkage import knows_surface
from busbench.rig.model import Rig
from busbench.sim.devices import DeviceState, VirtualRig
from busbench.verify.stations import LATE_DEG, SEEN_DEG
from busbench.wire.codec import FRAME_BYTES, unpack_channels

BLOCK = 32
_LOOK_FRAMES = 4
_SETTLE_S = 3.0


class Watch:
    """What somebody beside a virtual aircraft sees of one motion.

    Args:
        plan: names and the plan's directions.
        states: of the aircraft before the motion.
    """

    def __init__(self, plan: Rig, states: Sequence[DeviceState]) -> None:
        self._plan = {device.name: device for device in plan.driven}
        self._with_surface = {device.name for device in plan.driven if knows_surface(device)}
        self._rest = {state.name: state.surface_deg for state in states}
        self._far: dict[str, dict[bool, float]] = {name: {} for name in self._rest}  # first way seen comes first
        self._had_power = {state.name for state in states if state.is_powered}
        self._weak: list[str] = []
        self._late: list[str] = []

    def look(self, states: Sequence[DeviceState]) -> None:
        """Look once, often enough not to miss the ends."""
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
        """As in "rudder moved 33° right, then 33° left", or "left (arm 45°)" without a planned surface angle."""
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


class RehearsedMotion:
    """One motion of the aircraft, as far as it has gone.

    Args:
        program: the motion.
        watch: what is seen of it.
        aircraft: what moves.
    """

    def __init__(self, program: LockedProgram, watch: Watch, *, aircraft: VirtualRig) -> None:
        self.feed = FrameGenerator(program.program)
        self.watch = watch
        self.frames = 0
        self._aircraft, self._restarts = aircraft, aircraft.restarts
        self._period_s = program.program.period_s

    @property
    def is_over(self) -> bool:
        """True where nothing is left to send."""
        return self.feed.is_over

    @property
    def duration_s(self) -> float:
        """How long it has gone."""
        return round(self.frames * self._period_s, 3)

    def words(self) -> Iterator[str]:
        """What was seen so far."""
        yield from self.watch.words()
        if times := self._aircraft.restarts - self._restarts:
            often = f" {times} times" * (times > 1)
            low = f"{self._aircraft.lowest_v:.1f} V"
            yield f"the receiver had too little voltage ({low}) and restarted{often}: frames stopped meanwhile"


class Rehearsal:
    """The aircraft; it goes as fast as it is asked to.

    Args:
        plan: whose names and directions are used.
        aircraft: what hears the frames.
        hold: brings it to rest at the start.
    """

    def __init__(self, plan: Rig, aircraft: VirtualRig, *, hold: LockedProgram) -> None:
        self._plan, self._aircraft = plan, aircraft
        self._t_ns = 0
        self._period_ns = round(hold.program.period_s * 1e9)
        feed = FrameGenerator(hold.program)
        first = feed.take(1)
        aircraft.settle(unpack_channels(first.raw)[0], flags=int(first.raw[0, FRAME_BYTES - 2]))
        for _ in range(round(_SETTLE_S / hold.program.period_s / BLOCK)):
            self._play(feed.take(BLOCK), None)

    def states(self) -> tuple[DeviceState, ...]:
        """How all devices stand now."""
        return self._aircraft.states()

    def begin(self, program: LockedProgram) -> RehearsedMotion:
        """A motion, of which nothing was sent yet."""
        watch = Watch(self._plan, self._aircraft.states())
        return RehearsedMotion(program, watch, aircraft=self._aircraft)

    def go_on(self, motion: RehearsedMotion, *, frames: int = BLOCK) -> None:
        """Send at most so many frames of it."""
        block = motion.feed.take(frames)
        self._play(block, motion.watch)
        motion.frames += len(block)

    def _play(self, block: FrameBlock, watch: Watch | None) -> None:
        counts, flags = unpack_channels(block.raw), block.raw[:, FRAME_BYTES - 2].tolist()
        for row in range(len(block)):
            self._aircraft.frame(self._t_ns, counts[row], flags=flags[row])
            self._t_ns += self._period_ns
            if watch is not None and row % _LOOK_FRAMES == 0:
                watch.look(self._aircraft.states())
