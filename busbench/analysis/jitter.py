"""Figures of jitter from the ends of frames: periods, changes between them, time error, MTIE.

Definitions: period jitter is the deviation of a period from the mean period,
cycle-to-cycle jitter the change between adjacent periods (JEDEC JESD65B,
attribution from memory); the time error (TIE) is taken against the best line
through all frames; MTIE by ITU-T G.810.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from busbench.analysis.frame_ends import I32, Errors, FrameEnds
from busbench.analysis.jitter_range import JitterRange, Kind
from busbench.analysis.mtie import mtie
from busbench.analysis.period import Missing
from busbench.analysis.stats import BLOCK, Spread, dot, quantiles, spread
from busbench.model import I64

_FILL_SLOTS = 64  # holes shorter than this are bridged when time errors are put on an even grid


@dataclass(frozen=True, slots=True)
class Jitter:
    """The jitter of a frame period, in seconds. All figures except the range include adapter and computer.

    Args:
        period_median_s, period_sd_s, period_min_s, period_max_s, period_p01_s, period_p99_s: of the frame periods.
        period_rms_s, period_peak_s, period_pp_s: deviations of periods from their mean.
        cycle_rms_s, cycle_peak_s: changes between adjacent periods, None with fewer than two.
        tie_rms_s, tie_pp_s: time error against the best line.
        mtie_s: pairs of window and value.
        lag1: autocorrelation of adjacent periods, None if unknown.
        kind: "figure" if the range is narrow, else "at most".
        period_low_s, period_high_s: bounds of the receiver's own period jitter, rms.
        hides_s: jitter that a grid of reads can hide.
        grid_s: the step of that grid, 0 if none was found.
        of_cut: True if the figures are those of frames that a read cut.
    """

    period_median_s: float
    period_sd_s: float
    period_min_s: float
    period_max_s: float
    period_p01_s: float
    period_p99_s: float
    period_rms_s: float
    period_peak_s: float
    period_pp_s: float
    cycle_rms_s: float | None
    cycle_peak_s: float | None
    tie_rms_s: float
    tie_pp_s: float
    mtie_s: tuple[tuple[float, float], ...]
    lag1: float | None
    kind: Kind
    period_low_s: float
    period_high_s: float
    hides_s: float
    grid_s: float
    of_cut: bool

    @property
    def floor_s(self) -> float:
        """How far the true rms of the period jitter may be from the measured one."""
        return max(self.period_high_s - self.period_rms_s, self.period_rms_s - self.period_low_s)


def jitter_of(x: FrameEnds, found: JitterRange, periods: I32, error: Errors) -> Jitter:
    """All figures of at least two periods; their time errors are written over."""
    p, holes = spread(periods), x.missing
    low, middle, high = quantiles(periods, (0.01, 0.5, 0.99))
    cycle, tie, mean_ns = _cycle(periods, holes), spread(error), x.mean_ns
    return Jitter(
        period_median_s=middle / 1e9,
        period_sd_s=p.sd / 1e9,
        period_min_s=p.low / 1e9,
        period_max_s=p.high / 1e9,
        period_p01_s=low / 1e9,
        period_p99_s=high / 1e9,
        period_rms_s=found.rms / 1e9,
        period_peak_s=max(p.high - p.mean, p.mean - p.low) / 1e9,
        period_pp_s=(p.high - p.low) / 1e9,
        cycle_rms_s=None if cycle is None else cycle[0] / 1e9,
        cycle_peak_s=None if cycle is None else cycle[1] / 1e9,
        tie_rms_s=tie.rms / 1e9,
        tie_pp_s=(tie.high - tie.low) / 1e9,
        mtie_s=tuple((n * mean_ns / 1e9, value / 1e9) for n, value in mtie(_even_runs(error, holes))),
        lag1=_lag1(periods, holes, p),
        kind=found.kind,
        period_low_s=found.low / 1e9,
        period_high_s=found.high / 1e9,
        hides_s=found.grid.hides_ns / 1e9,
        grid_s=found.grid.step_ns / 1e9,
        of_cut=found.way in ("cut", "blocks"),
    )


def _apart(holes: Missing) -> I64:
    """Indices of the periods before a hole: the next one in the list is not adjacent."""
    return holes.row - np.arange(holes.row.size) - 2


def _lag1(periods: I32, holes: Missing, p: Spread) -> float | None:
    """Lag-1 autocorrelation of adjacent periods, without the pairs across holes."""
    apart = np.unique(_apart(holes))
    apart = apart[(apart >= 0) & (apart < periods.size - 1)]
    pairs = periods.size - 1 - apart.size
    if p.lag1 is None or not apart.size or not pairs:
        return p.lag1 if pairs else None
    across = float(np.sum((periods[apart] - p.mean) * (periods[apart + 1] - p.mean)))
    return (p.lag1 - across / (p.rms**2 * p.count)) * (periods.size - 1) / pairs


def _cycle(periods: I32, holes: Missing) -> tuple[float, float] | None:
    """rms and peak of the changes between adjacent periods, ns."""
    apart = _apart(holes)
    squares, peak, count = 0.0, 0.0, 0
    for at in range(0, periods.size - 1, BLOCK):
        part = np.diff(periods[at : at + BLOCK + 1]).astype(np.float64)
        here = apart[np.searchsorted(apart, at) : np.searchsorted(apart, at + part.size)]
        part = np.delete(part, here - at) if here.size else part
        if part.size:
            squares, count = squares + dot(part, part), count + part.size
            peak = max(peak, float(np.abs(part).max()))
    return (math.sqrt(squares / count), peak) if count else None


def _even_runs(error: Errors, holes: Missing) -> Iterator[Errors]:
    """Time errors on an even grid: short holes hold the value before, long ones end a run."""
    is_long = holes.count > _FILL_SLOTS
    for start, stop in pairwise([0, *holes.row[is_long].tolist(), error.size]):
        run = error[start:stop]
        inside = slice(*np.searchsorted(holes.row, [start + 1, stop]).tolist())
        if inside.start < inside.stop:
            row, count = holes.row[inside] - start, holes.count[inside]
            run = np.insert(run, row.repeat(count), run[row - 1].repeat(count))
        yield run
