"""Outages as columns on the axis of a session, and the outages of a session that still goes on."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from busbench.analysis.outages import KINDS, Kind, Outage, find_outages
from busbench.analysis.period import find_period
from busbench.model import I64, U8, Rejects
from busbench.tui.store import FrameStore
from busbench.wire.codec import FLAG_FAILSAFE, FLAG_LOST

LETTERS: dict[Kind, str] = {"gap": "g", "lost": "l", "failsafe": "f", "damaged": "d"}
# Where several stand in one column of a timeline the later of these is shown.
_RANK: tuple[Kind, ...] = ("lost", "gap", "damaged", "failsafe")

_TAIL_FRAMES = 4096  # looked at anew each time
_KEPT_FRAMES = 1024
_PERIOD_FRAMES = 20_000
_CLEAR = 16  # frames without an event on both sides of a cut


@dataclass(frozen=True, eq=False)
class Events:
    """Outages as columns of equal length, in order.

    Args:
        items: the outages themselves, times from the session's start.
        start, end: places on the axis, int64 (M,).
    """

    items: Sequence[Outage]
    start: I64
    end: I64

    def __len__(self) -> int:
        return len(self.items)

    @staticmethod
    def of(items: Sequence[Outage], *, store: FrameStore, start_ns: int, first_row: int = 0) -> Events:
        """Place outages, none of which begins before a row, on the axis."""
        if not items:
            return NO_EVENTS
        offset = np.array([one.offset for one in items], np.int64)
        rows = first_row + np.searchsorted(store.offset[first_row:], offset)
        if store.clock.is_known:
            # From the start seconds are exact to a nanosecond, as times since the epoch they are not.
            start = _ticks([one.start_s for one in items]) + start_ns
            end = _ticks([one.end_s for one in items]) + start_ns
            came = np.array([not one.missing for one in items], np.bool_)
            start[came] = store.axis_at(rows[came])  # exactly, so that jumping there shows the frame
        else:
            start = rows.astype(np.int64)
            width = [one.frames - one.missing for one in items]
            end = start + np.maximum(np.array(width, np.int64), 1)  # what did not come is seen at the frame after it
        return Events(items, start, end)

    def then(self, others: Events) -> Events:
        """These and those that follow them."""
        if not len(others):
            return self
        start, end = np.concatenate([self.start, others.start]), np.concatenate([self.end, others.end])
        return Events((*self.items, *others.items), start, end)

    @cached_property
    def kind(self) -> U8:
        """Rank of each event's kind for the timeline, from 1, uint8 (M,)."""
        return np.array([_RANK.index(one.kind) + 1 for one in self.items], np.uint8)

    @cached_property
    def missing(self) -> I64:
        """Frames missing in each event, 0 if they came, int64 (M,)."""
        return np.array([one.missing for one in self.items], np.int64)

    @cached_property
    def longest_s(self) -> float | None:
        """The longest event."""
        return max((one.duration_s for one in self.items if one.duration_s is not None), default=None)

    def at(self, place: int) -> int | None:
        """The event that stands at a place, if there is one."""
        index = int(np.searchsorted(self.start, place, "right")) - 1
        return index if index >= 0 and place < self.end[index] else None

    def after(self, place: int) -> int | None:
        """The first event that begins behind a place."""
        index = int(np.searchsorted(self.start, place, "right"))
        return index if index < len(self) else None

    def before(self, place: int) -> int | None:
        """The last event that begins before a place."""
        index = int(np.searchsorted(self.start, place)) - 1
        return index if index >= 0 else None

    def letters(self, lo: int, hi: int, width: int) -> list[str]:
        """A letter for each of `width` equal parts of [lo, hi), blank where nothing was amiss."""
        cells = np.zeros(width, np.uint8)
        if len(self) and hi > lo:
            first = np.floor((self.start - lo) / (hi - lo) * width).astype(np.int64)
            last = np.floor((self.end - lo) / (hi - lo) * width).astype(np.int64)
            inside = (last >= 0) & (first < width)
            first, last = np.clip(first[inside], 0, width - 1), np.clip(last[inside], 0, width - 1)
            kind = self.kind[inside]
            np.maximum.at(cells, first, kind)
            for at in np.flatnonzero(last > first).tolist():
                part = cells[first[at] : last[at] + 1]
                np.maximum(part, kind[at], out=part)
        return [" " if not code else LETTERS[_RANK[code - 1]] for code in cells.tolist()]

    def missing_within(self, lo: int, hi: int) -> int:
        """Frames missing in [lo, hi), events that reach over its ends taken by their share."""
        here = np.flatnonzero((self.start < hi) & (self.end > lo) & (self.missing > 0))
        length = np.maximum(self.end[here] - self.start[here], 1)
        shared = np.minimum(self.end[here], hi) - np.maximum(self.start[here], lo)
        return int(np.rint(self.missing[here] * shared / length).sum())


def _ticks(seconds: list[float | None]) -> I64:
    return np.rint(np.array([one or 0.0 for one in seconds], np.float64) * 1e9).astype(np.int64)


NO_EVENTS = Events((), np.empty(0, np.int64), np.empty(0, np.int64))


