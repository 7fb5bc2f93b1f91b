"""Find the frame period of a receiver, and number each frame on it.

A clock per byte gives the end of each frame. A clock per read gives the latest possible
end, and `read_slots` finds what can be known from that. Frames are numbered so that
missing ones leave holes.
"""

from __future__ import annotations

from dataclasses import dataclass
from weakref import WeakKeyDictionary

import numpy as np
from numpy.typing import NDArray

from busbench.analysis.read_slots import CUT_MIN, ReadSlots, number_reads
from busbench.analysis.stats import BLOCK
from busbench.errors import pluralize
from busbench.model import F64, I64, Bools, FrameTimes, remove_clock_steps
from busbench.wire.arrival_times import CUT_NS

UNCLEAR = "late frames and lost frames look alike here"
ADAPTER_NS = 20_000_000  # an adapter's latency timer and its transfer
PERIOD_MIN_NS, PERIOD_MAX_NS = 3e6, 100e6  # a frame takes 3 ms; slower lines are not this bus
_TRIED_NS = np.geomspace(PERIOD_MIN_NS, PERIOD_MAX_NS, 1400)
_COUNTABLE = 20  # max periods in a step that a trial period off by 0.25 % still counts right
_MEASURED = 1024  # steps looked at
_TRIED_AT_ONCE = 50
_TELLING = 0.1  # min share of steps that short
_EMPTY_COSTS = 0.4  # cost of all slots empty, relative to a complete misfit
_QUANTILE = 0.3  # share of intervals, if they have no common measure
_SILENT = 8  # max slots per frame
_SAMPLES = 1 << 15
_LOOK = 4  # frames evaluated on both sides of a place
# A mean deviation of a quarter of the period means frames at any phase.
_BLUR_MOST, _BLUR_LOSSES, _BLUR_CUT = 0.25, 0.15, 0.15
_LINE_BUSY_NS = 3.15e6
_DENSE = 0.9  # share of frames cut from which no timer decides which are cut
_TIMERS_NS = (4e6, 5e6, 8e6, 10e6, 15.625e6, 16e6)  # of adapters
_TUNED = 2e-4
_TIMER_BLUR, _TIMER_GAPS = 0.15, 0.02
# Random losses: the median change of their distance is near the median distance, but for chance among a few of them.
_EVEN_GAPS, _EVEN, _EVEN_CHANCE = 8, 0.4, 80


@dataclass(frozen=True, slots=True)
class Missing:
    """Places on the grid of periods where frames are missing, as columns of equal length, rising by row."""

    row: I64  # index of the frame after the place, int64 (H,)
    count: I64  # frames missing there, at least 1, int64 (H,)

    @staticmethod
    def none() -> Missing:
        """No missing frames."""
        return Missing(np.empty(0, np.int64), np.empty(0, np.int64))

    @property
    def total(self) -> int:
        """Total of missing frames."""
        return int(self.count.sum())

    def among(self, rows: NDArray[np.signedinteger]) -> Missing:
        """The same grid seen by some frames alone, by their rising rows (M,): the others are missing too."""
        if not self.row.size and rows.size and int(rows[-1]) - int(rows[0]) == rows.size - 1:
            return self
        before = np.concatenate([[0], np.cumsum(self.count)])
        number = rows + before[np.searchsorted(self.row, rows, "right")]
        count = np.diff(number) - 1
        at = np.flatnonzero(count)
        return Missing(at + 1, count[at])


@dataclass(frozen=True, slots=True)
class FrameNumbers:
    """Frames on their period."""

    period_ns: float
    missing: Missing  # where frames are missing
    is_clear: bool = True  # False if late frames and lost ones look alike, so that neither is known
    reads: ReadSlots | None = None  # fit of the reads to the period, None for a clock per byte

    @property
    def late_most_ns(self) -> float:
        """Max lateness of a frame, 0 for a clock per byte."""
        return 0.0 if self.reads is None else self.reads.late_most_ns

    @property
    def doubt(self) -> int:
        """Possible error of the count of missing frames."""
        return 0 if self.reads is None else self.reads.doubt


def explain_doubt(missing: int, doubt: int) -> str:
    """A clause for people if the count of missing frames may be off, else ""."""
    words = f"{pluralize(missing, 'frame')} missing, give or take {doubt}: some late and some lost frames look alike"
    return words if doubt else ""


def is_cut(times: FrameTimes) -> Bools:
    """True for each frame that a read cut, whose end is known to a character, bool (N,)."""
    return times.slack_ns <= CUT_NS


# Outages, timing and period of a recording ask one after another.
_numbered: WeakKeyDictionary[FrameTimes, FrameNumbers | None] = WeakKeyDictionary()


def number_frames(times: FrameTimes, *, period_ns: float | None = None, cut_min: int = CUT_MIN) -> FrameNumbers | None:
    """Find the period of the frames, and where frames are missing.

    Args:
        period_ns: the period, where it was found before.
        cut_min: from so many frames that a read cut, those alone are numbered.

    Returns:
        None with fewer than two frames, no lapse of time or no period of 3 to 100 ms.
    """
    if period_ns is not None or cut_min != CUT_MIN:
        return _number(times, period_ns, cut_min)
    if times not in _numbered:
        _numbered[times] = _number(times, None, cut_min)
    return _numbered[times]


def find_period(times: FrameTimes) -> float | None:
    """The period of the frames in ns; None without one, or if late and lost frames look alike."""
    found = number_frames(times)
    return found.period_ns if found is not None and found.is_clear else None


