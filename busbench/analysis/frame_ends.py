"""Frame end times and their periods."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from busbench.analysis.period import Missing
from busbench.analysis.stats import BLOCK, dot
from busbench.model import F64, I64

I32 = NDArray[np.int32]
Errors = NDArray[np.signedinteger]

_I32_MAX = 2**31 - 1


@dataclass(frozen=True, slots=True)
class FrameEnds:
    """Frame end times, read block by block to avoid copies."""

    t_ns: I64  # ends of all frames, int64 (N,)
    rows: NDArray[np.signedinteger] | None  # the selected frames, (M,); None for all
    missing: Missing  # where frames are missing among these

    @property
    def size(self) -> int:
        """Number of frames."""
        return self.t_ns.size if self.rows is None else self.rows.size

    @property
    def mean_ns(self) -> float:
        """The mean period."""
        return (int(self.block(self.size - 1, 1)[0]) - int(self.block(0, 1)[0])) / (self.size - 1 + self.missing.total)

    def block(self, at: int, size: int) -> I64:
        """Times of a block of frames, int64."""
        return self.t_ns[at : at + size] if self.rows is None else self.t_ns[self.rows[at : at + size]]

    def periods(self) -> I32:
        """Periods between adjacent frame numbers, ns."""
        steps = np.empty(max(0, self.size - 1), np.int32)
        for at in range(0, steps.size, BLOCK):
            part = np.diff(self.block(at, BLOCK + 1))
            steps[at : at + part.size] = np.clip(part, 0, _I32_MAX)
        return np.delete(steps, self.missing.row - 1) if self.missing.row.size else steps

    def line_error(self) -> Errors:
        """Deviations from the least-squares line through (number of the frame period, time), whole ns, (N,)."""
        return _line_error(self, self.missing, self.mean_ns)


def _slots(holes: Missing, at: int, size: int) -> F64:
    """Frame numbers of `size` frames from row `at`."""
    first, last = np.searchsorted(holes.row, [at, at + size])
    step = np.ones(size)
    step[holes.row[first:last] - at] += holes.count[first:last]
    step[0] += at - 1 + int(holes.count[:first].sum())
    return np.cumsum(step, out=step)


def _line_error(x: FrameEnds, holes: Missing, period_ns: float) -> Errors:
    """Deviations from the least-squares line through (number of the frame period, x), whole ns, (N,)."""
    base, count = int(x.block(0, 1)[0]), x.size
    middle = (count - 1 + holes.total) / 2  # near the mean frame number; any number would do
    error = np.empty(count, np.int32)
    sums = np.zeros(5)
    for at in range(0, count, BLOCK):
        slot = _slots(holes, at, min(BLOCK, count - at))
        off = (x.block(at, slot.size) - base) - period_ns * slot
        if np.abs(off).max() > _I32_MAX and error.dtype == np.int32:
            error = error.astype(np.int64)
        error[at : at + slot.size] = np.rint(off)
        slot -= middle
        sums += (slot.sum(), off.sum(), dot(slot, slot), dot(slot, off), slot.size)
    s, o, ss, so, n = sums.tolist()
    slope = (n * so - s * o) / (n * ss - s * s) if count > 1 else 0.0
    level = (o - slope * s) / n
    for at in range(0, count, BLOCK):
        slot = _slots(holes, at, min(BLOCK, count - at))
        error[at : at + slot.size] -= np.rint(level + slope * (slot - middle)).astype(error.dtype)
    return error
