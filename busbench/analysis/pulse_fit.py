"""Which channel a pulse output follows, by what scale, and which frame each of its pulses obeys.

An output obeys the last frame that ended some time before the pulse begins. That delay is searched together with the
channel; then it is narrowed to what all widths together allow. Method: ordinary least squares of the width on the
counts of that frame.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from busbench.model import F64, I64, Bools
from busbench.wire.frame_spec import CHANNELS
from busbench.wire.scale import Scale
from busbench.wire.table import FrameTable

CENTRE_COUNTS = 992.0
PULSES_LEAST = 20
SPAN_COUNTS = 100  # a channel must move so far to be distinguished from the others
LATEST_NS = 200_000_000  # an older frame is not what a pulse follows
_STEPS = 4  # delays tried per frame period
_AT_ONCE = 16  # delays tried before the search may end
_TRIED_MOST = 4096  # pulses by which channel and delay are searched
_OUTLIER, _OUTLIER_LEAST_US, _OUTLIER_STEPS = 6.0, 0.5, 1.5  # times the median deviation; but no less
_OUTLIERS_MOST = 0.02
_CORRELATED, _ROUGHLY = 0.98, 0.8  # of widths and counts; as long as the delay is known to a step only
_ALIKE, _ALIKE_US = 1.2, 0.05  # of the best residual: a fit within explains the widths as well
_OUTLIERS_ALIKE = 2
_ROUNDS = 3  # of delay and line in turn
_NEAR = 3  # frames about the one found first
Rows = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Fit:
    """The straight line from counts to pulse width."""

    channel: int  # 1-16 that the output follows
    also: tuple[int, ...]  # other channels that fit equally well
    centre_us: float  # width at CENTRE_COUNTS
    us_per_count: float  # slope, below 0 if the output runs against the channel
    us_per_count_se: float  # standard error of the slope
    residual_us: float  # rms deviation of the widths from the line
    worst_us: float
    lag_frames: int  # frames that mostly end between the frame that a pulse obeys and the pulse
    outliers: int
    min_counts: int  # min_counts, max_counts: range in which the line was measured
    max_counts: int
    is_centre_known: bool = True  # False if an even move leaves the delay open, and with it the centre

    @property
    def scale(self) -> Scale | None:
        """The receiver's scale; None if the output runs against the channel, or its centre is not known."""
        is_known = self.us_per_count > 0 and self.is_centre_known
        return Scale(CENTRE_COUNTS, self.centre_us, self.us_per_count) if is_known else None

    @property
    def known_centre_us(self) -> float | None:
        """Width at CENTRE_COUNTS; None if it is not known."""
        return self.centre_us if self.is_centre_known else None

    def width_us(self, counts: float) -> float:
        """Width on the line at some counts."""
        return float(self.widths_us(np.array(counts)))

    def widths_us(self, counts: NDArray[np.generic]) -> F64:
        """Widths on the line, float64, of counts of the same shape."""
        made: F64 = self.centre_us + self.us_per_count * (counts.astype(np.float64) - CENTRE_COUNTS)
        return made


@dataclass(frozen=True, slots=True, eq=False)
class Obeyed:
    """What an output follows."""

    fit: Fit  # the line
    tolerance_us: float  # a width within so much of the line fits it
    # low_ns, high_ns: a pulse obeys the last frame that ended longer before it than a delay, which is in this range
    low_ns: int
    high_ns: int
    is_even: bool  # True if a shifted delay explains the widths as well, as with a channel that only ramps evenly


