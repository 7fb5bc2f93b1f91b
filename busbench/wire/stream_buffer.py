"""The undecided bytes of a stream, with the evidence of the clock."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from busbench.model import I64, U8, Bools, ByteLog
from busbench.wire.frame_spec import END_BYTES, FLAGS_MAX, FRAME_BYTES, HEADER

READ_START = 2.0  # a read ended directly before the header: the idle gap
READ_WHOLE = 20.0  # a read of exactly one frame: outweighs neighbours that no hand would make
BAD_BYTE, BAD_MOST = 1.0, 4.0


class StreamBuffer:
    """A window on a stream: bytes are appended at the end and dropped at the start.

    Places are stream offsets.

    Args:
        is_per_byte: True if each byte has its own time.
        idle_ns: a pause between two bytes that cannot be inside a frame.
    """

    def __init__(self, *, is_per_byte: bool, idle_ns: int) -> None:
        self.start = 0
        self.data: U8 = np.empty(0, np.uint8)
        self.bad: U8 | None = None
        self.mark_end: I64 = np.empty(0, np.int64)  # with one mark from before the window, if any
        self.mark_t_ns: I64 = np.empty(0, np.int64)
        self._is_per_byte = is_per_byte
        self._idle_ns = idle_ns
        self._pauses: I64 = np.empty(0, np.int64)  # offsets after a pause

    @property
    def end(self) -> int:
        """Place just past the last byte."""
        return self.start + int(self.data.size)

    def append(self, log: ByteLog, *, keep_from: int) -> None:
        """Take the bytes of a log, and let go of those before a place (raises ValueError: it does not follow on)."""
        if log.offset != self.end:
            raise ValueError(f"bytes from {log.offset} do not follow those up to {self.end}")
        kept = self.data[keep_from - self.start :]
        if self.bad is not None or log.bad is not None:
            bad = np.zeros(kept.size, np.uint8) if self.bad is None else self.bad[keep_from - self.start :]
            more = np.zeros(log.data.size, np.uint8) if log.bad is None else log.bad
            self.bad = np.concatenate([bad, more])
        self.data = np.concatenate([kept, log.data]) if kept.size else log.data
        self.start = keep_from
        if not log.mark_end.size:
            return
        if self._is_per_byte:
            times = np.concatenate([self.mark_t_ns[-1:], log.mark_t_ns])
            ends = np.concatenate([self.mark_end[-1:], log.mark_end])
            new = ends[:-1][np.diff(times) > self._idle_ns]
        else:
            new = log.mark_end
        first = int(np.searchsorted(self._pauses, keep_from))
        self._pauses = np.concatenate([self._pauses[first:], new])
        first = max(0, int(np.searchsorted(self.mark_end, keep_from, "right")) - 1)
        self.mark_end = np.concatenate([self.mark_end[first:], log.mark_end])
        self.mark_t_ns = np.concatenate([self.mark_t_ns[first:], log.mark_t_ns])

    def rows(self, place: int) -> U8:
        """The bytes from an offset as rows of one frame each, uint8 (N, 25)."""
        at = place - self.start
        count = (self.data.size - at) // FRAME_BYTES
        return self.data[at : at + count * FRAME_BYTES].reshape(count, FRAME_BYTES)

    def byte(self, place: int) -> int:
        """One byte."""
        return int(self.data[place - self.start])

    def candidates(self, start: int) -> list[int]:
        """Candidate offsets from an offset, fast for few bytes."""
        some = self.data[start - self.start :].tobytes()
        places = []
        at = some.find(HEADER, 0, -FRAME_BYTES + 1)
        while at >= 0:
            if some[at + FRAME_BYTES - 2] <= FLAGS_MAX and some[at + FRAME_BYTES - 1] in END_BYTES:
                places.append(at + start)
            at = some.find(HEADER, at + 1, -FRAME_BYTES + 1)
        if self._is_per_byte and places:
            return [place for place in places if not self.pauses_inside(np.array([place]))[0]]
        return places

    def frame(self, place: int) -> bytes:
        """The 25 bytes from an offset."""
        at = place - self.start
        return self.data[at : at + FRAME_BYTES].tobytes()

    def frames(self, places: I64) -> U8:
        """The 25 bytes from each offset, uint8 (N, 25)."""
        at = (places - self.start)[:, None] + np.arange(FRAME_BYTES)
        raw: U8 = self.data[at]
        return raw

    def pauses_inside(self, places: I64) -> Bools:
        """True for each offset with a pause inside the 25 bytes from there."""
        if not self._is_per_byte:
            return np.zeros(places.size, np.bool_)
        return np.searchsorted(self._pauses, places, "right") < np.searchsorted(self._pauses, places + FRAME_BYTES)

    def pauses_before(self, places: I64) -> Bools:
        """True for each offset after a pause, or after the end of a read."""
        found: Bools = self._pause_at(np.searchsorted(self._pauses, places)) == places
        return found

    def are_reads(self, places: I64) -> Bools:
        """True for each offset at which one read of exactly 25 bytes begins."""
        at = np.searchsorted(self._pauses, places)
        whole: Bools = (self._pause_at(at) == places) & (self._pause_at(at + 1) == places + FRAME_BYTES)
        return whole & (not self._is_per_byte)

    def bad_bytes(self, places: I64) -> I64:
        """Number of bytes marked as damaged in the 25 bytes from each offset."""
        if self.bad is None:
            return np.zeros(places.size, np.int64)
        bad = self.bad[(places - self.start)[:, None] + np.arange(FRAME_BYTES)]
        count: I64 = np.count_nonzero(bad, axis=1)
        return count

    def evidence(self, places: I64) -> NDArray[np.float64]:
        """The evidence of clock and line for frames at some offsets, log-odds (nats), float64 (N,)."""
        score = READ_START * self.pauses_before(places) + READ_WHOLE * self.are_reads(places)
        score -= np.minimum(BAD_MOST, BAD_BYTE * self.bad_bytes(places))
        return score

    def _pause_at(self, index: I64) -> I64:
        """Some of the pauses, -1 after the last."""
        found: I64 = np.append(self._pauses, -1)[np.minimum(index, self._pauses.size)]
        return found
