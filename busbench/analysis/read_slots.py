"""Numbers of frames on their period, from the times at which reads returned.

A read never returns before its bytes arrived, so its time is the latest at which a
frame can have ended; the read before it bounds nothing, for it may have been late
itself. Where reads cut many frames, those are numbered alone: their ends are known to
a character. What was missing at the very end counts only where lateness cannot
explain it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from busbench.analysis.end_gaps import EndLosses, end_gap
from busbench.analysis.read_period import FRAME_NS, PERIOD_MAX_NS, PeriodChoice, after_silences, choose_period
from busbench.analysis.slot_numbers import AROUND, number
from busbench.analysis.stats import BLOCK, block_steps, dot, low_quantile
from busbench.model import F64, I64, Bools

_BLOCK = 4096  # frames numbered per block
_AHEAD = 256  # and frames after them, which may show that these were only late
CUT_MIN, _CUT_SHARE = 30, 0.1  # from this share of cut frames, only those are numbered
_LATE_MOST = 9  # periods of lateness that are distinguished
_LATE_RUN = 32  # frames
_ON_TIME = 0.02  # the share of frames that are surely not late
_CHANCE = 2e-3  # a delay that lateness explains with less probability is a loss
_SURELY_LATE = 20  # how much likelier than a loss
MIXED = 0.2


@dataclass(frozen=True, slots=True, eq=False)
class ReadSlots:
    """Numbers of frames on their period."""

    period_ns: float
    # gap_row, gap_count: index of the frame after each gap, rising, and how many are missing there, int64 (H,)
    gap_row: I64
    gap_count: I64
    blur: float  # mean deviation from an even period, in periods
    late_most_ns: float  # max lateness of a frame
    by_cut: bool  # True if only frames that a read cut were numbered
    cut_sd_ns: float  # standard deviation of these, 0 without any
    cut_is_mixed: bool  # True if both even and odd numbers occur among them
    # False if another period fits nearly as well, or so many frames in a row are late that a step of the reads may
    # be taken for the period
    is_alone: bool
    # by how many frames the count may be off: lost ones near the start or the end look like late ones, or the phase may
    # have turned by whole periods while all frames were late
    doubt: int


def latest_ends(t_ns: I64) -> I64:
    """The latest time at which each frame can have ended, int64 (N,): at least 3.000 ms before the next one."""
    if not any((apart < FRAME_NS).any() for _, apart in block_steps(t_ns)):
        return t_ns
    latest = t_ns.copy()
    for at in range(0, latest.size, BLOCK):  # without another array over all frames
        latest[at : at + BLOCK] -= np.arange(at, min(at + BLOCK, latest.size)) * FRAME_NS
    np.minimum.accumulate(latest[::-1], out=latest[::-1])
    for at in range(0, latest.size, BLOCK):
        latest[at : at + BLOCK] += np.arange(at, min(at + BLOCK, latest.size)) * FRAME_NS
    return latest


def _joined(parts: list[I64]) -> I64:
    return np.concatenate(parts) if parts else np.empty(0, np.int64)


def number_reads(t_ns: I64, cut: Bools, *, period_ns: float | None = None, cut_min: int = CUT_MIN) -> ReadSlots | None:
    """Find the period, and number all frames.

    Args:
        t_ns: latest ends as far as single frames show, int64 (N,).
        cut: frames that a read cut, whose ends are known to a character, bool (N,).
        period_ns: the period, if already known.
        cut_min: from so many cut frames on, those alone are numbered.

    Returns:
        None with fewer than two frames, or without a period of 3 to 100 ms.
    """
    if t_ns.size < 2:
        return None
    latest_ns = latest_ends(t_ns)
    if min(int(apart.min()) for _, apart in block_steps(latest_ns)) > PERIOD_MAX_NS:
        return None
    by_cut = bool(np.count_nonzero(cut) >= max(cut_min, _CUT_SHARE * t_ns.size))
    chosen = choose_period(latest_ns, cut, by_cut=by_cut) if period_ns is None else PeriodChoice(period_ns, True)
    if chosen is None:
        return None
    fit = _Fit(t_ns, latest_ns, np.flatnonzero(cut) if by_cut else None, chosen)
    fit.run()
    return fit.result()


class _Fit:
    """Numbers all frames, or those that a read cut, block by block."""

    def __init__(self, t_ns: I64, latest_ns: I64, rows: I64 | None, chosen: PeriodChoice) -> None:
        self._t_ns, self._latest_ns, self._rows = t_ns, latest_ns, rows
        self._period_ns, self._is_alone = chosen
        self._size = latest_ns.size if rows is None else rows.size
        self._row: list[I64] = []
        self._count: list[I64] = []
        self._off = self._squares = self._late_most_ns = 0.0
        self._late = np.zeros(_LATE_MOST + 1, np.int64)  # number of frames by lateness in periods, rounded
        self._odd = 0
        self._turns = self._late_run = 0
        self._edge_ns = 0.0  # min deviation at the end of the block before

    def run(self) -> None:
        """Number all frames."""
        some = self._latest_ns if self._rows is None else self._latest_ns[self._rows]
        for begin, stop in pairwise([0, *after_silences(some), self._size]):
            at = begin
            while at < stop:
                end = stop if stop - at <= _BLOCK + _AHEAD else at + _BLOCK
                self._add(at, end, min(end + _AHEAD, stop), is_new=at == begin)
                at = end

    def _add(self, at: int, end: int, ahead: int, *, is_new: bool) -> None:
        """Number the frames [at, end), and the first frame after them if there is one."""
        rows = slice(at, ahead) if self._rows is None else self._rows[at:ahead]
        base_ns = int(self._latest_ns[self._frame(at)])
        t_ns = (self._latest_ns[rows] - base_ns).astype(np.float64)
        index = None if isinstance(rows, slice) else np.subtract(rows, rows[0], dtype=np.float64)
        found = number(t_ns, index, self._period_ns, rounds=1)
        self._turns += found.turns
        self._late_run = max(self._late_run, found.late_run)
        keep = end - at
        if is_new and at:
            first_ns = float((t_ns[:AROUND] - found.slot[:AROUND] * self._period_ns).min())
            silent = (base_ns + first_ns - self._edge_ns) / self._period_ns
            self._note(np.array([at]), np.array([max(0, round(silent) - self._frame(at) + self._frame(at - 1))]))
        upto = keep + (end < ahead)
        if not found.is_even:
            extra = np.diff(found.slot[:upto]) - (1 if index is None else np.diff(index[:upto]))
            self._note(np.arange(at + 1, at + upto), extra.astype(np.int64))
        last = slice(max(0, keep - AROUND), keep)
        last_ns = float((t_ns[last] - found.slot[last] * self._period_ns).min())
        self._edge_ns = base_ns + last_ns + float(found.slot[keep - 1]) * self._period_ns
        self._measure(found.off_ns()[:keep])
        if self._rows is not None:
            self._odd += int(np.count_nonzero(found.slot[:keep] % 2))

    def _frame(self, at: int) -> int:
        """Index among all frames of a numbered one."""
        return at if self._rows is None else int(self._rows[at])

    def _measure(self, off_ns: F64) -> None:
        self._off += float(np.abs(off_ns).sum())
        if self._rows is not None:
            self._squares += dot(off_ns, off_ns)
        latest_ns = float(off_ns.max())
        # Counting takes less time than the quantile, and mostly shows that no frame here is the latest so far.
        below = np.count_nonzero(off_ns < latest_ns - min(self._late_most_ns, self._period_ns / 2))
        if below <= int((off_ns.size - 1) * _ON_TIME):
            self._late[0] += off_ns.size
            return
        on_time_ns = low_quantile(off_ns, _ON_TIME)
        self._late_most_ns = max(self._late_most_ns, latest_ns - on_time_ns)
        if latest_ns - on_time_ns <= self._period_ns / 2:
            self._late[0] += off_ns.size
            return
        late = (off_ns - on_time_ns) / self._period_ns
        self._late += np.bincount(np.rint(late.clip(0, _LATE_MOST)).astype(np.int64), minlength=_LATE_MOST + 1)

    def _note(self, row: I64, count: I64) -> None:
        some = np.flatnonzero(count > 0)
        self._row.append(row[some])
        self._count.append(count[some])

    def result(self) -> ReadSlots:
        """The result; at the ends only what is proved."""
        rows = self._rows
        row, count, last, doubt = self._proved(_joined(self._row), _joined(self._count))
        period_ns = self._slope(row, count, last)
        if rows is not None:
            row, count, at_ends = self._among_all(rows[: last + 1], row, count, period_ns)
            doubt = max(doubt, at_ends)
        return ReadSlots(
            period_ns=period_ns,
            gap_row=row,
            gap_count=count,
            blur=self._off / self._size / period_ns,
            late_most_ns=self._late_most_ns,
            by_cut=rows is not None,
            cut_sd_ns=0.0 if rows is None else math.sqrt(self._squares / self._size),
            cut_is_mixed=MIXED < self._odd / self._size < 1 - MIXED,
            is_alone=self._is_alone and self._late_run <= _LATE_RUN,
            doubt=doubt + self._turns,
        )

    def _slope(self, row: I64, count: I64, last: int) -> float:
        """The period that fits the frames up to the last one best, ns."""
        sums, missing = np.zeros(5), np.concatenate([[0], np.cumsum(count)])
        origin = int(self._latest_ns[self._frame(0)])
        for at in range(0, last + 1, BLOCK):
            stop = min(at + BLOCK, last + 1)
            before, upto = np.searchsorted(row, (at, stop - 1), "right")
            gaps = before if before == upto else np.searchsorted(row, np.arange(at, stop), "right")
            part = slice(at, stop) if self._rows is None else self._rows[at:stop]
            slot = np.arange(at, stop, dtype=np.float64) if isinstance(part, slice) else part.astype(np.float64)
            slot += missing[gaps]
            off = self._latest_ns[part] - origin - self._period_ns * slot
            sums += (slot.size, slot.sum(), off.sum(), dot(slot, slot), dot(slot, off))
        n, s, o, ss, so = sums.tolist()
        spread = n * ss - s * s
        return self._period_ns + (n * so - s * o) / spread if spread else self._period_ns

    def _proved(self, row: I64, count: I64) -> tuple[I64, I64, int, int]:
        """Gaps without those at the end that late reads explain as well, and the last frame before these.

        Returns:
            Rows, counts, the last frame, and how many are left out that a loss explains nearly as well.
        """
        t_ns = self._t_ns if self._rows is None else self._t_ns[self._rows]
        last, chances, total = t_ns.size - 1, 1.0, int(count.sum())
        late_at_least = np.cumsum(self._late[::-1])[::-1] / self._size
        while row.size and t_ns.size - row[-1] <= AROUND:
            reads = 1 + int(np.count_nonzero(np.diff(t_ns[row[-1] :])))
            # A read so late that two frames fit in before it would contain them.
            least = 1 / self._size if count[-1] == 1 else 0.0
            chance = max(float(late_at_least[min(int(count[-1]), _LATE_MOST)]), least) ** reads
            if chance < _CHANCE and (reads > 1 or count[-1] > 1):
                break
            last, chances = int(row[-1]) - 1, min(chances, chance)
            row, count = row[:-1], count[:-1]
        is_late = chances > _SURELY_LATE * self._losses(row, count).per_frame
        return row, count, last, 0 if is_late else total - int(count.sum())

    def _losses(self, row: I64, count: I64) -> EndLosses:
        return EndLosses.of(row.size, int(count.sum()), self._t_ns.size)

    def _among_all(self, rows: I64, row: I64, count: I64, period_ns: float) -> tuple[I64, I64, int]:
        """Gaps between frames that a read cut as gaps between all: where the ends lie farthest apart."""
        latest_ns, losses = self._latest_ns, self._losses(row, count)
        between = zip(rows[row - 1].tolist(), rows[row].tolist(), strict=True)
        found = [a + 1 + int(np.argmax(np.diff(latest_ns[a : b + 1]))) for a, b in between]
        first, last = int(rows[0]), int(rows[-1])
        late_ns = self._late_between(rows, row, period_ns)
        self._late_most_ns = max(self._late_most_ns, float(late_ns.max(initial=0.0)))
        late = late_ns / period_ns
        head = np.arange(1, first + 1)
        tail = np.arange(1, latest_ns.size - last)
        before = end_gap((latest_ns[first] - latest_ns[first - head]) / period_ns - head, late, losses, is_start=True)
        after = end_gap((latest_ns[last + tail] - latest_ns[last]) / period_ns - tail, late, losses, is_start=False)
        counts = count.tolist()
        if before.frames:
            found.insert(0, 1 + int(np.argmax(np.diff(latest_ns[: first + 1]))))
            counts.insert(0, before.frames)
        if after.frames:
            found.append(last + 1 + int(np.argmax(np.diff(latest_ns[last:]))))
            counts.append(after.frames)
        return np.array(found, np.int64), np.array(counts, np.int64), before.doubt + after.doubt

    def _late_between(self, rows: I64, row: I64, period_ns: float) -> F64:
        """Lateness of the reads of uncut frames, ns: their numbers are known between cut ones."""
        index = np.arange(rows[0], rows[-1] + 1)
        before = np.repeat(np.arange(rows.size - 1), np.diff(rows))
        before = np.append(before, rows.size - 1)
        known = ~np.isin(before + 1, row)
        known[rows - rows[0]] = False
        index, before = index[known], rows[before[known]]
        late_ns: F64 = self._t_ns[index] - self._latest_ns[before] - period_ns * (index - before)
        return late_ns
