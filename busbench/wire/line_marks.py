"""Which frames hold bytes that the line marked as damaged (parity, framing, break), and how sure that is.

Some adapters mark single bytes, others whole packets for one bad byte in them, and a
log does not say which. So a run of marked bytes in one read means one bad byte at
least: a frame that holds all of the run is damaged for certain; of several frames that
share a run at least one is, unless the bad byte may lie between them.

The frames that are certain are the fewest that explain all runs: of those that share a
run the last one, unless another is certain already (interval stabbing).
"""

from __future__ import annotations

import numpy as np

from busbench.model import I64, MARKED, MARKED_MAYBE, U8, Bools
from busbench.wire.frame_spec import FRAME_BYTES
from busbench.wire.stream_buffer import StreamBuffer


class LineMarks:
    """Follows the marked bytes of a stream from one piece to the next.

    Args:
        shares: True if bytes arrive in reads, so that a mark may be for a whole packet.
    """

    def __init__(self, *, shares: bool) -> None:
        self._shares = shares
        self._done = 0  # offset up to which bytes were processed
        self._is_explained = False  # the last run continues, and its bad byte may lie in the next piece

    def take(self, stream: StreamBuffer, places: I64, end: int) -> U8:
        """The marks of accepted frames.

        Args:
            stream: bytes from the end of the last piece on, or earlier.
            places: offsets of all frames accepted since, int64 (N,), rising.
            end: where this piece ends: all before it is in a frame or rejected.

        Returns:
            0, MARKED or MARKED_MAYBE for each frame, uint8 (N,).
        """
        marks = np.zeros(places.size, np.uint8)
        begin, self._done = max(self._done, stream.start), end
        if stream.bad is None or end == begin:
            return marks
        marked = np.flatnonzero(stream.bad[begin - stream.start : end - stream.start]) + begin
        if not marked.size:
            self._is_explained = False
            return marks
        frame = np.searchsorted(places, marked, "right") - 1
        is_inside = frame >= 0
        is_inside[is_inside] = marked[is_inside] < places[frame[is_inside]] + FRAME_BYTES
        if not self._shares:
            marks[frame[is_inside]] = MARKED
            return marks
        marks[frame[is_inside]] = MARKED_MAYBE
        first = self._run_starts(stream, marked)
        last = np.append(first[1:], marked.size) - 1
        low, high = frame[first], frame[last]
        explained = np.logical_or.reduceat(~is_inside, first)
        explained[0] |= self._is_explained and int(marked[0]) == begin
        goes_on = self._goes_on(stream, int(marked[-1]), end)
        alone = ~explained & (low == high)
        alone[-1] &= not goes_on
        marks[high[alone]] = MARKED
        for run in np.flatnonzero(~explained & ~alone).tolist():
            explained[run] = (marks[low[run] : high[run] + 1] == MARKED).any()
            if not explained[run] and not (goes_on and run == first.size - 1):
                marks[high[run]] = MARKED
        self._is_explained = goes_on and bool(explained[-1])
        return marks

    @staticmethod
    def _run_starts(stream: StreamBuffer, marked: I64) -> I64:
        """Indices into the marked bytes at which a run begins: after a good byte or the end of a read."""
        parts: Bools = np.diff(marked) > 1
        ends = stream.mark_end
        if ends.size:
            at = np.searchsorted(ends, marked[1:])
            parts |= ends[np.minimum(at, ends.size - 1)] == marked[1:]
        return np.append(0, np.flatnonzero(parts) + 1)

    @staticmethod
    def _goes_on(stream: StreamBuffer, last: int, end: int) -> bool:
        """True if the run at the end of a piece may continue."""
        if last != end - 1 or end >= stream.end or stream.bad is None or not stream.bad[end - stream.start]:
            return False
        at = int(np.searchsorted(stream.mark_end, end))
        return at >= stream.mark_end.size or int(stream.mark_end[at]) != end
