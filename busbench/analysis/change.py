"""A figure of two recordings: how far it changed, and whether that is more than chance and measurement explain.

A figure is `different` where the interval of its change leaves out zero and reaches beyond the tolerance, `same` where
the whole interval lies within the tolerance, and `cannot tell` otherwise: the change is below the floor, which is the
smallest change that this pair of recordings could show. The tolerance is what a change must have to matter.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise
from typing import Literal

import numpy as np

from busbench.model import F64

Change = Literal["same", "different", "cannot tell"]
Doubt = Literal["", "not in both", "no floor", "below the floor"]
_FREEDOM_MOST = 400


@dataclass(frozen=True, slots=True)
class Figure:
    """One figure of both recordings.

    Args:
        what: what it is, as in "endpoint high".
        unit: of all its values, as in "s", "counts", "1/min".
        old, new: its values; None if a recording does not show it.
        floor: the smallest change that this pair could show, None if that is not known.
        low, high: the change, new less old, lies between; None if that is not known.
        tolerance: what matters, either side of zero.
        subject: of what, as in "ch3"; "" if there is but one.
        devices: names of what is there, "" if they are not known.
    """

    what: str
    unit: str
    old: float | None
    new: float | None
    floor: float | None
    low: float | None
    high: float | None
    tolerance: tuple[float, float]
    subject: str = ""
    devices: str = ""

    @property
    def name(self) -> str:
        """For people, as in "endpoint high, ch3 left aileron"."""
        of = " ".join(part for part in (self.subject, self.devices) if part)
        return f"{self.what}, {of}" if of else self.what

    @property
    def verdict(self) -> Change:
        """Whether it changed."""
        if self.low is None or self.high is None:
            return "cannot tell"
        if self.tolerance[0] <= self.low and self.high <= self.tolerance[1]:
            return "same"
        return "different" if self.low > 0 or self.high < 0 else "cannot tell"

    @property
    def doubt(self) -> Doubt:
        """Why it cannot be judged, "" if it can."""
        if self.verdict != "cannot tell":
            return ""
        if self.old is None or self.new is None:
            return "not in both"
        return "no floor" if self.floor is None else "below the floor"

    @property
    def looks_changed(self) -> bool:
        """True if it changed by more than what matters, be it by chance or not, or is gone or new."""
        if self.old is None or self.new is None:
            return self.old is not self.new
        return not self.tolerance[0] <= self.new - self.old <= self.tolerance[1]

    def to_json(self) -> dict[str, object]:
        """Plain values."""
        keys = ("name", "unit", "old", "new", "floor", "low", "high", "verdict")
        return {key: getattr(self, key) for key in keys}


@dataclass(frozen=True, slots=True)
class Sample:
    """A mean with its standard error."""

    mean: float
    error: float
    freedom: int  # degrees of freedom of the error; 0 if it is not known


def sample_of(values: F64) -> Sample | None:
    """Mean of independent values, float64 (N,); None with fewer than two."""
    if values.size < 2:
        return None
    return Sample(float(values.mean()), float(values.std(ddof=1)) / math.sqrt(values.size), values.size - 1)


def trimmed_sample_of(values: F64) -> Sample | None:
    """As sample_of, by the middle three fifths of the values: a few that lie far off do not count.

    Source: K. Yuen, Biometrika 61 (1974) 165: trimmed mean, with the winsorized variance for its error; from memory.
    """
    cut, ordered = values.size // 5, np.sort(values)
    kept = values.size - 2 * cut
    if kept < 2:
        return None
    winsorized = ordered.clip(ordered[cut], ordered[-cut - 1])
    squares = float(((winsorized - winsorized.mean()) ** 2).sum())
    error = math.sqrt(squares / (kept * (kept - 1)))
    return Sample(float(ordered[cut : values.size - cut].mean()), error, kept - 1)


def half_width(old: Sample, new: Sample, chance: float) -> float:
    """Half the width of the interval of a difference of two means.

    Args:
        chance: that the interval misses the true difference.

    Source: B. Welch, Biometrika 34 (1947) 28, with the degrees of freedom of F. Satterthwaite (1946); from memory.
    """
    square = old.error**2 + new.error**2
    if not square:
        return 0.0
    freedom = square**2 / (old.error**4 / old.freedom + new.error**4 / new.freedom)
    return student(chance, math.floor(freedom * (1 + 1e-12))) * math.sqrt(square)  # whole ones may come out just below


def change_of(
    what: str,
    unit: str,
    old: Sample | None,
    new: Sample | None,
    *,
    chance: float,
    tolerance: float,
    beside: float = 0.0,
) -> Figure:
    """A figure whose change is the difference of two means.

    Args:
        old, new: None if it was not seen; without an error nothing is judged.
        tolerance: a change that matters, either side of zero.
        beside: what the measurement may add to a difference, besides chance.
    """
    limits = (-tolerance, tolerance)
    if old is None or new is None or not old.freedom or not new.freedom:
        before, after = (None if one is None else one.mean for one in (old, new))
        return Figure(what, unit, before, after, None, None, None, limits)
    floor = half_width(old, new, chance) + beside
    change = new.mean - old.mean
    return Figure(what, unit, old.mean, new.mean, floor, change - floor, change + floor, limits)


@lru_cache(maxsize=4096)
def student(chance: float, freedom: int) -> float:
    """Quantile of Student's t that is exceeded, either side, with some chance.

    Args:
        freedom: degrees of freedom; fewer than one count as one, and more than 400 as 400.

    Source: M. Abramowitz, I. Stegun, Handbook of Mathematical Functions (1964), 26.7.3 and 26.7.4; from memory.
    """
    freedom = min(max(1, freedom), _FREEDOM_MOST)
    low, high = 0.0, 1.0
    while _outside(high, freedom) > chance:
        high *= 2
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (middle, high) if _outside(middle, freedom) > chance else (low, middle)
    return high


def _outside(t: float, freedom: int) -> float:
    """Chance of a t beyond, either side."""
    angle = math.atan(t / math.sqrt(freedom))
    cosine, is_odd = math.cos(angle), freedom % 2
    term = total = cosine if is_odd else 1.0
    for k in range(2 + is_odd, freedom - 1, 2):
        term *= cosine**2 * (k - 1) / k
        total += term
    total = total * math.sin(angle) if freedom > 1 else 0.0
    return 1 - (2 / math.pi * (angle + total) if is_odd else total)


def parts(count: int, *, least: int, most: int = 12, fewest: int = 6) -> list[slice]:
    """Even parts of a column, whose means are nearly independent; none where it is too short.

    Args:
        count: values of the column.
        least: values in a part at least.
    """
    number = min(most, count // least)
    if number < fewest:
        return []
    cuts = np.linspace(0, count, number + 1).round().astype(int).tolist()
    return [slice(start, stop) for start, stop in pairwise(cuts)]
