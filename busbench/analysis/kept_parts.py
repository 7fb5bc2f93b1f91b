"""Where parts of a recording were left out, and frames that are missing beside them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from busbench.analysis.period import FrameNumbers, Missing, is_cut, number_frames
from busbench.analysis.read_slots import CUT_MIN
from busbench.capture.left_out import LeftOut
from busbench.model import I64, FrameTimes

_FEW_CUT = 8  # frames of a stretch that a read cut


@dataclass(frozen=True, slots=True, eq=False)
class LeftOutParts:
    """Parts that were left out after the first frame that was kept, as columns of equal length, rising by time."""

    row: I64  # index of the kept frame after the part (the number of frames: after the last), int64 (P,)
    first_t_ns: I64  # first_t_ns, last_t_ns: times of the first and last frame of the part, int64 (P,)
    last_t_ns: I64

    @staticmethod
    def of(left_out: Sequence[LeftOut], t_ns: I64) -> LeftOutParts:
        """Place the parts among the times of the frames that were kept, int64 (N,)."""
        last = np.array([one.last_t_ns for one in left_out], np.int64)
        first = np.array([one.first_t_ns for one in left_out], np.int64)
        row = np.searchsorted(t_ns, last)
        order = np.argsort(last)
        order = order[row[order] > 0]
        row, first, last = row[order], first[order], last[order]
        before = np.maximum(t_ns[row - 1], np.append(t_ns[:1], last)[: row.size])
        return LeftOutParts(row, np.maximum(first, before), last)

    def number(self, times: FrameTimes, *, period_ns: float | None) -> FrameNumbers | None:
        """Number the frames that were kept: each stretch by itself, on the period of the longest.

        Where a part was left out, the times of reads on both sides say little of the phase: there only a silence
        that no late read explains counts.
        """
        if not self.row.size:
            return number_frames(times, period_ns=period_ns)
        edges = np.unique([0, *self.row.tolist(), len(times)]).tolist()
        stretches = sorted(pairwise(edges), key=lambda one: one[0] - one[1])
        cut_min = _FEW_CUT if np.count_nonzero(is_cut(times)) >= CUT_MIN else CUT_MIN  # if there are enough in all
        parts = [times.part(slice(*one)) for one in stretches]
        longest = number_frames(parts[0], period_ns=period_ns, cut_min=cut_min)
        if longest is None:
            return None
        period_ns, missing, late_ns, doubt = longest.period_ns, np.zeros(len(times) + 1, np.int64), 0.0, 0
        others = (number_frames(part, period_ns=period_ns, cut_min=cut_min) for part in parts[1:])
        for (begin, _), found in zip(stretches, [longest, *others], strict=True):
            if found is not None:
                missing[begin + found.missing.row] = found.missing.count
                late_ns, doubt = max(late_ns, found.late_most_ns), doubt + found.doubt
        last = np.append(self.last_t_ns, 0)
        for i, row in enumerate(self.row.tolist()):
            before_ns = int(last[i - 1]) if i and self.row[i - 1] == row else int(times.t_ns[row - 1])
            silent_ns = [int(self.first_t_ns[i]) - before_ns]
            if row < len(times) and (i + 1 == self.row.size or self.row[i + 1] != row):
                silent_ns.append(int(times.t_ns[row]) - int(self.last_t_ns[i]))
            missing[row] += sum(_due_between(one, period_ns, late_ns=late_ns) for one in silent_ns)
        at = np.flatnonzero(missing)
        reads = None if longest.reads is None else replace(longest.reads, late_most_ns=late_ns, doubt=doubt)
        return FrameNumbers(period_ns, Missing(at, missing[at]), longest.is_clear, reads)

    def silences(self, row: I64, begin_ns: I64, end_ns: I64) -> tuple[I64, I64]:
        """The longest silence before each of some rows, where there was one of frames kept from begin to end."""
        begin_ns, end_ns = begin_ns.copy(), end_ns.copy()
        for i in np.flatnonzero(np.isin(row, self.row)).tolist():
            here = self.row == row[i]
            begins, ends = np.append(begin_ns[i], self.last_t_ns[here]), np.append(self.first_t_ns[here], end_ns[i])
            longest = int((ends - begins).argmax())
            begin_ns[i], end_ns[i] = begins[longest], ends[longest]
        return begin_ns, end_ns

    def first_after(self, row: int, t_ns: I64) -> int | None:
        """The time of the first frame, kept or not, after those before a row; None after the last."""
        at = int(np.searchsorted(self.row, row))
        if at < self.row.size and self.row[at] == row:
            return int(self.first_t_ns[at])
        return int(t_ns[row]) if row < t_ns.size else None


def _due_between(silent_ns: int, period_ns: float, *, late_ns: float) -> int:
    """Frames that are missing between two received ones."""
    return round(silent_ns / period_ns) - 1 if silent_ns > 1.5 * period_ns + late_ns else 0