def follow(begin_ns: I64, width_us: F64, frames: FrameTable, *, step_us: float = 0.0) -> tuple[Obeyed | None, str]:
    """The channel and delay whose counts explain the widths best.

    Args:
        begin_ns, width_us: of each pulse.
        frames: of the bus beside it, on the same clock.
        step_us: step of all times.

    Returns:
        None if no channel was found; and for people, what is in doubt, or "".
    """
    if len(frames) < 2:
        return None, "the bus has too few frames"
    least_us = max(_OUTLIER_LEAST_US, _OUTLIER_STEPS * step_us)
    period_ns = float(np.median(np.diff(frames.t_ns)))
    step_ns = max(1, round(period_ns / _STEPS))
    some = slice(None, None, -(-begin_ns.size // _TRIED_MOST))
    fits: list[tuple[int, Fit]] = []
    has_moved, tried, rows = False, 0, np.empty(0, np.int64)
    for delay_ns in range(0, LATEST_NS, step_ns):
        before, (rows, good) = rows, obeyed_rows(begin_ns[some], frames, delay_ns)
        if np.count_nonzero(good) < PULSES_LEAST:
            break
        tried += 1
        if np.array_equal(before, rows):
            continue
        for channel in _moved(frames, rows[good]):
            has_moved = True
            counts = frames.channels[rows[good], channel - 1].astype(np.float64)
            fit = _fit(channel, counts, width_us[some][good], least_us=least_us, correlated=_ROUGHLY)
            if fit is not None:
                fits.append((delay_ns, fit))
        if fits and tried >= _AT_ONCE and _best(fits)[0][0] <= delay_ns - 2 * _STEPS * step_ns:
            break
    if not fits:
        moved = "it follows no channel that moved"
        return None, moved if has_moved else "no channel moved: move its control while recording"
    (delay_ns, best), near = _best(fits)
    if delay_ns >= LATEST_NS - (_STEPS + 1) * step_ns:
        return None, f"it follows channel {best.channel} by {LATEST_NS / 1e9:g} s or more: later is not searched"
    also = tuple(sorted({fit.channel for _, fit in near} - {best.channel}))
    far_ns = (2 * _STEPS - 1) * step_ns
    same = [one for one in near if one[1].channel == best.channel]
    is_even = any(abs(at_ns - delay_ns) >= far_ns for at_ns, _ in same)
    # A ramp that is late looks like one at another centre; a channel that jumps seldom has one centre at any delay.
    is_centre_known = not is_even or float(np.ptp([fit.centre_us for _, fit in same])) <= least_us
    found = _narrowed(begin_ns, width_us, frames, best, delay_ns, least_us=least_us, is_even=is_even)
    if found is None:
        return None, "it follows no channel that moved"
    note = f"channel {', '.join(map(str, also))} moved alike: move one control at a time" if also else ""
    return replace(found, fit=replace(found.fit, also=also, is_centre_known=is_centre_known)), note


def obeyed_rows(begin_ns: I64, frames: FrameTable, delay_ns: int) -> tuple[Rows, Bools]:
    """Row of the last frame that ended by delay_ns or more before each pulse, and whether its values are obeyed."""
    rows = np.searchsorted(frames.t_ns, begin_ns - delay_ns, "right") - 1
    good = rows >= 0
    rows = np.maximum(rows, 0)
    good &= (begin_ns - frames.t_ns[rows] < LATEST_NS) & frames.is_sound[rows]
    return rows, good


def _best(fits: list[tuple[int, Fit]]) -> tuple[tuple[int, Fit], list[tuple[int, Fit]]]:
    """The delay and fit that explain most, and all that explain as much."""
    most_us = _ALIKE * min(fit.residual_us for _, fit in fits) + _ALIKE_US
    near = [one for one in fits if one[1].residual_us <= most_us]
    # Of a channel that jumps and rests, every delay explains the rests: what it leaves out are the jumps.
    most = min(fit.outliers for _, fit in near) + _OUTLIERS_ALIKE
    near = [one for one in near if one[1].outliers <= most]
    return min(near, key=lambda one: (one[1].residual_us, one[0])), near


def _moved(frames: FrameTable, rows: Rows) -> Iterator[int]:
    """Channels, 1-16, that moved far enough to be distinguished."""
    counts = frames.channels[rows]
    span = counts.max(axis=0).astype(np.int64) - counts.min(axis=0)
    return (channel for channel in range(1, CHANNELS + 1) if span[channel - 1] >= SPAN_COUNTS)


def _narrowed(
    begin_ns: I64, width_us: F64, frames: FrameTable, fit: Fit, delay_ns: int, *, least_us: float, is_even: bool
) -> Obeyed | None:
    """Delay and line by all pulses, each found by means of the other in turn; None if they do not fit in the end."""
    low_ns = high_ns = delay_ns
    tolerance_us = 0.0
    for _ in range(_ROUNDS):
        middle = obeyed_rows(begin_ns, frames, (low_ns + high_ns) // 2)[0]
        rows = middle + np.arange(-_NEAR, _NEAR + 1)[:, None]
        there = (rows >= 0) & (rows < len(frames) - 1) & (frames.t_ns[np.clip(rows, 0, len(frames) - 1)] <= begin_ns)
        rows = np.clip(rows, 0, len(frames) - 2)
        off_us = np.abs(fit.widths_us(frames.channels[rows, fit.channel - 1]) - width_us)
        tolerance_us = _tolerance(off_us[_NEAR], least_us)
        fits = there & (off_us <= tolerance_us) & frames.is_sound[rows]
        if (is_clear := fits.any(axis=0) & (there & ~fits).any(axis=0)).any():
            at = np.nonzero(fits[:, is_clear])
            known = rows[:, is_clear][at]
            begins = begin_ns[is_clear][at[1]]
            low_ns, high_ns = _most_common(begins - frames.t_ns[known + 1], begins - frames.t_ns[known])
        row, good = obeyed_rows(begin_ns, frames, (low_ns + high_ns) // 2)
        counts = frames.channels[row[good], fit.channel - 1].astype(np.float64)
        found = _fit(fit.channel, counts, width_us[good], least_us=least_us)
        if found is None:
            return None
        between = np.searchsorted(frames.t_ns, begin_ns[good], "right") - 1 - row[good]
        fit = replace(found, lag_frames=int(np.median(between)))
    return Obeyed(fit, tolerance_us, low_ns, high_ns, is_even)


def _tolerance(off_us: F64, least_us: float) -> float:
    return max(_OUTLIER * float(np.median(off_us)), least_us)


def _most_common(low_ns: I64, high_ns: I64) -> tuple[int, int]:
    """Where most of the ranges (low, high] overlap, from 0 on."""
    low_ns, high_ns = np.sort(np.maximum(low_ns, -1)), np.sort(high_ns)
    ends = np.unique(np.concatenate([low_ns, high_ns]))
    inside = np.searchsorted(low_ns, ends, "right") - np.searchsorted(high_ns, ends, "right")
    at = np.flatnonzero(inside == inside.max())
    return int(ends[at[0]]) + 1, int(ends[min(at[-1] + 1, ends.size - 1)])


def _fit(channel: int, counts: F64, width_us: F64, *, least_us: float, correlated: float = _CORRELATED) -> Fit | None:
    """Least squares, and once more without outliers; None if counts do not explain the widths."""
    keep = np.ones(counts.size, np.bool_)
    for _ in range(2):
        x, y = counts[keep] - CENTRE_COUNTS, width_us[keep]
        spread = x - x.mean()
        square = float((spread * spread).sum())
        if not square or not np.ptp(y):
            return None
        slope = float((spread * (y - y.mean())).sum()) / square
        level = float(y.mean() - slope * x.mean())
        off = np.abs(width_us - level - slope * (counts - CENTRE_COUNTS))
        # A few may be false: where it is more, the channel or the delay is the wrong one.
        good = off <= _tolerance(off, least_us)
        if np.count_nonzero(~good) > _OUTLIERS_MOST * good.size or good.all():
            break
        keep = good
    x, y = counts[keep] - CENTRE_COUNTS, width_us[keep]
    spread, residual = x - x.mean(), y - level - slope * x
    total = y - y.mean()
    if float((residual**2).sum()) > (1 - correlated**2) * float((total**2).sum()):
        return None
    freedom = max(1, x.size - 2)
    error = math.sqrt(float((residual**2).sum()) / freedom / float((spread**2).sum()))
    return Fit(
        channel, (), level, slope, error, float(np.sqrt((residual**2).mean())), float(np.abs(residual).max()), 0,
        int(keep.size - np.count_nonzero(keep)), int(counts.min()), int(counts.max()),
    )  # fmt: skip
