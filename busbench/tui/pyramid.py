"""Min and max of every channel over any run of frames, in constant time.

Blocks of 64 and 4096 frames are summarized; only the
ends of a run are evaluated frame by frame.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from busbench.model import I64, U16
from busbench.tui.growing_array import GrowingArray
from busbench.wire.frame_spec import ALL_CHANNELS

BLOCK = 64
_LONG = 4  # blocks in a run from which its ends are rounded to blocks


class Pyramid:
    """Grows with the frames; earlier results stay valid.

    Args:
        read: returns the values of the frames in [lo, hi), uint16 (18, hi - lo).
    """

    def __init__(self, read: Callable[[int, int], U16]) -> None:
        self._read = read
        self._rest = np.empty((ALL_CHANNELS, 0), np.uint16)  # frames that do not fill a block yet
        self._levels = [_Level(BLOCK), _Level(BLOCK * BLOCK)]

    def add(self, values: U16) -> None:
        """Add frames, uint16 (18, n)."""
        if self._rest.shape[1]:
            values = np.concatenate([self._rest, values], axis=1)
        whole = values.shape[1] // BLOCK * BLOCK
        self._rest = values[:, whole:].copy()
        low = high = values[:, :whole].T
        for level, above in zip(self._levels, [*self._levels[1:], None], strict=True):
            if not len(low):
                return
            level.add(_fold(low, np.minimum), _fold(high, np.maximum))
            if above is not None:
                done, whole = above.count * BLOCK, level.count // BLOCK * BLOCK
                low, high = level.low(done, whole), level.high(done, whole)

    def span(self, lo: int, hi: int) -> tuple[U16, U16]:
        """Min and max of the frames in [lo, hi), uint16 (18,) each; the run must not be empty."""
        lows, highs = [], []
        for start, stop, level in self._cover(lo, hi, len(self._levels) - 1):
            if level is None:
                values = self._read(start, stop)
                lows.append(values.min(axis=1))
                highs.append(values.max(axis=1))
            else:
                lows.append(level.low(start, stop).min(axis=0))
                highs.append(level.high(start, stop).max(axis=0))
        return np.min(lows, axis=0), np.max(highs, axis=0)

    def spans(self, starts: I64, stops: I64) -> tuple[U16, U16]:
        """Min and max of many non-empty runs, uint16 (runs, 18) each.

        The ends of long runs are rounded to the nearest block, by an eighth of their length at most.
        """
        lows, highs = (np.empty((starts.size, ALL_CHANNELS), np.uint16) for _ in range(2))
        exact = np.ones(starts.size, np.bool_)
        for level in reversed(self._levels):
            first, last = (starts + level.size // 2) // level.size, (stops + level.size // 2) // level.size
            here = exact & (stops - starts >= _LONG * level.size) & (last < level.count)
            pairs = np.column_stack([first[here], last[here]]).ravel()
            lows[here] = np.minimum.reduceat(level.low(0, level.count), pairs, axis=0)[::2]
            highs[here] = np.maximum.reduceat(level.high(0, level.count), pairs, axis=0)[::2]
            exact &= ~here
        for at in np.flatnonzero(exact).tolist():
            lows[at], highs[at] = self.span(int(starts[at]), int(stops[at]))
        return lows, highs

    def close(self) -> None:
        """Close the temporary files."""
        for level in self._levels:
            level.close()

    def _cover(self, lo: int, hi: int, depth: int) -> list[tuple[int, int, _Level | None]]:
        """The pieces of a run: frames, or blocks of a level."""
        if lo >= hi:
            return []
        if depth < 0:
            return [(lo, hi, None)]
        level = self._levels[depth]
        first, last = -(-lo // level.size), min(hi // level.size, level.count)
        if first >= last:
            return self._cover(lo, hi, depth - 1)
        before = self._cover(lo, first * level.size, depth - 1)
        behind = self._cover(last * level.size, hi, depth - 1)
        return [*before, (first, last, level), *behind]


class _Level:
    """Blocks of one size, 18 values after 18 values."""

    def __init__(self, size: int) -> None:
        self.size = size
        self.count = 0
        self._low, self._high = GrowingArray(np.uint16), GrowingArray(np.uint16)

    def add(self, low: U16, high: U16) -> None:
        self._low.add(low.ravel())
        self._high.add(high.ravel())
        self.count += len(low)

    def low(self, start: int, stop: int) -> U16:
        return self._blocks(self._low, start, stop)

    def high(self, start: int, stop: int) -> U16:
        return self._blocks(self._high, start, stop)

    def close(self) -> None:
        self._low.close()
        self._high.close()

    def _blocks(self, column: GrowingArray, start: int, stop: int) -> U16:
        blocks: U16 = column.first(self.count * ALL_CHANNELS).reshape(-1, ALL_CHANNELS)[start:stop]
        return blocks


def _fold(values: U16, take: np.ufunc) -> U16:
    folded: U16 = take.reduce(values.reshape(-1, BLOCK, ALL_CHANNELS), axis=1)
    return folded
