"""Program -> limits -> frames, in blocks, with requested faults."""

from __future__ import annotations

import enum
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from busbench.drive.hash_random import hash_uint64, hash_unit
from busbench.drive.limits import LimitedCounts, Limiter
from busbench.drive.program import FrameFault, Program
from busbench.model import F64, U8, Bools
from busbench.wire.codec import pack_frames
from busbench.wire.frame_spec import ALL_CHANNELS, FLAG_CH17, FLAG_CH18, FLAG_FAILSAFE, FLAG_LOST, FRAME_BYTES

BLOCK = 8192
TAIL_FRAMES = 3  # frames at rest after the ramp, in case one is missed
_NONE = np.full((1, ALL_CHANNELS), np.nan)


class EndState(enum.StrEnum):
    """What to send when a program ends or is stopped.

    Attributes:
        REST: a ramp to the rest values, then silence.
        HOLD: the last values, until a second stop.
        SILENCE: nothing more.
    """

    REST = "rest"
    HOLD = "hold"
    SILENCE = "silence"


NoiseReach = Literal["any byte", "header"]
"""Which bytes line noise may strike. A frame has no checksum: a flipped bit in its
counts is a command. With "header" a struck frame can no longer pass for one, so
that is the only noise for a line with devices on it."""


def pack_limited(limited: LimitedCounts, *, flags: U8, end: U8) -> U8:
    """Pack limited counts into frames: the only way from a drive program to the wire.

    Args:
        limited: counts from a Limiter, N rows.
        flags: frame-lost and failsafe bits, uint8 (N,).
        end: byte 24, uint8 (N,).

    Returns:
        The frames, uint8 (N, 25).

    Raises:
        TypeError: the counts do not come from a Limiter.
    """
    if type(limited) is not LimitedCounts:
        raise TypeError(f"frames are made of LimitedCounts, not of {type(limited).__name__}")
    switches = limited.switches[:, 0] * np.uint8(FLAG_CH17) | limited.switches[:, 1] * np.uint8(FLAG_CH18)
    return pack_frames(limited.channels, flags | switches, end)


@dataclass(frozen=True, slots=True, eq=False)
class FrameBlock:
    """Consecutive frames, one per slot."""

    slot: int  # slot number of the first one, from 0 at the start of the run
    raw: U8  # uint8 (N, 25), noise included
    is_sent: Bools  # False for intentionally missing frames, bool (N,)
    limited: LimitedCounts  # commanded counts, N rows

    def __len__(self) -> int:
        return int(self.raw.shape[0])


class _RunPhase(enum.IntEnum):
    LEAD = 0  # a soft ramp from the current positions to the start of the program
    RUN = 1
    END = 2
    OVER = 3


@dataclass(frozen=True, slots=True)
class _Position:
    phase: _RunPhase
    left: int  # remaining frames of the phase, -1 for no end
    run_slot: int
    slot: int


