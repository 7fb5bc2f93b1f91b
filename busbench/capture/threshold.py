"""Levels from voltages: a threshold per signal, half way between its two voltages."""

from __future__ import annotations

from collections.abc import Collection, Iterable
from dataclasses import dataclass, field

import numpy as np

from busbench.errors import sanitize
from busbench.model import F64, U8

_HYSTERESIS = 0.15  # of the swing, either side: ringing and noise change no level
_SPIKES_MOST = 10  # samples at either end that are ignored
_SAMPLES_MOST = 200_000  # samples used to find the two voltages, spread over the file


@dataclass(slots=True)
class Thresholds:
    """Thresholds of signals, and their last levels."""

    names: tuple[str, ...]
    middle: F64  # middle, swing: volts, float64 (signals,); swing is 0 if a signal does not change
    swing: F64
    _last: U8 = field(init=False)

    def __post_init__(self) -> None:
        self._last = np.zeros(len(self.names), np.uint8)

    @staticmethod
    def of(blocks: Iterable[F64], names: tuple[str, ...]) -> Thresholds:
        """Find them in all voltages, float64 (rows, signals)."""
        kept = np.empty((0, len(names)))
        every = 1  # every how many rows one is kept, to bound memory
        for block in blocks:
            kept = np.concatenate([kept, block[::every]])
            while len(kept) > _SAMPLES_MOST:
                kept, every = kept[::2], every * 2
        if not len(kept):
            kept = np.zeros((1, len(names)))
        few = min(_SPIKES_MOST, len(kept) // 20)
        ordered = np.sort(kept, axis=0)
        low, high = ordered[few], ordered[-1 - few]
        middle = (low + high) / 2
        for _ in range(3):  # towards the two voltages
            above = kept > middle
            sums = np.where(above, kept, 0).sum(axis=0), np.where(above, 0, kept).sum(axis=0)
            count = above.sum(axis=0)
            top, bottom = sums[0] / np.maximum(count, 1), sums[1] / (len(kept) - count)  # the lowest is never above
            middle = np.where(count > 0, (top + bottom) / 2, middle)
        return Thresholds(names, middle, np.where(high > low, np.abs(top - bottom), 0.0))

    def levels(self, volts: F64) -> U8:
        """Levels of further rows, uint8 (rows, signals); 0 until a signal is clear of its threshold."""
        margin = _HYSTERESIS * self.swing
        is_clear = np.abs(volts - self.middle) > margin
        places = np.where(is_clear, np.arange(1, len(volts) + 1)[:, None], 0)
        places = np.maximum.accumulate(places, axis=0)
        values = np.concatenate([self._last[None, :], (volts > self.middle).astype(np.uint8)])
        found: U8 = np.take_along_axis(values, places, axis=0)
        if len(found):
            self._last = found[-1]
        return found

    def notes(self, names: Collection[str]) -> list[str]:
        """The threshold used for one signal."""
        if len(names) != 1:
            return []
        (name,) = names
        middle = self.middle[self.names.index(name)]
        return [f'"{sanitize(name, most=40)}" holds voltages: the threshold is {middle:.3g}']
