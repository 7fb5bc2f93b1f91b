"""Travels of a stick: turning points with hysteresis, many channels at once.

A travel is a movement in one direction of more than the hysteresis; stopping on the
way does not end it, turning back by more than the hysteresis does. Noise below
the hysteresis makes none.

Source: the hysteresis filter of range counting (as in ASTM E1049, from memory).
"""

from __future__ import annotations

import numpy as np

from busbench.model import I16

_FEW = 48  # up to so many points, walking is faster than thinning


def turning_points(values: I16, hysteresis: int) -> I16:
    """The points of a signal at which a travel may turn, including both ends.

    Args:
        values: int16 (N,), differences within int16.
        hysteresis: movements up to this are no travel.

    Returns:
        int16 (M,): walking these gives the same travels as walking all, whatever
        was walked before or comes after.
    """
    moved = np.flatnonzero(values[1:] != values[:-1])
    if not moved.size:
        return values[:1]
    # The value before each change, and the last value: without repeats.
    points = np.append(values[moved], values[-1])
    turns = np.ones(points.size, np.bool_)
    rises = points[1:] > points[:-1]
    turns[1:-1] = rises[1:] != rises[:-1]
    points = points[turns]
    while points.size > _FEW:
        # A small move between two moves that are not smaller: drop its two ends. Of two neighbours only one can go.
        ways = np.abs(points[1:] - points[:-1])
        small = (ways[1:-1] <= hysteresis) & (ways[1:-1] <= ways[:-2]) & (ways[1:-1] <= ways[2:])
        small[1:-1:2] &= ~(small[:-2:2] | small[2::2])
        if small.size % 2 == 0:
            small[-1] &= not small[-2]
        if not small.any():
            break
        keep = np.ones(points.size, np.bool_)
        keep[1:-2] &= ~small
        keep[2:-1] &= ~small
        points = points[keep]
    return points


class Travels:
    """Counts the travels of several channels, each with its hysteresis, int16 (C,)."""

    def __init__(self, hysteresis: I16) -> None:
        self.count = np.zeros(hysteresis.size, np.int64)
        self._hysteresis = hysteresis
        self._way = np.zeros(hysteresis.size, np.int64)  # 1 up, -1 down, 0 unknown
        # Since the last turn: only `high` counts on the way up, only `low` on the way down.
        self._low = np.full(hysteresis.size, 1 << 14, np.int64)
        self._high = np.full(hysteresis.size, -(1 << 14), np.int64)

    def copy(self) -> Travels:
        """An independent copy."""
        other = Travels(self._hysteresis)
        other.count, other._way = self.count.copy(), self._way.copy()
        other._low, other._high = self._low.copy(), self._high.copy()
        return other

    def feed(self, values: I16, lowest: I16, highest: I16) -> None:
        """Take the next values.

        Args:
            values: int16 (C, N), N at least 1.
            lowest, highest: their min and max per channel, int16 (C,).
        """
        low, high = np.minimum(self._low, lowest), np.maximum(self._high, highest)
        # Independent of order: no turn if even the extremes make none.
        turns_down = (self._way >= 0) & (high - lowest > self._hysteresis)
        turns_up = (self._way <= 0) & (highest - low > self._hysteresis)
        turns = turns_down | turns_up
        self._low = np.where(turns, self._low, low)
        self._high = np.where(turns, self._high, high)
        for channel in np.flatnonzero(turns).tolist():
            self._walk(channel, turning_points(values[channel], int(self._hysteresis[channel])).tolist())

    def _walk(self, channel: int, points: list[int]) -> None:
        least = int(self._hysteresis[channel])
        way, count = int(self._way[channel]), int(self.count[channel])
        low, high = int(self._low[channel]), int(self._high[channel])
        for value in points:
            low, high = min(low, value), max(high, value)
            if way <= 0 and value - low > least:
                way, high, count = 1, value, count + 1
            elif way >= 0 and high - value > least:
                way, low, count = -1, value, count + 1
        self._way[channel], self.count[channel] = way, count
        self._low[channel], self._high[channel] = low, high
