"""The beat of some frames: the figures of `timing`, and the histogram of the steps between frames."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from busbench.analysis.period import is_cut
from busbench.analysis.timing import Timing, timing
from busbench.model import I64, Clock, FrameTimes, WakeUps

BINS = 240
_BLOCK = 1 << 20


@dataclass(frozen=True, slots=True, eq=False)
class TimingFigures:
    """The beat of some frames.

    Args:
        figures: as `busbench timing` gives them.
        low_s, high_s: ends of the histogram.
        counts: steps in each of BINS equal parts, those beyond the ends in the outermost, int64 (BINS,);
            empty without a period.
        steps: how many steps were counted.
        scope: for people: which frames.
    """

    figures: Timing
    low_s: float
    high_s: float
    counts: I64
    steps: int
    scope: str


def look_at_beat(times: FrameTimes, *, clock: Clock, scope: str, wakes: Sequence[WakeUps] = ()) -> TimingFigures:
    """Measure the beat.

    Args:
        times: the frames.
        clock: the clock they came with.
        scope: for people: which frames these are.
        wakes: how late the computer was.
    """
    figures = timing(times, clock=clock, wakes=wakes)
    none = np.empty(0, np.int64)
    if figures.period_mean_s is None:
        return TimingFigures(figures, 0.0, 0.0, none, 0, scope)
    period_ns = figures.period_mean_s * 1e9
    low, high = _ends(figures, period_ns)
    counts, total = np.zeros(BINS, np.int64), 0
    cut = figures.jitter is not None and figures.jitter.of_cut
    for at in range(0, max(0, len(times) - 1), _BLOCK):
        part = slice(at, at + _BLOCK + 1)
        t_ns = times.t_ns[part]
        steps = np.diff(t_ns)
        keep = steps < 1.5 * period_ns  # what is longer is a missing frame, not a long period
        if cut:
            some = FrameTimes(t_ns, times.slack_ns[part], times.flags[part])
            pinned = is_cut(some)
            keep &= pinned[1:] & pinned[:-1]
        steps = steps[keep]
        place = np.clip(((steps - low) / (high - low) * BINS).astype(np.int64), 0, BINS - 1)
        counts += np.bincount(place, minlength=BINS)
        total += int(steps.size)
    return TimingFigures(figures, low / 1e9, high / 1e9, counts if total else none, total, scope)


def _ends(figures: Timing, period_ns: float) -> tuple[float, float]:
    """Ends of the histogram in ns: the middle 98 % with room on both sides, at least the floor's width."""
    jitter = figures.jitter
    if jitter is None:
        return period_ns * 0.5, period_ns * 1.5
    reach = max(
        abs(jitter.period_p01_s - figures_mean(figures)),
        abs(jitter.period_p99_s - figures_mean(figures)),
        jitter.floor_s,
        1e-6,
    )
    return period_ns - 1.6e9 * reach, period_ns + 1.6e9 * reach


def figures_mean(figures: Timing) -> float:
    """The mean period in seconds, 0 where there is none."""
    return figures.period_mean_s or 0.0
