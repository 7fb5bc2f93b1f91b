"""The period of a receiver, found by itself, and the number of each frame on its beat.

A clock a byte tells times. A clock a read tells bounds: where an adapter hands
over several frames at once their stamps say little, and only the frames that a
read cut through ("pinned") have a time. Frames are numbered so that missing
ones leave holes.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from busbench.analysis.stats import BLOCK
from busbench.model import F64, I64, Bools, FrameTimes

PINNED_NS = 240_000  # two characters: a read ended inside the frame
BATCHED_SHARE = 0.05  # of frames that share their read with the one before, or are cut by a read
NEARLY_ALL = 0.9  # the few others are late stamps among times
ADAPTER_NS = 20_000_000  # an adapter's latency timer and its transfer
PERIOD_MIN_NS, PERIOD_MAX_NS = 3e6, 100e6  # a frame takes 3 ms; slower is no beat
_TRIED_NS = np.geomspace(PERIOD_MIN_NS, PERIOD_MAX_NS, 1400)
_COUNTABLE = 20  # periods in a step that a trial a quarter of a percent off still counts
_MEASURED = 1024  # steps looked at
_TRIED_AT_ONCE = 50
_TELLING = 0.1  # of these at least must be that short
_EMPTY_COSTS = 0.4  # of a whole misfit, were all slots empty
_QUANTILE = 0.3  # of the intervals, where stamps are no times
_SILENT = 8  # times as many slots as frames
_SAMPLES = 1 << 15
_LOOK = 4  # stamps looked at on both sides of a place


def is_pinned(times: FrameTimes) -> Bools:
    """True for each frame whose time is known to two characters, bool (N,)."""
    return times.slack_ns <= PINNED_NS


def is_batched(times: FrameTimes) -> bool:
    """True where an adapter's buffer decides when reads return: they hold several frames, or cut some."""
    if not times.slack_ns.any():
        return False  # a clock a byte
    shared = cut = 0
    for start in range(0, len(times), BLOCK):
        part = times.t_ns[start : start + BLOCK + 1]
        shared += int(np.count_nonzero(part[1:] == part[:-1]))
        cut += int(np.count_nonzero(times.slack_ns[start : start + BLOCK] <= PINNED_NS))
    return shared > BATCHED_SHARE * len(times) or cut > BATCHED_SHARE * len(times)


def _anchors(times: FrameTimes) -> I64 | None:
    """Rows whose stamps are times; None where all are."""
    if not is_batched(times):
        return None
    pinned = is_pinned(times)
    count = int(np.count_nonzero(pinned))
    if count > NEARLY_ALL * len(times):
        return None
    rows = np.flatnonzero(pinned)
    if count >= 3:
        return rows
    # No read cut a frame: the last frame of each read is the best there is.
    return np.append(np.flatnonzero(np.diff(times.t_ns)), len(times) - 1)


