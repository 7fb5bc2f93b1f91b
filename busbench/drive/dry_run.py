"""What a program will really do, limits included: one pass over all its frames."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from busbench.drive.frame_generator import BLOCK, EndState, FrameGenerator
from busbench.drive.program import Program
from busbench.model import F64, I64, Bools
from busbench.wire.codec import CHANNELS, HEADER
from busbench.wire.frame_spec import ALL_CHANNELS

_BINS = 2048


@dataclass(frozen=True, slots=True, eq=False)
class DryRun:
    """The movement of channels 1-18 in short.

    Args:
        frames: slots in all, from the soft start to the end state.
        duration_s: their time.
        low, high: extremes in each bin, counts or 0 and 1, int64 (bins, 18).
        fastest: largest movement between two frames, counts a second, float64 (16,).
        held_back: frames in which the limits gave other than what was wanted, int64 (16,).
        lowest, highest: extremes of what the parts ask for, counts, float64 (16,), NaN where they ask for nothing.
        is_driven: True for the channels that a part speaks of, bool (18,).
    """

    frames: int
    duration_s: float
    low: I64
    high: I64
    fastest: F64
    held_back: I64
    lowest: F64
    highest: F64
    is_driven: Bools


def dry_run(program: Program, *, end: EndState = EndState.REST, hold_s: float = 1.0) -> DryRun:
    """Run a program without sending it.

    Args:
        program: what would be sent.
        end: what would be done at its end.
        hold_s: how long a hold at the end is looked at.
    """
    feed = FrameGenerator(program, end=end, hold_s=hold_s)
    size = max(1, program.slots // _BINS)
    step = max(1, BLOCK // size) * size
    lows: list[I64] = []
    highs: list[I64] = []
    fastest, held_back = np.zeros(CHANNELS), np.zeros(CHANNELS, np.int64)
    lowest, highest = np.full(CHANNELS, np.nan), np.full(CHANNELS, np.nan)
    before: I64 | None = None
    rest: I64 = np.empty((0, ALL_CHANNELS), np.int64)
    frames = 0
    while not feed.is_over:
        run_slot = feed.run_slot
        block = feed.take(step)
        rows = np.concatenate([block.limited.channels, block.limited.switches], axis=1, dtype=np.int64)
        moves = np.abs(np.diff(rows[:, :CHANNELS], axis=0, prepend=rows[:1, :CHANNELS] if before is None else before))
        fastest = np.maximum(fastest, moves.max(axis=0))
        before = rows[-1:, :CHANNELS]
        if run_slot is not None:
            wanted = program.wanted(run_slot, len(block))[:, :CHANNELS]
            lowest = np.fmin(lowest, np.fmin.reduce(wanted, axis=0))
            highest = np.fmax(highest, np.fmax.reduce(wanted, axis=0))
            # Half a count is rounding; what is not wanted is not held back.
            is_held_back = np.abs(wanted - rows[:, :CHANNELS]) > 0.5 + 1e-6
            held_back += is_held_back[block.is_sent & (block.raw[:, 0] == HEADER)].sum(axis=0)
        frames += len(block)
        rows = np.concatenate([rest, rows])
        full = len(rows) // size * size
        for out, extreme in ((lows, np.min), (highs, np.max)):
            if full:
                out.append(extreme(rows[:full].reshape(-1, size, ALL_CHANNELS), axis=1))
        rest = rows[full:]
    if len(rest):
        lows.append(rest.min(axis=0, keepdims=True))
        highs.append(rest.max(axis=0, keepdims=True))
    is_driven = np.zeros(ALL_CHANNELS, np.bool_)
    is_driven[[part.channel for part in program.parts]] = True
    return DryRun(
        frames=frames,
        duration_s=frames * program.period_s,
        low=np.concatenate(lows),
        high=np.concatenate(highs),
        fastest=fastest / program.period_s,
        held_back=held_back,
        lowest=lowest,
        highest=highest,
        is_driven=is_driven,
    )
