"""An aircraft that exists in numbers only, walked round: moved frame by frame, told in words."""

from __future__ import annotations

from collections.abc import Iterator

from busbench.drive.frames import Feed, FrameBlock
from busbench.drive.program import Program
from busbench.rig.model import Rig
from busbench.rig.virtual_rig import DeviceState, VirtualRig
from busbench.verify.walk_rig import Watch
from busbench.wire.bulk import FRAME_BYTES, unpack_channels

BLOCK = 32
_LOOK_FRAMES = 4
_SETTLE_S = 3.0


class Motion:
    """One motion of the aircraft, as far as it has gone.

    Args:
        program: the motion.
        watch: what is seen of it.
        aircraft: what moves.
    """

    def __init__(self, program: Program, watch: Watch, *, aircraft: VirtualRig) -> None:
        self.feed = Feed(program)
        self.watch = watch
        self.frames = 0
        self._aircraft, self._restarts = aircraft, aircraft.restarts
        self._period_s = program.period_s

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

    def __init__(self, plan: Rig, aircraft: VirtualRig, *, hold: Program) -> None:
        self._plan, self._aircraft = plan, aircraft
        self._t_ns = 0
        self._period_ns = round(hold.period_s * 1e9)
        feed = Feed(hold)
        first = feed.take(1)
        aircraft.settle(unpack_channels(first.raw)[0], flags=int(first.raw[0, FRAME_BYTES - 2]))
        for _ in range(round(_SETTLE_S / hold.period_s / BLOCK)):
            self._play(feed.take(BLOCK), None)

    def states(self) -> tuple[DeviceState, ...]:
        """How all devices stand now."""
        return self._aircraft.states()

    def begin(self, program: Program) -> Motion:
        """A motion, of which nothing was sent yet."""
        watch = Watch(self._plan, self._aircraft.states())
        return Motion(program, watch, aircraft=self._aircraft)

    def go_on(self, motion: Motion, *, frames: int = BLOCK) -> None:
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
