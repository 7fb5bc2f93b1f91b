"""Least and greatest value of every channel over any run of frames, at once.

Whole blocks are summed up twice, 64 and 4096 frames at a time; only the ragged
ends of a run are looked at frame by frame.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from busbench.model import U16

BLOCK = 64
LANES = 18
_FIRST = 1024


class Pyramid:
    """Grows with the frames; what was asked of a run stays true.

    Args:
        read: values of the frames in [lo, hi), uint16 (18, hi - lo).
    """

    def __init__(self, read: Callable[[int, int], U16]) -> None:
        self._read = read
        self._rest = np.empty((LANES, 0), np.uint16)  # frames that fill no block yet
        self._levels = [_Level(BLOCK), _Level(BLOCK * BLOCK)]

    def add(self, values: U16) -> None:
        """Take further frames.

        Args:
            values: uint16 (18, n).
        """
        if self._rest.shape[1]:
            values = np.concatenate([self._rest, values], axis=1)
        low = high = values
        for depth, level in enumerate(self._levels):
            if depth == 0:
                rest = low.shape[1] % BLOCK
                self._rest = low[:, low.shape[1] - rest :].copy()
                low = high = low[:, : low.shape[1] - rest]
            else:
                done = level.count * BLOCK
                below = self._levels[depth - 1]
                count = (below.count - done) // BLOCK * BLOCK
                low, high = below.low[:, done : done + count], below.high[:, done : done + count]
            if not low.shape[1]:
                return
            level.add(_fold(low, np.minimum), _fold(high, np.maximum))

    def span(self, lo: int, hi: int) -> tuple[U16, U16]:
        """Least and greatest values of the frames in [lo, hi), uint16 (18,) each; the run is not empty."""
        lows, highs = [], []
        for start, stop, level in self._cover(lo, hi, len(self._levels) - 1):
            if level is None:
                values = self._read(start, stop)
                lows.append(values.min(axis=1))
                highs.append(values.max(axis=1))
            else:
                lows.append(level.low[:, start:stop].min(axis=1))
                highs.append(level.high[:, start:stop].max(axis=1))
        return np.min(lows, axis=0), np.max(highs, axis=0)

    def _cover(self, lo: int, hi: int, depth: int) -> list[tuple[int, int, _Level | None]]:
        """Pieces that make up a run: frames, or blocks of a level."""
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
    """Blocks of one size: columns that grow; room is made twofold, so pages are touched only when filled."""

    def __init__(self, size: int) -> None:
        self.size = size
        self.count = 0
        self.low = np.empty((LANES, _FIRST), np.uint16)
        self.high = np.empty((LANES, _FIRST), np.uint16)

    def add(self, low: U16, high: U16) -> None:
        end = self.count + low.shape[1]
        if end > self.low.shape[1]:
            self.low, self.high = _wider(self.low, end, self.count), _wider(self.high, end, self.count)
        self.low[:, self.count : end] = low
        self.high[:, self.count : end] = high
        self.count = end


def _wider(old: U16, need: int, used: int) -> U16:
    new = np.empty((LANES, 1 << (need - 1).bit_length()), np.uint16)
    new[:, :used] = old[:, :used]
    return new


def _fold(values: U16, take: np.ufunc) -> U16:
    blocks: U16 = np.ascontiguousarray(values).reshape(LANES, -1, BLOCK)
    folded: U16 = take.reduce(blocks, axis=2)
    return folded
