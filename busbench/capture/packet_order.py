"""Duplicate packets, and packets out of order.

A capture of two interfaces that show one bus, and files merged out of others, hold
exact copies: the same bytes at the same time. Several cores, buffers or files may
write packets out of order. Copies are left out and packets put
in the order of their times, before the bytes are evaluated: so a copy is no
second frame and a late packet no missing one. A frame with the same bytes at a later
time is a frame; a clock that was set back stays as it is.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace

import numpy as np

from busbench.line import BUS_LINE, LineSettings
from busbench.model import I64, TIME_MAX_NS, TIME_MIN_NS, U8, Bools, ByteLog, Clock, ClockKind

REACH = 8  # max packets that overtake one
REACH_NS = 50_000_000  # clocks are set back by more: a time service steps at 128 ms or more
_COPY_BYTES = 3  # a read may be cut into packets of a byte or two, all with its time
_LOOK = 64  # packets at the end of a log that are evaluated with the next


class PacketOrder:
    """Orders the packets of one capture, log by log; a packet is the bytes between two marks.

    Args:
        clock: the capture's.
        line: line settings, for the time of a character.

    Attributes:
        copies: exact copies that were left out.
        moved: packets earlier than the one before, which were put in order.
    """

    def __init__(self, *, clock: Clock, line: LineSettings = BUS_LINE) -> None:
        self.copies = self.moved = 0
        self._is_known = clock.is_known
        # The line cannot carry these bytes twice within one clock step.
        shortest = clock.resolution_ns // line.character_ns + 1
        self._copy_bytes = shortest if clock.kind is ClockKind.PER_BYTE else max(shortest, _COPY_BYTES)
        self._offset = 0

    @property
    def notes(self) -> list[str]:
        """What was changed, one line each."""
        notes = []
        if self.copies:
            notes.append(f"exact copies of packets, left out: {self.copies:,}")
        if self.moved:
            notes.append(f"packets out of order, put where their times belong: {self.moved:,}")
        return notes

    def arrange(self, logs: Iterable[ByteLog]) -> Iterator[ByteLog]:
        """Logs with a mark at their last byte, without copies and in order; their offsets follow one another."""
        if not self._is_known:
            yield from logs
            return
        held: ByteLog | None = None
        for log in logs:
            if held is not None:
                cut, size = held.mark_end.size, held.mark_end.size
                is_overtaken = bool(log.mark_t_ns[:REACH].min() > held.mark_t_ns[-_LOOK:].max())
                if not is_overtaken and (cut := _clean_cut(held.mark_t_ns)) < size:
                    log, is_overtaken = _part(held, cut, size).joined(log), True
                if cut:
                    yield self._place(_part(held, 0, cut), is_overtaken=is_overtaken)
            held = log
        if held is not None:
            yield self._place(held, is_overtaken=False)

    def _place(self, log: ByteLog, *, is_overtaken: bool) -> ByteLog:
        """Put a log in order without copies, after the one before."""
        if not (log.mark_t_ns[1:] > log.mark_t_ns[:-1]).all():
            order, moved = _order(log.mark_t_ns, is_overtaken=is_overtaken)
            if moved:
                self.moved += moved
                log = _taken(log, order)
            copies = self._copies_in(log)
            if copies.any():
                self.copies += int(np.count_nonzero(copies))
                log = _taken(log, np.flatnonzero(~copies))
        if log.offset != self._offset:
            log = replace(log, offset=self._offset, mark_end=log.mark_end - log.offset + self._offset)
        self._offset = log.end
        return log

    def _copies_in(self, log: ByteLog) -> Bools:
        """True for each packet with the bytes and time of an earlier one."""
        size, t_ns = np.diff(log.mark_end, prepend=log.offset), log.mark_t_ns
        start = log.mark_end - size - log.offset
        copies = np.zeros(size.size, np.bool_)
        is_known = (t_ns > TIME_MIN_NS) & (t_ns < TIME_MAX_NS)  # a time clipped to a bound is unknown
        for lag in range(1, REACH + 1):
            is_same_time = (t_ns[lag:] == t_ns[:-lag]) & is_known[lag:]
            if not is_same_time.any():
                break
            could = is_same_time & (size[lag:] == size[:-lag]) & (size[lag:] >= self._copy_bytes)
            if could.any():
                rows = np.flatnonzero(could) + lag
                equal = _are_equal(log.data, start[rows], start[rows - lag], size[rows])
                if log.bad is not None:
                    equal &= _are_equal(log.bad, start[rows], start[rows - lag], size[rows])
                copies[rows] |= equal
        return copies


def _order(t_ns: I64, *, is_overtaken: bool) -> tuple[I64, int]:
    """Indices of packets in the order of their times, and how many are earlier than the one before.

    Sorts runs of packets in which each is at most a little late, and which later
    packets overtake; after a clock was set back, none does so for long.

    Args:
        t_ns: times, int64 (N,).
        is_overtaken: True if a later packet follows the last.
    """
    order, rows = np.argsort(t_ns, kind="stable"), np.arange(t_ns.size)
    latest = np.maximum.accumulate(t_ns)
    earliest_behind = np.minimum.accumulate(t_ns[::-1])[::-1]
    first = np.append(0, np.flatnonzero(latest[:-1] <= earliest_behind[1:]) + 1)  # of each run
    length = np.diff(first, append=t_ns.size)
    is_near = np.maximum.reduceat(np.abs(order - rows), first) <= REACH
    is_near &= np.maximum.reduceat(latest - t_ns, first) < REACH_NS
    is_near[-1] &= is_overtaken  # a last packet that is also the latest is a run by itself
    is_sorted = np.repeat(is_near, length)
    order = np.where(is_sorted, order, rows)
    return order, int(np.count_nonzero((t_ns[1:] < t_ns[:-1]) & is_sorted[1:]))


def _clean_cut(t_ns: I64) -> int:
    """The last place, a few before the end, that no later packet belongs before; else the end, or 0 for few packets."""
    first = max(0, t_ns.size - _LOOK)
    before = np.maximum.accumulate(t_ns[first:])[:-1]
    behind = np.minimum.accumulate(t_ns[first:][::-1])[::-1][1:]
    clean = np.flatnonzero(before < behind) + first + 1
    clean = clean[clean <= t_ns.size - REACH]
    return int(clean[-1]) if clean.size else int(t_ns.size) if first else 0


def _part(log: ByteLog, first: int, stop: int) -> ByteLog:
    """The packets [first, stop) of a log."""
    begin = int(log.mark_end[first - 1]) if first else log.offset
    part = slice(begin - log.offset, int(log.mark_end[stop - 1]) - log.offset)
    bad = None if log.bad is None else log.bad[part]
    return ByteLog(begin, log.data[part], log.mark_end[first:stop], log.mark_t_ns[first:stop], bad)


def _taken(log: ByteLog, rows: I64) -> ByteLog:
    """Some packets of a log, in the order given."""
    size = np.diff(log.mark_end, prepend=log.offset)
    start = (log.mark_end - size - log.offset)[rows]
    size = size[rows]
    places = _places(start, size)
    bad = None if log.bad is None else log.bad[places]
    return ByteLog(log.offset, log.data[places], log.offset + np.cumsum(size), log.mark_t_ns[rows], bad)


def _places(start: I64, size: I64) -> I64:
    """Indices of the bytes of many packets, one after another."""
    places: I64 = np.repeat(start - np.cumsum(size) + size, size) + np.arange(int(size.sum()))
    return places


def _are_equal(data: U8, start: I64, other: I64, size: I64) -> Bools:
    """True for each pair of packets of one size that hold the same bytes."""
    differs = data[_places(start, size)] != data[_places(other, size)]
    equal: Bools = ~np.logical_or.reduceat(differs, np.cumsum(size) - size)
    return equal