def _number(times: FrameTimes, period_ns: float | None, cut_min: int) -> FrameNumbers | None:
    if not times.slack_ns.any():
        period_ns = _exact_period(times.t_ns) if period_ns is None else period_ns
        return None if period_ns is None else FrameNumbers(period_ns, _exact_missing(times.t_ns, period_ns))
    cut = is_cut(times)
    found = number_reads(remove_clock_steps(times.t_ns), cut, period_ns=period_ns, cut_min=cut_min)
    if found is None:
        return None
    missing, is_dense = Missing(found.gap_row, found.gap_count), bool(np.count_nonzero(cut) / cut.size > _DENSE)
    is_clear = _is_clear(found, missing.row.size, len(times), is_dense=is_dense) and not _is_read_step(
        found, len(times)
    )
    return FrameNumbers(found.period_ns, missing, is_clear, found)


def _is_clear(found: ReadSlots, gaps: int, count: int, *, is_dense: bool) -> bool:
    """False if lateness hides which frames are missing, or if the period may be that of a timer."""
    most = _BLUR_CUT if found.by_cut else _BLUR_LOSSES if gaps else _BLUR_MOST
    is_timer = any(abs(found.period_ns / timer_ns - 1) < _TUNED for timer_ns in _TIMERS_NS)
    fits_timer = is_timer and not is_dense and found.blur < _TIMER_BLUR and gaps > _TIMER_GAPS * count
    # Frames of one read are placed as near as the line can carry them: not a period.
    is_line = found.period_ns < _LINE_BUSY_NS and not is_dense
    return found.is_alone and not is_line and found.blur <= most and not fits_timer


def _is_read_step(found: ReadSlots, count: int) -> bool:
    """True if the period may be a step of the reads: then all other slots look evenly lost."""
    rows = found.gap_row[found.gap_count == 1]
    if rows.size <= _EVEN_GAPS or rows[-1] - rows[0] < count / 2:
        return False
    apart = np.diff(rows)
    most = min(_EVEN, rows.size / _EVEN_CHANCE)  # random ones are below in 1 of 1,000 recordings
    return bool(np.median(np.abs(np.diff(apart))) < most * np.median(apart))


def _exact_period(t_ns: I64) -> float | None:
    """The period in ns, from exact times.

    The measure that all single steps have in common gives it roughly, with 30 %
    of the frames missing too; the mean over ever longer steps sharpens it, each
    short enough to be counted in whole periods by the one before.
    """
    rough, lag = 0.0, 1
    while lag < t_ns.size and (lag == 1 or lag <= t_ns.size // 2):
        first = np.arange(0, t_ns.size - lag, -(-(t_ns.size - lag) // _SAMPLES))
        step = t_ns[first + lag] - t_ns[first]
        step = step[step > 0]
        if not step.size:
            return rough or None
        if lag == 1:
            if step.min() > PERIOD_MAX_NS:
                return None
            rough = _common_measure(step) or float(np.quantile(step, _QUANTILE, method="lower"))
        slots = np.maximum(np.rint(step / rough), lag)
        # A long silence must not influence the period.
        near = (np.abs(step - slots * rough) < 0.3 * rough) & (slots <= _SILENT * lag)
        if near.any():
            rough = float(step[near].sum() / slots[near].sum())
        lag *= 4
    return rough or None


def _common_measure(step: I64) -> float:
    """The rough period of which the steps are whole multiples, in ns; 0 without one.

    Fractions of it divide the steps as well, but they leave more slots empty: of
    two that fit alike the fuller one is it.

    Args:
        step: times between neighbouring frames, int64 (M,).
    """
    some = step[:: -(-step.size // _MEASURED)].astype(np.float64)
    score = np.empty(_TRIED_NS.size)
    for at in range(0, score.size, _TRIED_AT_ONCE):
        slots = some / _TRIED_NS[at : at + _TRIED_AT_ONCE, None]
        near = slots < _COUNTABLE
        whole = np.rint(slots)
        fits = np.cos(2 * np.pi * (slots - whole)) * (near & (whole >= 1))
        told = near.sum(1).clip(1)
        empty = 1 - near.sum(1) / (near * whole).sum(1).clip(1)
        score[at : at + _TRIED_AT_ONCE] = np.where(
            told > _TELLING * some.size, fits.sum(1) / told - _EMPTY_COSTS * empty.clip(0), 0.0
        )
    best = int(score.argmax())
    return float(_TRIED_NS[best]) if score[best] > 0 else 0.0


def _exact_missing(t_ns: I64, period_ns: float) -> Missing:
    """Where frames are missing, from the earliest of the next few frames against the earliest of the last few."""
    found = []
    for start in range(0, t_ns.size - 1, BLOCK):
        found.append(np.flatnonzero(np.diff(t_ns[start : start + BLOCK + 1]) > 1.5 * period_ns) + start)
    at = np.concatenate([*found, np.empty(0, np.int64)])
    count = _count_missing(t_ns, at, period_ns)
    return Missing(at[count > 0] + 1, count[count > 0])


def _count_missing(t_ns: I64, at: I64, period_ns: float) -> I64:
    """Frames missing after each frame `at`, int64 (H,); 0 if the next frame was only late."""
    if not at.size:
        return at
    lowest = np.concatenate([[0], at[:-1] + 1])  # frames between this place and the place before
    highest = np.concatenate([at[1:], [t_ns.size - 1]])  # and the place after

    def lag(row: I64) -> F64:
        return (t_ns[row] - t_ns[at]) / period_ns - (row - at)

    before = np.min([lag(np.maximum(at - back, lowest)) for back in range(_LOOK)], axis=0)
    behind = np.min([lag(np.minimum(at + 1 + ahead, highest)) for ahead in range(_LOOK)], axis=0)
    count: I64 = np.maximum(np.rint(behind - before), 0).astype(np.int64)
    return count
