"""The bytes of a stream that are not decided yet, with what the clock says of them."""

from __future__ import annotations

import numpy as np

from busbench.model import I64, U8, Bools, ByteLog
from busbench.wire.codec import FRAME_BYTES, HEADER


class StreamBuffer:
    """A window on a stream: bytes are appended at its end and let go at its start.

    Places are stream offsets.

    Args:
        is_per_byte: True where each byte has its own time.
        idle_ns: a pause between two bytes that cannot be inside a frame.
    """

    def __init__(self, *, is_per_byte: bool, idle_ns: int) -> None:
        self.start = 0
        self.data: U8 = np.empty(0, np.uint8)
        self.bad: U8 | None = None
        self.mark_end: I64 = np.empty(0, np.int64)  # with one mark from before the window, where there is one
        self.mark_t_ns: I64 = np.empty(0, np.int64)
        self._is_per_byte = is_per_byte
        self._idle_ns = idle_ns
        self._pauses: I64 = np.empty(0, np.int64)  # places that a pause precedes

    @property
    def end(self) -> int:
        """Place just past the last byte."""
        return self.start + int(self.data.size)

    def append(self, log: ByteLog, *, keep_from: int) -> None:
        """Take the bytes of a log, and let go of those before a place.

        Raises:
            ValueError: the log does not follow the bytes before.
        """
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
        """The bytes from a place on as rows of one frame each, uint8 (N, 25)."""
        at = place - self.start
        count = (self.data.size - at) // FRAME_BYTES
        return self.data[at : at + count * FRAME_BYTES].reshape(count, FRAME_BYTES)

    def byte(self, place: int) -> int:
        """One byte."""
        return int(self.data[place - self.start])

    def byte_or(self, place: int, other: int) -> int:
        """One byte, or another value where it has not come yet."""
        return self.byte(place) if place < self.end else other

    def frame(self, place: int) -> bytes:
        """The 25 bytes from a place on."""
        at = place - self.start
        return self.data[at : at + FRAME_BYTES].tobytes()

    def frames(self, places: I64) -> U8:
        """The 25 bytes from each place on, uint8 (N, 25)."""
        at = (places - self.start)[:, None] + np.arange(FRAME_BYTES)
        raw: U8 = self.data[at]
        return raw

    def span(self, start: int, stop: int) -> bytes:
        """The bytes in [start, stop), as far as they are in the window."""
        return self.data[max(0, start - self.start) : max(0, stop - self.start)].tobytes()

    def headers(self, start: int, stop: int) -> list[int]:
        """Places of header bytes in [start, stop)."""
        span = self.data[start - self.start : max(start, stop) - self.start]
        places: list[int] = (np.flatnonzero(span == HEADER) + start).tolist()
        return places

    def pauses_inside(self, places: I64) -> Bools:
        """True for each place where the clock shows a pause inside the 25 bytes from there."""
        if not self._is_per_byte:
            return np.zeros(places.size, np.bool_)
        return np.searchsorted(self._pauses, places, "right") < np.searchsorted(self._pauses, places + FRAME_BYTES)

    def has_pause_inside(self, place: int) -> bool:
        """The same for one place."""
        return self._is_per_byte and bool(self.pauses_inside(np.array([place]))[0])

    def pause_before(self, place: int) -> bool:
        """True where a pause (or the end of a read) stands right before the place."""
        at = int(np.searchsorted(self._pauses, place))
        return at < self._pauses.size and int(self._pauses[at]) == place

    def pauses_before(self, places: I64) -> Bools:
        """The same for many places."""
        return np.isin(places, self._pauses)

    def is_one_read(self, place: int) -> bool:
        """True where the 25 bytes from a place on were handed over as one read by themselves."""
        if self._is_per_byte:
            return False
        at = int(np.searchsorted(self._pauses, place))
        ends: list[int] = self._pauses[at : at + 2].tolist()
        return ends == [place, place + FRAME_BYTES]

    def bad_bytes(self, place: int) -> int:
        """How many of the 25 bytes from a place on the line marked as damaged."""
        if self.bad is None:
            return 0
        return int(np.count_nonzero(self.bad[place - self.start :][:FRAME_BYTES]))
