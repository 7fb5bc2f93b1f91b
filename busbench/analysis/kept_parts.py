"""Where parts of a recording were left out, and frames that are missing beside them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from busbench.analysis.period import Missing
from busbench.capture.left_out import LeftOut
from busbench.model import I64, FrameTimes


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

    def close(self, times: FrameTimes) -> FrameTimes:
        """The frames that were kept with one frame in place of each part."""
        t_ns = np.insert(times.t_ns, self.row, self.last_t_ns)
        lasted = np.zeros(t_ns.size, np.int64)
        lasted[self._closed_row] = self.last_t_ns - self.first_t_ns
        slack_ns = np.insert(times.slack_ns, self.row, times.slack_ns.max(initial=0))
        return FrameTimes(t_ns - np.cumsum(lasted), slack_ns, np.insert(times.flags, self.row, 0))

    def reopen(self, found: Missing) -> Missing:
        """Frames that are missing among the closed ones, by the kept frames."""
        row, place = np.unique(found.row - np.searchsorted(self._closed_row, found.row), return_inverse=True)
        return Missing(row, np.bincount(place, found.count, row.size).astype(np.int64))

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

    @property
    def _closed_row(self) -> I64:
        """Indices of the frames in place of the parts."""
        return self.row + np.arange(self.row.size)