class FrameGenerator:
    """The frames of a program from the soft start to the end state, in blocks.

    Args:
        end: what to do at the end, and when stopped.
        last: counts last sent, (16,), if known.
        reach: which bytes line noise may change.
        hold_s: duration of HOLD, None until stopped.
    """

    def __init__(
        self,
        program: Program,
        *,
        end: EndState = EndState.REST,
        last: Sequence[int] | None = None,
        reach: NoiseReach = "any byte",
        hold_s: float | None = 1.0,
    ) -> None:
        self._program = program
        self._end = end
        self._reach: NoiseReach = reach
        self._hold = -1 if hold_s is None else math.ceil(hold_s / program.period_s)
        self._limiter = Limiter(program.limits, program.period_s, last)
        first = program.wanted(0, 1)[0]
        self._place = _Position(_RunPhase.LEAD, self._limiter.frames_to(first), 0, 0)

    @property
    def is_over(self) -> bool:
        """True if nothing more will be sent."""
        return self._settled().phase is _RunPhase.OVER

    @property
    def run_slot(self) -> int | None:
        """The next program slot; None before and after the program."""
        place = self._settled()
        return place.run_slot if place.phase is _RunPhase.RUN else None

    def mark(self) -> object:
        """The state, for `rewind`."""
        return (self._place, self._limiter.mark())

    def rewind(self, mark: object) -> None:
        """Go back to a marked state: the frames since were never sent."""
        assert isinstance(mark, tuple)
        self._place, limiter = mark
        self._limiter.rewind(limiter)

    def stop(self) -> None:
        """Leave the program and go to the end state; a second call ends a hold.

        Before the first frame, nothing is sent at all.
        """
        place = self._settled()
        if place.slot == 0:
            self._place = replace(place, phase=_RunPhase.OVER, left=0)
            return
        if place.phase < _RunPhase.END:
            self._place = self._ending(place)
        elif self._end is EndState.HOLD:
            self._place = replace(place, phase=_RunPhase.OVER, left=0)

    def skip(self, slots: int) -> None:
        """Skip slots of the program; the channels keep their positions."""
        place = self._settled()
        n = min(slots, place.left) if place.phase is _RunPhase.RUN else 0
        self._place = replace(place, left=place.left - n, run_slot=place.run_slot + n, slot=place.slot + n)

    def take(self, count: int) -> FrameBlock:
        """The next frames, up to `count`, at least one unless it is over."""
        place = self._place = self._settled()
        n = count if place.left < 0 else min(count, place.left)
        flags, is_sent = np.zeros(n, np.uint8), np.ones(n, np.bool_)
        noise = np.zeros((n, FRAME_BYTES), np.uint8)
        if place.phase is _RunPhase.RUN:
            self._mark_faults(place.run_slot, flags, is_sent)
            self._throw_noise(place.run_slot, noise)
        limited = self._limiter.limit(self._wanted(place, n), is_heard=is_sent & (noise[:, 0] == 0))
        index = np.arange(place.slot, place.slot + n, dtype=np.int64)
        ends = np.array(self._program.end_bytes, np.uint8)
        raw = pack_limited(limited, flags=flags, end=ends[index % ends.size]) ^ noise
        run_slot = place.run_slot + (n if place.phase is _RunPhase.RUN else 0)
        self._place = _Position(place.phase, place.left - n if place.left >= 0 else -1, run_slot, place.slot + n)
        return FrameBlock(place.slot, raw, is_sent, limited)

    def _settled(self) -> _Position:
        place = self._place
        while place.left == 0 and place.phase is not _RunPhase.OVER:
            match place.phase:
                case _RunPhase.LEAD:
                    place = replace(place, phase=_RunPhase.RUN, left=self._program.slots)
                case _RunPhase.RUN:
                    place = self._ending(place)
                case _:
                    place = replace(place, phase=_RunPhase.OVER)
        return place

    def _ending(self, place: _Position) -> _Position:
        match self._end:
            case EndState.REST:
                left = self._limiter.frames_to(_NONE[0]) + TAIL_FRAMES
            case EndState.HOLD:
                left = self._hold
            case EndState.SILENCE:
                left = 0
        return replace(place, phase=_RunPhase.END, left=left)

    def _wanted(self, place: _Position, count: int) -> F64:
        match place.phase:
            case _RunPhase.LEAD:
                return np.repeat(self._program.wanted(0, 1), count, axis=0)
            case _RunPhase.RUN:
                return self._program.wanted(place.run_slot, count)
            case _RunPhase.END if self._end is EndState.HOLD:
                return np.repeat(
                    [[*map(float, self._limiter.position), *map(float, self._limiter.switches)]], count, axis=0
                )
            case _:
                return np.repeat(_NONE, count, axis=0)

    def _during(self, fault: FrameFault, start: int, count: int) -> Bools:
        t_s = np.arange(start, start + count) * self._program.period_s
        span: Bools = (t_s >= fault.start_s - 1e-9) & (t_s < fault.start_s + fault.duration_s - 1e-9)
        return span

    def _faults_during(self, start: int, count: int) -> list[FrameFault]:
        begin_s, end_s = start * self._program.period_s, (start + count) * self._program.period_s
        faults = self._program.faults
        return [one for one in faults if one.start_s < end_s + 1e-6 and one.start_s + one.duration_s > begin_s - 1e-6]

    def _mark_faults(self, start: int, flags: U8, is_sent: Bools) -> None:
        for fault in self._faults_during(start, flags.size):
            span = self._during(fault, start, flags.size)
            match fault.kind:
                case "lost":
                    flags[span] |= FLAG_LOST
                case "failsafe":
                    flags[span] |= FLAG_FAILSAFE
                case "gap":
                    is_sent[span] = False
                case "flips":
                    pass

    def _throw_noise(self, start: int, noise: U8) -> None:
        for fault in self._faults_during(start, len(noise)):
            if fault.kind != "flips":
                continue
            rows = np.nonzero(self._during(fault, start, len(noise)))[0]
            struck = FRAME_BYTES if self._reach == "any byte" else 1
            places = (start + rows)[:, None] * FRAME_BYTES + np.arange(struck)
            bit = np.uint8(1) << (hash_uint64(places, seed=fault.seed) & np.uint64(7)).astype(np.uint8)
            is_struck = hash_unit(places, seed=fault.seed ^ 1 << 62) < fault.flips
            noise[rows, :struck] ^= np.where(is_struck, bit, np.uint8(0))


def frame_blocks(program: Program, *, end: EndState = EndState.REST, block: int = BLOCK) -> Iterator[FrameBlock]:
    """All frames of a program for a file, from the soft start to the end state, at most `block` at a time."""
    feed = FrameGenerator(program, end=end)
    while not feed.is_over:
        yield feed.take(block)
