"""The data types that pass from room to room: bytes with their clock, and frames.

Times are integer nanoseconds on one clock. A log with a wall clock counts from
the Unix epoch; every other log counts from its own start.
"""

from __future__ import annotations

import enum
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from busbench.line import Chunk

U8 = NDArray[np.uint8]
U16 = NDArray[np.uint16]
U64 = NDArray[np.uint64]
I16 = NDArray[np.int16]
I64 = NDArray[np.int64]
F64 = NDArray[np.float64]
Bools = NDArray[np.bool_]


class ClockKind(enum.StrEnum):
    """How well the time of a byte is known.

    Attributes:
        PER_BYTE: each character has a timestamp (logic analyser).
        PER_READ: each read of a serial port has a timestamp.
        NONE: bytes without timestamps.
    """

    PER_BYTE = "per-byte"
    PER_READ = "per-read"
    NONE = "none"


@dataclass(frozen=True, slots=True)
class Clock:
    """The clock of a byte log.

    Args:
        kind: what one timestamp means.
        resolution_ns: the smallest step of the timestamps, 0 without a clock.
    """

    kind: ClockKind
    resolution_ns: int

    @property
    def is_known(self) -> bool:
        """True if bytes have times."""
        return self.kind is not ClockKind.NONE


NO_CLOCK = Clock(ClockKind.NONE, 0)


def set_readonly(*arrays: NDArray[np.generic] | None) -> None:
    """Make the arrays read-only."""
    for array in arrays:
        if array is not None:
            array.flags.writeable = False


@dataclass(frozen=True, slots=True, eq=False)
class ByteLog:
    """Received bytes and the clock marks inside them.

    A mark says: the bytes up to here (exclusive) had been handed over at this
    time. A log with a clock has a mark at its last byte; a per-byte log has one
    mark a byte; a log without a clock has none.

    Args:
        offset: place of the first byte in the whole stream.
        data: the bytes, uint8 (B,).
        mark_end: stream offset just past the last byte of each mark, int64 (M,), rising.
        mark_t_ns: time of each mark, int64 (M,).
        bad: uint8 (B,), non-zero where the line marked the byte as damaged, or None.
    """

    offset: int
    data: U8
    mark_end: I64
    mark_t_ns: I64
    bad: U8 | None = None

    def __post_init__(self) -> None:
        if self.mark_end.shape != self.mark_t_ns.shape:
            raise ValueError("mark_end and mark_t_ns differ in length")
        if self.bad is not None and self.bad.shape != self.data.shape:
            raise ValueError("bad and data differ in length")

    def __len__(self) -> int:
        return int(self.data.size)

    @property
    def end(self) -> int:
        """Stream offset just past the last byte."""
        return self.offset + int(self.data.size)

    @staticmethod
    def from_bytes(data: bytes | U8, *, offset: int = 0) -> ByteLog:
        """A log without a clock.

        Args:
            data: bytes or uint8 (B,).
            offset: place of the first in the whole stream.
        """
        array = np.frombuffer(data, np.uint8) if isinstance(data, bytes) else data
        none = np.empty(0, np.int64)
        return ByteLog(offset, array, none, none)

    @staticmethod
    def from_chunks(chunks: Iterable[Chunk], *, offset: int = 0) -> ByteLog:
        """A per-read log over the chunks of a live port.

        Args:
            chunks: what its reads returned, in their order.
            offset: place of the first byte in the whole stream.
        """
        parts = [chunk for chunk in chunks if chunk.data]
        data = np.frombuffer(b"".join(chunk.data for chunk in parts), np.uint8)
        sizes = np.array([len(chunk.data) for chunk in parts], np.int64)
        bad = None
        if any(chunk.bad for chunk in parts):
            bad = np.frombuffer(b"".join(chunk.bad or bytes(len(chunk.data)) for chunk in parts), np.uint8)
        times = np.array([chunk.t_ns for chunk in parts], np.int64)
        return ByteLog(offset, data, offset + np.cumsum(sizes), times, bad)

    def joined(self, other: ByteLog) -> ByteLog:
        """This log and the one that follows it, joined."""
        bad = None
        if self.bad is not None or other.bad is not None:
            bad = np.concatenate(
                [np.zeros(len(log), np.uint8) if log.bad is None else log.bad for log in (self, other)]
            )
        return ByteLog(
            self.offset,
            np.concatenate([self.data, other.data]),
            np.concatenate([self.mark_end, other.mark_end]),
            np.concatenate([self.mark_t_ns, other.mark_t_ns]),
            bad,
        )


MARKED, MARKED_MAYBE = 1, 2  # the line marked a byte of the frame: certainly, or possibly a byte beside the frame


