"""Calculate what a program sends, limits included, in one pass over its frames."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from busbench.drive.frame_generator import BLOCK, EndState, FrameBlock, FrameGenerator
from busbench.drive.program import Program
from busbench.model import F64, I64, Bools
from busbench.wire.frame_spec import ALL_CHANNELS, CHANNELS, HEADER

_BINS = 2048
LOOKED_AT_MAX = 1_000_000  # max frames calculated in full; longer programs are sampled in stretches
STRETCHES, STRETCH_FRAMES = 128, 2048
_CATCH_UP_FRAMES = 2048  # lead-in of each stretch, for channels to reach their targets


@dataclass(frozen=True, slots=True, eq=False)
class DryRun:
    """A summary of the movement of channels 1-18."""

    frames: int  # total slots, from the soft start to the end state
    looked_at: int  # slots calculated: all, or for a long program those in STRETCHES spread evenly
    duration_s: float
    low: I64  # low, high: extremes in each bin, counts or 0 and 1, int64 (bins, 18)
    high: I64
    # least, most: min and max of the channels, int64 (18,); bounds if not all frames were calculated
    least: I64
    most: I64
    fastest: F64  # largest movement between two frames, counts per second, float64 (16,); or a bound of it
    held_back: I64  # calculated frames in which the limits changed the target, int64 (16,)
    # lowest, highest: min and max targets of the parts, counts, float64 (16,), NaN without targets
    lowest: F64
    highest: F64
    is_driven: Bools  # True for channels named by a part, bool (18,)


def dry_run(program: Program, *, end: EndState = EndState.REST) -> DryRun:
    """Run a program without sending it.

    For more than LOOKED_AT_MAX frames, only the start, the end and
    stretches between are calculated; ranges and speeds are then bounds
    from shapes and limits, never less than what is sent.
    """
    feed = FrameGenerator(program, end=end)
    if program.slots <= LOOKED_AT_MAX:
        sums = _Sums(program, bin_frames=max(1, program.slots // _BINS))
        while not feed.is_over:
            sums.add(feed.run_slot, feed.take(sums.block_frames))
        return sums.result(frames=sums.frames)
    sums, passed, slots = _Sums(program, bin_frames=STRETCH_FRAMES), 0, program.slots
    apart, last_start = slots // STRETCHES, slots - STRETCH_FRAMES
    while not feed.is_over:
        slot = feed.run_slot
        into = 0 if slot is None else slot % apart
        if slot is not None and into >= STRETCH_FRAMES and slot < last_start:
            start = min((slot // apart + 1) * apart, last_start)
            feed.skip(max(0, start - _CATCH_UP_FRAMES - slot))
            feed.take(min(_CATCH_UP_FRAMES, start - slot))
            sums.part_from_before()
            passed += start - slot
        else:
            sums.add(slot, feed.take(STRETCH_FRAMES - into if into < STRETCH_FRAMES else STRETCH_FRAMES))
    return _bounded(program, sums.result(frames=sums.frames + passed))


class _Sums:
    """The sums over the frames calculated so far."""

    def __init__(self, program: Program, *, bin_frames: int) -> None:
        self._program, self._bin_frames = program, bin_frames
        self.block_frames = max(1, BLOCK // bin_frames) * bin_frames
        self.frames = 0
        self._lows: list[I64] = []
        self._highs: list[I64] = []
        self._fastest, self._held_back = np.zeros(CHANNELS), np.zeros(CHANNELS, np.int64)
        self._lowest, self._highest = np.full(CHANNELS, np.nan), np.full(CHANNELS, np.nan)
        self._before: I64 | None = None
        self._exact: F64 | None = None  # targets of the last frame, NaN where limits changed them
        self._rest: I64 = np.empty((0, ALL_CHANNELS), np.int64)

    def add(self, run_slot: int | None, block: FrameBlock) -> None:
        """Add frames; run_slot is the program slot of the first one, None before and after the program."""
        rows = np.concatenate([block.limited.channels, block.limited.switches], axis=1, dtype=np.int64)
        before = rows[:1, :CHANNELS] if self._before is None else self._before
        moves = np.abs(np.diff(rows[:, :CHANNELS], axis=0, prepend=before)).astype(np.float64)
        self._before = rows[-1:, :CHANNELS]
        if run_slot is not None:
            wanted = self._program.wanted(run_slot, len(block))[:, :CHANNELS]
            self._lowest = np.fmin(self._lowest, np.fmin.reduce(wanted, axis=0))
            self._highest = np.fmax(self._highest, np.fmax.reduce(wanted, axis=0))
            # Half a count is rounding; channels without a target are not limited.
            is_held_back = np.abs(wanted - rows[:, :CHANNELS]) > 0.5 + 1e-6
            self._held_back += is_held_back[block.is_sent & (block.raw[:, 0] == HEADER)].sum(axis=0)
            # Without limiting, the speed is the shape's: whole counts per frame would round it.
            exact = np.where(is_held_back, np.nan, wanted)
            steps = np.abs(np.diff(exact, axis=0, prepend=exact[:1] if self._exact is None else self._exact))
            moves = np.where(np.isnan(steps), moves, steps)
            self._exact = exact[-1:]
        self._fastest = np.maximum(self._fastest, moves.max(axis=0))
        self.frames += len(block)
        rows = np.concatenate([self._rest, rows])
        full = len(rows) // self._bin_frames * self._bin_frames
        for out, extreme in ((self._lows, np.min), (self._highs, np.max)):
            if full:
                out.append(extreme(rows[:full].reshape(-1, self._bin_frames, ALL_CHANNELS), axis=1))
        self._rest = rows[full:]

    def part_from_before(self) -> None:
        """The next frames do not follow the former ones: no movement between them."""
        self._before = self._exact = None

    def result(self, *, frames: int) -> DryRun:
        """The result for a total number of frames."""
        if len(self._rest):
            self._lows.append(self._rest.min(axis=0, keepdims=True))
            self._highs.append(self._rest.max(axis=0, keepdims=True))
        is_driven = np.zeros(ALL_CHANNELS, np.bool_)
        is_driven[[part.channel for part in self._program.parts]] = True
        low, high = np.concatenate(self._lows), np.concatenate(self._highs)
        return DryRun(
            frames=frames,
            looked_at=self.frames,
            duration_s=frames * self._program.period_s,
            low=low,
            high=high,
            least=low.min(axis=0),
            most=high.max(axis=0),
            fastest=self._fastest / self._program.period_s,
            held_back=self._held_back,
            lowest=self._lowest,
            highest=self._highest,
            is_driven=is_driven,
        )


def _bounded(program: Program, seen: DryRun) -> DryRun:
    """Replace the figures of the calculated frames by bounds."""
    least, most, fastest = seen.least.copy(), seen.most.copy(), seen.fastest.copy()
    lowest, highest = seen.lowest.copy(), seen.highest.copy()
    for part in program.parts:
        low, high = part.shape.reach
        if part.channel >= CHANNELS:
            least[part.channel], most[part.channel] = 0, 1
            continue
        limit = program.limits.channels[part.channel]
        lowest[part.channel] = np.fmin(lowest[part.channel], low)
        highest[part.channel] = np.fmax(highest[part.channel], high)
        if not limit.is_locked:
            least[part.channel] = min(least[part.channel], max(limit.low, math.floor(low)))
            most[part.channel] = max(most[part.channel], min(limit.high, math.ceil(high)))
            fastest[part.channel] = max(seen.fastest[part.channel], limit.rate)
    return replace(seen, least=least, most=most, fastest=fastest, lowest=lowest, highest=highest)
