"""Lateness of the computer during a recording, from the log of its port process."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from busbench.line import WAKE_EDGES_US, WakeUps

_COVERED = 0.9  # share of a recording's seconds that must be logged
_SECOND_NS = 1_000_000_000
_NORMAL = 3.0  # kurtosis of a normal distribution


@dataclass(frozen=True, slots=True)
class HostLateness:
    """Lateness of a process at the wake-ups of its own timer."""

    count: int  # number of wake-ups
    most_ns: float  # max lateness, inf if beyond all classes
    variance_ns2: float  # upper estimate of the variance of its lateness


def host_lateness(wakes: Sequence[WakeUps], *, first_ns: int, last_ns: int) -> HostLateness | None:
    """Sum up what was written down, None if that does not cover the time from the first frame to the last."""
    inside = [one for one in wakes if first_ns <= one.t_ns <= last_ns + 2 * _SECOND_NS]
    if not inside or len(inside) < _COVERED * (last_ns - first_ns) / _SECOND_NS:
        return None
    count = np.sum([one.counts for one in inside], axis=0).astype(np.float64)
    low = np.array([0, *WAKE_EDGES_US]) * 1e3
    high = np.array([*WAKE_EDGES_US, np.inf]) * 1e3
    last = int(np.flatnonzero(count)[-1]) if count.any() else 0
    total = float(count.sum())
    if not total or not math.isfinite(high[last]):
        return HostLateness(int(total), math.inf, math.inf) if total else None
    low, high, count = low[: last + 1], high[: last + 1], count[: last + 1]
    middle = (low + high) / 2
    mean = float(count @ middle) / total
    # Each wake-up as far from the mean as its class allows.
    far = np.maximum(np.abs(low - mean), np.abs(high - mean))
    variance = float(count @ far**2) / total
    kurtosis = max(_NORMAL, float(count @ far**4) / total / variance**2)
    return HostLateness(int(total), float(high[-1]), variance * (1 + 3 * math.sqrt((kurtosis - 1) / total)))