def find_period(times: FrameTimes) -> float | None:
    """Find the period of the frames.

    The measure that all single steps have in common gives it roughly, with 30 %
    of the frames missing too; the mean over ever longer steps sharpens it, each
    short enough to be counted in whole periods by the one before.

    Args:
        times: the frames.

    Returns:
        The period in ns, None with fewer than two frames, no lapse of time or none within 0.1 s.
    """
    rows = _anchors(times)
    size = len(times) if rows is None else rows.size
    is_timed = rows is None or bool(is_pinned(times)[rows[:1]].all())
    rough, lag = 0.0, 1
    while lag < size and (lag == 1 or lag <= size // 2):
        first = np.arange(0, size - lag, -(-(size - lag) // _SAMPLES))
        if rows is None:
            step, count = times.t_ns[first + lag] - times.t_ns[first], np.full(first.size, lag)
        else:
            step = times.t_ns[rows[first + lag]] - times.t_ns[rows[first]]
            count = rows[first + lag] - rows[first]
        step, count = step[step > 0], count[step > 0]
        if not step.size:
            return rough or None
        if lag == 1:
            if (step / count).min() > PERIOD_MAX_NS:
                return None
            # Without times, stamps follow the adapter's beat: only their mean distance tells.
            rough = _common_measure(step, count) if is_timed else 0.0
            rough = rough or float(np.quantile(step / count, _QUANTILE, method="lower"))
        slots = np.maximum(np.rint(step / rough), count)
        # A long silence is counted by the period, it must not make it.
        near = (np.abs(step - slots * rough) < 0.3 * rough) & (slots <= _SILENT * count)
        if near.any():
            rough = float(step[near].sum() / slots[near].sum())  # lateness cancels from step to step
        lag *= 4
    return rough or None


def _common_measure(step: I64, count: I64) -> float:
    """The period of which the steps are whole multiples, roughly, in ns; 0 where there is none.

    Fractions of it divide the steps as well, and so may the adapter's beat, but
    they leave more slots empty: of two that fit alike the fuller one is it.

    Args:
        step: times between neighbouring stamps, int64 (M,).
        count: frames from one to the other: as many periods at the least, int64 (M,).
    """
    apart = -(-step.size // _MEASURED)
    step, count = step[::apart].astype(np.float64), count[::apart]
    score = np.empty(_TRIED_NS.size)
    for at in range(0, score.size, _TRIED_AT_ONCE):
        slots = step / _TRIED_NS[at : at + _TRIED_AT_ONCE, None]
        near = slots < _COUNTABLE
        whole = np.rint(slots)
        fits = np.cos(2 * np.pi * (slots - whole)) * (near & (whole >= count))
        told = near.sum(1).clip(1)
        empty = 1 - (near * count).sum(1) / (near * whole).sum(1).clip(1)
        score[at : at + _TRIED_AT_ONCE] = np.where(
            told > _TELLING * step.size, fits.sum(1) / told - _EMPTY_COSTS * empty.clip(0), 0.0
        )
    best = int(score.argmax())
    return float(_TRIED_NS[best]) if score[best] > 0 else 0.0


@dataclass(frozen=True, slots=True)
class Missing:
    """Places on the beat where frames are missing, as columns of equal length, rising by row.

    Args:
        row: index of the frame behind the place, int64 (H,).
        count: frames missing there, at least 1, int64 (H,).
    """

    row: I64
    count: I64

    @property
    def total(self) -> int:
        """All frames missing."""
        return int(self.count.sum())

    def among(self, rows: NDArray[np.signedinteger]) -> Missing:
        """The same beat seen by some frames alone: the others are missing too.

        Args:
            rows: indices of those frames, rising, (M,).
        """
        if not self.row.size and rows.size and int(rows[-1]) - int(rows[0]) == rows.size - 1:
            return self
        before = np.concatenate([[0], np.cumsum(self.count)])
        number = rows + before[np.searchsorted(self.row, rows, "right")]
        count = np.diff(number) - 1
        at = np.flatnonzero(count)
        return Missing(at + 1, count[at])


def find_missing(times: FrameTimes, period_ns: float) -> Missing:
    """Find where frames are missing on the beat, and how many.

    Stamps may be late, never early: a place counts what the earliest of the
    stamps behind it says against the earliest of those before it.

    Args:
        times: the frames.
        period_ns: their period.
    """
    rows = _anchors(times)
    if rows is None:
        at = _long_steps(times.t_ns, period_ns)
        count = _count_missing(times.t_ns, None, at, period_ns)
        return Missing(at[count > 0] + 1, count[count > 0])
    t_ns = times.t_ns[rows]
    slack = 0.0 if times.slack_ns[rows].max(initial=0) <= PINNED_NS else ADAPTER_NS / period_ns
    at = np.flatnonzero(np.diff(t_ns) / period_ns - np.diff(rows) > 0.5 + slack)
    count = _count_missing(t_ns, rows, at, period_ns)
    at, count = at[count > 0], count[count > 0]
    # They are missing where the stamps lie farthest apart.
    behind = [
        first + 1 + int(np.argmax(np.diff(times.t_ns[first : last + 1])))
        for first, last in zip(rows[at].tolist(), rows[at + 1].tolist(), strict=True)
    ]
    return Missing(np.array(behind, np.int64), count)


def _long_steps(t_ns: I64, period_ns: float) -> I64:
    """Rows with a step of more than 1.5 periods behind them."""
    found = []
    for start in range(0, t_ns.size - 1, BLOCK):
        found.append(np.flatnonzero(np.diff(t_ns[start : start + BLOCK + 1]) > 1.5 * period_ns) + start)
    return np.concatenate(found) if found else np.empty(0, np.int64)


def _count_missing(t_ns: I64, rows: I64 | None, at: I64, period_ns: float) -> I64:
    """Frames missing behind each stamp number `at`, int64 (H,); 0 where the stamp behind was only late."""
    if not at.size:
        return at
    lowest = np.concatenate([[0], at[:-1] + 1])  # stamps between this place and the one before it
    highest = np.concatenate([at[1:], [t_ns.size - 1]])  # and the one behind it

    def lag(stamp: I64) -> F64:
        number = stamp - at if rows is None else rows[stamp] - rows[at]
        return (t_ns[stamp] - t_ns[at]) / period_ns - number

    before = np.min([lag(np.maximum(at - back, lowest)) for back in range(_LOOK)], axis=0)
    behind = np.min([lag(np.minimum(at + 1 + ahead, highest)) for ahead in range(_LOOK)], axis=0)
    count: I64 = np.maximum(np.rint(behind - before), 0).astype(np.int64)
    return count
