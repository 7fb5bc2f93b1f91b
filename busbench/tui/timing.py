"""The timing of some frames: the figures of `timing`, the histogram of their periods, and the periods over time."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from busbench.analysis.jitter import Jitter
from busbench.analysis.period import is_cut
from busbench.analysis.timing import Timing, timing
from busbench.line import WakeUps
from busbench.model import I64, Clock, FrameTimes

SLOTS = 240  # of the time, each with its shortest and longest period
_QUANTA = 1 << 16  # in which periods are counted, at most
_BLOCK = 1 << 20
_LONGEST = 1.5  # periods: what is longer holds a missing frame


@dataclass(frozen=True, slots=True, eq=False)
class TimingFigures:
    """The timing of some frames."""

    figures: Timing  # as `busbench timing` gives them
    low_ns: int  # start of the histogram
    quantum_ns: int  # width of a quantum, a multiple of the clock's resolution
    counts: I64  # periods in each quantum, int64 (Q,); empty without a period
    shorter: int  # shorter, longer: periods before the first quantum and after the last
    longer: int
    first_ns: int  # first_ns, last_ns: times between which the periods lie
    last_ns: int
    # lows_ns, highs_ns: min and max period in each of SLOTS equal parts of that time, -1 for none, int64 (SLOTS,)
    lows_ns: I64
    highs_ns: I64
    scope: str  # for people: which frames

    @property
    def steps(self) -> int:
        """How many periods were counted."""
        return int(self.counts.sum()) + self.shorter + self.longer

    def histogram(self, width: int) -> tuple[I64, I64]:
        """Periods in equal bins, as many as fit, each of whole quanta: none holds more steps of the clock than another.

        Args:
            width: bins at most.

        Returns:
            Edges in ns, int64 (bins + 1,), and counts, int64 (bins,).
        """
        each = max(1, -(-self.counts.size // width))
        bins = -(-self.counts.size // each)
        edges = self.low_ns + np.arange(bins + 1, dtype=np.int64) * each * self.quantum_ns
        return edges, np.pad(self.counts, (0, bins * each - self.counts.size)).reshape(bins, each).sum(axis=1)


def look_at_timing(times: FrameTimes, *, clock: Clock, scope: str, wakes: Sequence[WakeUps] = ()) -> TimingFigures:
    """Measure the timing.

    Args:
        scope: for people: which frames these are.
        wakes: how late the computer was.
    """
    figures = timing(times, clock=clock, wakes=wakes)
    none = np.empty(0, np.int64)
    if figures.period_mean_s is None:
        return TimingFigures(figures, 0, 1, none, 0, 0, 0, 0, none, none, scope)
    most_ns = _LONGEST * figures.period_mean_s * 1e9
    low, quantum, size = _quanta(figures.period_mean_s, figures.jitter, resolution_ns=max(1, clock.resolution_ns))
    counts, shorter, longer = np.zeros(size, np.int64), 0, 0
    only_cut = figures.jitter is not None and figures.jitter.of_cut
    first, last = int(times.t_ns[0]), int(times.t_ns[-1])
    bounds = np.searchsorted(times.t_ns, first + np.arange(SLOTS + 1) * (last - first) // SLOTS)
    none_yet = np.iinfo(np.int64).max
    lows, highs = np.full(SLOTS, none_yet, np.int64), np.full(SLOTS, -1, np.int64)
    for at in range(0, max(0, len(times) - 1), _BLOCK):
        rows, periods = _periods(times, at, at + _BLOCK + 1, most_ns=most_ns, only_cut=only_cut)
        slots = np.clip(np.searchsorted(bounds, rows, "right") - 1, 0, SLOTS - 1)
        begins = np.flatnonzero(np.diff(slots, prepend=-1))
        if begins.size:
            here = slots[begins]
            lows[here] = np.minimum(lows[here], np.minimum.reduceat(periods, begins))
            highs[here] = np.maximum(highs[here], np.maximum.reduceat(periods, begins))
        bins = (periods - low) // quantum
        shorter, longer = shorter + int((bins < 0).sum()), longer + int((bins >= size).sum())
        counts += np.bincount(bins[(bins >= 0) & (bins < size)], minlength=size)
    lows[highs < 0] = -1
    return TimingFigures(figures, low, quantum, counts, shorter, longer, first, last, lows, highs, scope)


def _periods(times: FrameTimes, first: int, stop: int, *, most_ns: float, only_cut: bool) -> tuple[I64, I64]:
    """Periods between the rows [first, stop), without those that hold a missing frame, and the row before each."""
    part = slice(first, stop)
    t_ns = times.t_ns[part]
    periods = np.diff(t_ns)
    keep = periods < most_ns
    if only_cut:
        pinned = is_cut(FrameTimes(t_ns, times.slack_ns[part], times.flags[part]))
        keep &= pinned[1:] & pinned[:-1]
    return first + np.flatnonzero(keep), periods[keep]


def _quanta(period_s: float, jitter: Jitter | None, *, resolution_ns: int) -> tuple[int, int, int]:
    """Start in ns, width in ns and count of the quanta: 1st to 99th percentile with room, at least the floor's reach.

    Edges lie between the steps of the clock.
    """
    reach_s = period_s / 2
    if jitter is not None:
        ends = abs(jitter.period_p01_s - period_s), abs(jitter.period_p99_s - period_s)
        reach_s = 1.6 * max(*ends, jitter.floor_s, 1e-6)
    low, high = (period_s - reach_s) * 1e9, (period_s + reach_s) * 1e9
    quantum = resolution_ns * max(1, -(-int(high - low) // (resolution_ns * _QUANTA)))
    start = int(low // resolution_ns) * resolution_ns - resolution_ns // 2
    return start, quantum, max(1, -(-int(high - start) // quantum))
