"""Losses of two recordings, by bursts: frames of one burst are lost together, so each burst counts once.

Bursts may come in groups too. Where they vary more from part to part of a recording than single ones would, they count
for fewer: the quasi-Poisson factor, variance over mean. The ratio of the two rates then follows from the share of all
bursts that are in the new recording, whose exact limits are those of Clopper and Pearson.

Source: J. Przyborowski, H. Wilenski, Biometrika 31 (1940) 313, for two Poisson counts given their sum; from memory.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from busbench.analysis.binomial import loss_bounds
from busbench.analysis.change import Figure, half_width, sample_of, student
from busbench.analysis.coincidence import JOINED_PERIODS
from busbench.analysis.outages import Outages
from busbench.model import F64, I64, Bools

LOSSES_MATTER = math.sqrt(3)  # times
RATE_MATTERS = 1.0  # burst per minute: fewer more or fewer of them do not matter
_PARTS = 20
_LENGTHS_LEAST = 5


@dataclass(frozen=True, slots=True)
class Bursts:
    """Bursts of one recording.

    Args:
        start_s: when each began, float64 (N,).
        frames: how many were missed in each, int64 (N,).
        has_failsafe: True if the link was gone until failsafe came, bool (N,).
        duration_s: of the recording.
    """

    start_s: F64
    frames: I64
    has_failsafe: Bools
    duration_s: float

    @property
    def rate(self) -> float:
        """Bursts a minute."""
        return 60 * self.frames.size / self.duration_s


def find_bursts(outages: Outages) -> Bursts | None:
    """Outages that are near one another as bursts; None if gaps cannot be seen."""
    if not outages.duration_s or outages.period_s is None:
        return None
    rows = [
        (one.start_s, one.end_s, one.frames, one.kind == "failsafe")
        for one in outages.events
        if one.start_s is not None and one.end_s is not None
    ]
    if not rows:
        return Bursts(np.empty(0), np.empty(0, np.int64), np.empty(0, np.bool_), outages.duration_s)
    start, end, frames, failsafe = (np.array(column) for column in zip(*sorted(rows), strict=True))
    near_s = JOINED_PERIODS * outages.period_s
    first = np.append(True, start[1:] > np.maximum.accumulate(end)[:-1] + near_s)
    begins = np.flatnonzero(first)
    return Bursts(
        start[first], np.add.reduceat(frames, begins), np.logical_or.reduceat(failsafe, begins), outages.duration_s
    )


def compare_bursts(old: Bursts, new: Bursts, *, chance: float) -> Figure:
    """How often frames are lost."""
    name, unit = "bursts of outages", "1/min"
    group = bursts_per_group((old, new), chance)
    whole = round((old.frames.size + new.frames.size) / group)
    (old_low, old_high), (new_low, new_high) = (_rate_bounds(one, group, chance) for one in (old, new))
    low, high = new_low - old_high, new_high - old_low
    if whole:
        # Of the two rates the old one is taken as it was seen, and the new one is so many times that.
        count = min(whole, round(new.frames.size / group))
        bounds = loss_bounds(count, whole, confidence=1 - chance)
        share = new.duration_s / (old.duration_s + new.duration_s)
        base = old.rate or 60 / old.duration_s
        if bounds.lower < 1:
            low = max(low, base * (bounds.lower * (1 - share) / ((1 - bounds.lower) * share) - 1))
        if bounds.upper < 1:
            high = min(high, base * (bounds.upper * (1 - share) / ((1 - bounds.upper) * share) - 1))
    change = new.rate - old.rate
    limits = (
        min(old.rate / LOSSES_MATTER - old.rate, -RATE_MATTERS),
        max(old.rate * LOSSES_MATTER - old.rate, RATE_MATTERS),
    )
    return Figure(name, unit, old.rate, new.rate, max(high - change, change - low), low, high, limits)


def compare_burst_lengths(old: Bursts, new: Bursts, *, chance: float) -> Figure | None:
    """How many frames a burst takes that ends without failsafe, as a geometric mean; None with too few of them."""
    samples = [sample_of(np.log(one.frames[~one.has_failsafe].astype(np.float64))) for one in (old, new)]
    one, other = samples
    if one is None or other is None or min(one.freedom, other.freedom) < _LENGTHS_LEAST - 1:
        return None
    before, after = math.exp(one.mean), math.exp(other.mean)
    width = half_width(one, other, chance)
    low, high = after * math.exp(-width) - before, after * math.exp(width) - before
    limits = (before / LOSSES_MATTER - before, before * LOSSES_MATTER - before)
    change = after - before
    floor = max(high - change, change - low)
    return Figure("frames missed per burst", "frames", before, after, floor, low, high, limits)


def _rate_bounds(one: Bursts, group: float, chance: float) -> tuple[float, float]:
    """Confidence limits of a rate, bursts per minute."""
    low, high = poisson_bounds(one.frames.size / group, chance)
    return 60 * group * low / one.duration_s, 60 * group * high / one.duration_s


def poisson_bounds(count: float, chance: float) -> tuple[float, float]:
    """Confidence limits of the mean of a Poisson count.

    Args:
        count: as it was seen; a fraction where each counts for less than one.
        chance: that they miss the mean.

    Source: Byar's approximation of the exact limits (N. Breslow, N. Day, 1987); from memory.
    """
    z = student(chance, 400)
    bounds = []
    for total, side in ((count, -z), (count + 1, z)):
        root = 1 - 1 / (9 * total) + side / (3 * math.sqrt(total)) if total else 0.0
        bounds.append(total * max(0.0, root) ** 3)
    return bounds[0], bounds[1]


def bursts_per_group(recordings: Sequence[Bursts], chance: float) -> float:
    """How many bursts count as one, at least 1."""
    squares = total = 0.0
    for one in recordings:
        counts = np.histogram(one.start_s, _PARTS, (0, one.duration_s))[0]
        squares += float(((counts - counts.mean()) ** 2).sum())
        total += float(counts.mean())
    factor = squares / (_PARTS - 1) / total if total else 1.0
    if factor <= 1:
        return 1.0
    freedom = len(recordings) * (_PARTS - 1)
    return max(1.0, factor * (student(chance, freedom) / student(chance, 400)) ** 2)
