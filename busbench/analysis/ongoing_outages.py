"""Outages of a live source, found by the same rules as those of a recording."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from busbench.analysis.outages import Outage, find_outages
from busbench.analysis.period import find_period
from busbench.model import I64, Bools, Clock, FrameTimes, Rejects
from busbench.wire.frame_spec import FLAG_FAILSAFE, FLAG_LOST
from busbench.wire.table import AlignmentResult

_TAIL_FRAMES = 4096  # frames evaluated again at each update
_KEPT_FRAMES = 1024
_WORST_FRAMES = 16_384  # max frames of a tail without a place to cut
_PERIOD_FRAMES = 20_000
_CLEAR = 16  # frames without an event on both sides of a cut
_ENDED = 16  # frames after an event before it counts as ended
_NO_PERIOD = 500  # frames after which events are reported even without a period


@dataclass(frozen=True, slots=True)
class Losses:
    """Totals so far."""

    frames: int = 0
    missing: int = 0
    missed: int = 0  # missing, flagged or marked as damaged
    missed_low: int = 0  # lower limit of these, if whole packets were marked for one bad byte
    period_s: float | None = None  # the frame period, None if unknown
    bursts: bool = False  # True if losses followed one another
    stray_bytes: int = 0  # damaged bytes at places where no frame was due

    @property
    def expected(self) -> int:
        """Number of frames that were due."""
        return self.frames + self.missing


@dataclass(slots=True)
class _Tail:
    """The newest frames as columns of equal length; row 0 is frame number `first`."""

    times: FrameTimes
    offset: I64
    first: int = 0

    def add(self, found: AlignmentResult) -> None:
        """Append frames."""
        old, new = self.times, found.frames.times()
        marks = found.frames.line_marks
        self.times = FrameTimes(
            np.concatenate([old.t_ns, new.t_ns]),
            np.concatenate([old.slack_ns, new.slack_ns]),
            np.concatenate([old.flags, new.flags]),
            marks if old.line_marks is None else np.concatenate([old.line_marks, marks]),
        )
        self.offset = np.concatenate([self.offset, found.frames.offset])

    def part(self, lo: int, hi: int) -> FrameTimes:
        """Frames by their number, [lo, hi)."""
        return self.times.part(slice(lo - self.first, hi - self.first))

    def offsets(self, lo: int, hi: int) -> I64:
        """Stream offsets of these frames."""
        return self.offset[lo - self.first : hi - self.first]

    def drop(self, row: int) -> None:
        """Drop the frames before a number."""
        if row > self.first:
            rows = slice(row - self.first, None)
            self.times, self.offset, self.first = self.times.part(rows), self.offset[rows].copy(), row


class OngoingOutages:
    """Outages while frames arrive.

    Events far enough back are settled; the newest frames are evaluated again
    each time, so that an outage that has not ended grows.

    Args:
        clock: the clock of the frames.
        start_ns: zero of the events' times.

    Attributes:
        newest: events that may still change.
    """

    def __init__(self, *, clock: Clock, start_ns: int) -> None:
        self.start_ns = start_ns
        self.losses = Losses()
        self.newest: tuple[Outage, ...] = ()
        self._clock = clock
        self._tail = _Tail(
            FrameTimes(np.empty(0, np.int64), np.empty(0, np.int32), np.empty(0, np.uint8)), np.empty(0, np.int64)
        )
        self._count = 0
        self._row = 0  # frames before it are settled
        self._settled: tuple[Outage, ...] = ()  # and not taken
        self._has_bursts = False
        self._sums = np.zeros(4, np.int64)  # totals of the settled part, see _find
        self._rejects = Rejects.empty()
        self._period_ns: float | None = None
        self._period_rows = 0
        self._handed_on = -1, 0  # the last event of `ended`: its offset, and whether it is one of frames that came

    def add(self, found: AlignmentResult) -> None:
        """Add frames, and the runs of bytes that are in none."""
        if len(found.frames):
            self._tail.add(found)
            self._count += len(found.frames)
        if len(found.rejects):
            self._rejects = Rejects.concat([self._rejects, found.rejects])

    def update(self, now_ns: int | None) -> None:
        """Evaluate the newest frames again; the line was listened to up to `now_ns`, None without a clock."""
        count = self._count
        if count >= 2 * self._period_rows or count >= self._period_rows + _PERIOD_FRAMES:
            self._period_ns = find_period(self._tail.part(max(self._tail.first, count - _PERIOD_FRAMES), count))
            self._period_rows = count
        while count - self._row > _TAIL_FRAMES and (cut := self._find_cut(count)) is not None:
            self._settle(cut)
        if count - self._row > _WORST_FRAMES:  # only losses: an outage is split into two
            self._settle(count - _KEPT_FRAMES)
        self.newest, sums = self._find(self._row, count, now_ns, self._rejects)
        missing, missed, missed_low, stray_bytes = (self._sums + sums).tolist()
        self.losses = Losses(
            frames=count,
            missing=missing,
            missed=missed,
            missed_low=missed_low,
            period_s=None if self._period_ns is None else self._period_ns / 1e9,
            bursts=self._has_bursts or _has_burst(self.newest),
            stray_bytes=stray_bytes,
        )
        self._tail.drop(min(self._row, count - _PERIOD_FRAMES))

    def take_settled(self) -> tuple[Outage, ...]:
        """Settled events not yet returned."""
        settled, self._settled = self._settled, ()
        return settled

    def ended(self, *, is_over: bool = False) -> Iterator[Outage]:
        """Events that have ended since the last call, each once, after `update`; all that are left if it `is_over`."""
        if not is_over and self._clock.is_known and self._period_ns is None and self._count < _NO_PERIOD:
            return
        for event in (*self.take_settled(), *self.newest):
            key = event.offset, int(not event.missing)
            if key > self._handed_on:
                if not is_over and not self._is_ended(event):
                    return
                self._handed_on = key
                yield event

    def _is_ended(self, event: Outage) -> bool:
        at = self._count - _ENDED - self._tail.first
        if at < 0:
            return False
        if event.end_s is not None:
            return event.end_s <= (int(self._tail.times.t_ns[at]) - self.start_ns) / 1e9
        return event.offset + event.bytes <= int(self._tail.offset[at])

    def _find(self, lo: int, hi: int, end_ns: int | None, rejects: Rejects) -> tuple[tuple[Outage, ...], I64]:
        """Events of the rows [lo, hi), and frames missing, missed, missed at least, and stray bytes, int64 (4,)."""
        offsets = self._tail.offsets(lo, hi)
        found = find_outages(
            self._tail.part(lo, hi),
            rejects,
            first_offset=int(offsets[0]) if offsets.size else 0,
            clock=self._clock,
            period_ns=self._period_ns,
            start_ns=self.start_ns,
            end_t_ns=end_ns,
        )
        return found.events, np.array([found.missing, found.missed, found.missed_low, found.stray_bytes], np.int64)

    def _find_cut(self, count: int) -> int | None:
        """A row without events near it, up to which all can be settled."""
        times = self._tail.part(self._row, count)
        bad: Bools = (times.flags & (FLAG_LOST | FLAG_FAILSAFE)) != 0
        if times.line_marks is not None:
            bad |= times.line_marks > 0
        if self._period_ns is not None:
            bad[1:] |= np.diff(times.t_ns) > 1.5 * self._period_ns
        rows = np.searchsorted(self._tail.offsets(self._row, count), self._rejects.offset)
        bad[np.minimum(rows, bad.size - 1)] = True
        near = np.convolve(bad, np.ones(2 * _CLEAR + 1), "same") > 0.5
        good = np.flatnonzero(~near[: count - self._row - _KEPT_FRAMES])
        return self._row + int(good[-1]) if good.size and good[-1] > 0 else None

    def _settle(self, cut: int) -> None:
        offset = int(self._tail.offsets(cut, cut + 1)[0])
        before = self._rejects.offset < offset
        parts = [
            Rejects(self._rejects.offset[which], self._rejects.length[which], self._rejects.reason[which])
            for which in (before, ~before)
        ]
        events, sums = self._find(self._row, cut, None, parts[0])
        self._settled += events
        self._has_bursts |= _has_burst(events)
        self._sums += sums
        self._row, self._rejects = cut, parts[1]


def _has_burst(events: tuple[Outage, ...]) -> bool:
    return any(event.frames > 1 for event in events)