@dataclass(frozen=True, slots=True, eq=False, weakref_slot=True)
class FrameTimes:
    """The narrow columns of many frames: all that frame timing and outages need.

    Args:
        t_ns: latest time at which the frame's last byte can have arrived, int64 (N,).
        slack_ns: how much earlier it may have arrived, int32 (N,); 0 if the
            clock is per byte, 2**31 - 1 for "at least 2.15 s", below a character
            where two reads that cut the frame contradict each other, two characters
            where a read cut it, but the adapter hands over blocks.
        flags: byte 23, uint8 (N,).
        line_marks: see FrameTable, uint8 (N,), None if no byte was marked.
    """

    t_ns: I64
    slack_ns: NDArray[np.int32]
    flags: U8
    line_marks: U8 | None = None

    def __len__(self) -> int:
        return int(self.t_ns.size)

    def part(self, rows: slice) -> FrameTimes:
        """Some frames that follow one another; a view."""
        marks = None if self.line_marks is None else self.line_marks[rows]
        return FrameTimes(self.t_ns[rows], self.slack_ns[rows], self.flags[rows], marks)


class FrameTimesCollector:
    """Columns that grow in place, so that parts and the whole are never in memory together."""

    _STEP = 1 << 20

    def __init__(self) -> None:
        # line_marks follows as a fourth column once a byte was marked
        self._columns: list[NDArray[Any]] = [np.empty(0, kind) for kind in (np.int64, np.int32, np.uint8)]
        self._size = 0

    def __len__(self) -> int:
        return self._size

    def add(self, times: FrameTimes) -> None:
        """Append frames."""
        end = self._size + len(times)
        marks = times.line_marks
        if len(self._columns) == 3 and marks is not None and marks.any():
            self._columns.append(np.zeros(self._size, np.uint8))
        parts = (times.t_ns, times.slack_ns, times.flags, 0 if marks is None else marks)
        for column, values in zip(self._columns, parts, strict=False):
            if end > column.size:
                step = min(self._STEP, 1 << (end - 1).bit_length())
                column.resize(-(-end // step) * step, refcheck=False)
            column[self._size : end] = values
        self._size = end

    def take(self) -> FrameTimes:
        """All frames; call it once, at the end."""
        for column in self._columns:
            column.resize(self._size, refcheck=False)
        return FrameTimes(*self._columns)


class Reason(enum.IntEnum):
    """Why some bytes are in no frame.

    Attributes:
        DAMAGED: bytes on the line that form no frame.
        SLOT: a sensor's reply between two frames.
        CUT: part of a frame, cut by the start or end of the log.
    """

    DAMAGED = 0
    SLOT = 1
    CUT = 2


@dataclass(frozen=True, slots=True, eq=False)
class Rejects:
    """Every run of bytes that is in no frame, as columns of equal length.

    Args:
        offset: stream offset of the run's first byte, int64 (K,).
        length: its length in bytes, int64 (K,).
        reason: a Reason, uint8 (K,).
    """

    offset: I64
    length: I64
    reason: U8

    def __len__(self) -> int:
        return int(self.offset.size)

    @property
    def bytes_total(self) -> int:
        """Bytes in all runs."""
        return int(self.length.sum())

    def of(self, reason: Reason) -> Rejects:
        """The runs rejected for one reason."""
        keep = self.reason == reason
        return Rejects(self.offset[keep], self.length[keep], self.reason[keep])

    @staticmethod
    def empty() -> Rejects:
        """No runs."""
        return Rejects(np.empty(0, np.int64), np.empty(0, np.int64), np.empty(0, np.uint8))

    @staticmethod
    def concat(parts: Iterable[Rejects]) -> Rejects:
        """All parts one after another."""
        some = [part for part in parts if len(part)] or [Rejects.empty()]
        return Rejects(
            np.concatenate([p.offset for p in some]),
            np.concatenate([p.length for p in some]),
            np.concatenate([p.reason for p in some]),
        )


@dataclass(frozen=True, slots=True)
class Annotation:
    """A timestamped annotation of a recording.

    Args:
        t_ns: the time, on the recording's clock.
        text: the text.
    """

    t_ns: int
    text: str


# Readers give no times beyond these, so that the difference of any two fits in 64 bits: 1896 and 2116 by the epoch.
TIME_MIN_NS, TIME_MAX_NS = -(1 << 61), 1 << 62
_STEPS = 1 << 16  # per block: as many as fit in a processor's cache
BACK_NS = 1_000_000  # a clock that goes back by this much was set; late timestamps are smaller


def remove_clock_steps(t_ns: I64) -> I64:
    """Times, int64 (N,), without backward steps of the clock: after one, they continue after the usual interval."""
    if not any((np.diff(t_ns[at : at + _STEPS + 1]) < -BACK_NS).any() for at in range(0, t_ns.size - 1, _STEPS)):
        return t_ns
    steps = np.diff(t_ns, prepend=t_ns[:1])
    is_back = steps < -BACK_NS
    forth = steps[steps > 0]
    usual = int(np.median(forth)) if forth.size else 0
    far = np.where(is_back, float(usual) - steps, 0.0)  # may not fit in 64 bits
    if far.sum() > TIME_MAX_NS:  # set back so often that no usual interval is left
        capped: I64 = np.minimum(t_ns + np.cumsum(far), float(TIME_MAX_NS)).astype(np.int64)
        return capped
    moved = np.where(is_back, usual - steps, 0)
    going_on: I64 = np.minimum(t_ns, TIME_MAX_NS - (total := np.cumsum(moved))) + total
    return going_on