@dataclass(frozen=True, slots=True)
class Losses:
    """Losses of a session.

    Args:
        frames: that came.
        missing: that did not.
        missed: missing, flagged or marked as damaged.
        missed_low: as many of these at least, where packets were marked for one bad byte.
        period_s: their period, None where it is not known.
        bursts: True where losses stood together.
        stray_bytes: damaged bytes that took the place of no frame.
    """

    frames: int = 0
    missing: int = 0
    missed: int = 0
    missed_low: int = 0
    period_s: float | None = None
    bursts: bool = False
    stray_bytes: int = 0

    @property
    def expected(self) -> int:
        """Frames that were due."""
        return self.frames + self.missing


class GrowingOutages:
    """The outages of a session that goes on, found by the same rules as those of a recording.

    What lies far enough back is settled; the newest frames are looked at anew
    each time, so that an outage that has not ended grows.

    Args:
        store: the frames.
        start_ns: time of the session's start.
    """

    def __init__(self, store: FrameStore, *, start_ns: int) -> None:
        self._store, self._start_ns = store, start_ns
        self._row = 0  # frames before it are settled
        self._settled = NO_EVENTS
        self._has_bursts = False
        self._newest: tuple[Outage, ...] = ()
        self._sums = np.zeros(4, np.int64)  # of what is settled, see _find
        self._rejects = Rejects.empty()
        self._period_ns: float | None = None
        self._period_rows = 0
        self.losses = Losses()
        self.events = NO_EVENTS

    def add(self, rejects: Rejects) -> None:
        """Take further runs of bytes that are in no frame."""
        if len(rejects):
            self._rejects = Rejects.concat([self._rejects, rejects])

    def update(self, now_ns: int) -> None:
        """Look at the newest frames.

        Args:
            now_ns: time up to which the line was certainly listened to.
        """
        count = len(self._store)
        if count >= 2 * self._period_rows or count >= self._period_rows + _PERIOD_FRAMES:
            self._period_ns = find_period(self._store.times(max(0, count - _PERIOD_FRAMES), count))
            self._period_rows = count
        while count - self._row > _TAIL_FRAMES and (cut := self._find_cut(count)) is not None:
            self._settle(cut)
        events, sums = self._find(self._row, count, now_ns, self._rejects)
        missing, missed, missed_low, stray_bytes = (self._sums + sums).tolist()
        self.losses = Losses(
            frames=count,
            missing=missing,
            missed=missed,
            missed_low=missed_low,
            period_s=None if self._period_ns is None else self._period_ns / 1e9,
            bursts=self._has_bursts or _has_burst(events),
            stray_bytes=stray_bytes,
        )
        if events != self._newest or len(self._settled) + len(events) != len(self.events):
            self._newest = events
            self.events = self._settled.then(self._placed(events))

    def _placed(self, events: tuple[Outage, ...]) -> Events:
        return Events.of(events, store=self._store, start_ns=self._start_ns, first_row=self._row)

    def _find(self, lo: int, hi: int, end_ns: int | None, rejects: Rejects) -> tuple[tuple[Outage, ...], I64]:
        """Events of the rows [lo, hi), and frames missing, missed, missed at least, and stray bytes, int64 (4,)."""
        found = find_outages(
            self._store.times(lo, hi),
            rejects,
            first_offset=self._store.first_offset(lo),
            clock=self._store.clock,
            period_ns=self._period_ns,
            start_ns=self._start_ns,
            end_t_ns=end_ns,
        )
        return found.events, np.array([found.missing, found.missed, found.missed_low, found.stray_bytes], np.int64)

    def _find_cut(self, count: int) -> int | None:
        """A row with nothing amiss near it, to settle all before it."""
        times = self._store.times(self._row, count)
        bad = (times.flags & (FLAG_LOST | FLAG_FAILSAFE)) != 0
        if times.line_marks is not None:
            bad |= times.line_marks > 0
        if self._period_ns is not None:
            bad[1:] |= np.diff(times.t_ns) > 1.5 * self._period_ns
        rows = np.searchsorted(self._store.offset[self._row : count], self._rejects.offset)
        bad[np.minimum(rows, bad.size - 1)] = True
        near = np.convolve(bad, np.ones(2 * _CLEAR + 1), "same") > 0.5
        good = np.flatnonzero(~near[: count - self._row - _KEPT_FRAMES])
        return self._row + int(good[-1]) if good.size and good[-1] > 0 else None

    def _settle(self, cut: int) -> None:
        offset = int(self._store.offset[cut])
        before = self._rejects.offset < offset
        parts = [
            Rejects(self._rejects.offset[which], self._rejects.length[which], self._rejects.reason[which])
            for which in (before, ~before)
        ]
        events, sums = self._find(self._row, cut, None, parts[0])
        self._settled = self._settled.then(self._placed(events))
        self._has_bursts |= _has_burst(events)
        self._sums += sums
        self._row, self._rejects = cut, parts[1]


def _has_burst(events: tuple[Outage, ...]) -> bool:
    return any(event.frames > 1 for event in events)


__all__ = ["KINDS", "LETTERS", "NO_EVENTS", "Events", "GrowingOutages", "Losses"]
