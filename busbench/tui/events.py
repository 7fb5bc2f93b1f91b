"""Outages as columns on the axis of a session, and the outages of a live session."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from busbench.analysis.ongoing_outages import OngoingOutages
from busbench.analysis.outages import KINDS, Kind, Outage
from busbench.model import F64, I64, U8
from busbench.tui.store import FrameStore

LETTERS: dict[Kind, str] = {"gap": "g", "lost": "l", "failsafe": "f", "damaged": "d"}
# If several share a column of a timeline, the later of these is shown.
_RANK: tuple[Kind, ...] = ("lost", "gap", "damaged", "failsafe")


@dataclass(frozen=True, eq=False)
class Events:
    """Outages as columns of equal length, in order."""

    items: Sequence[Outage]  # the outages themselves, times from the session's start
    start: I64  # start, end: positions on the axis, int64 (M,)
    end: I64

    def __len__(self) -> int:
        return len(self.items)

    @staticmethod
    def of(items: Sequence[Outage], *, store: FrameStore, start_ns: int) -> Events:
        """Put outages on the axis."""
        if not items:
            return NO_EVENTS
        offset = np.array([one.offset for one in items], np.int64)
        rows = np.searchsorted(store.offset, offset)
        if store.clock.is_known:
            # Seconds from the start are exact to a nanosecond; times since the epoch are not.
            start = _ticks([one.start_s for one in items]) + start_ns
            end = _ticks([one.end_s for one in items]) + start_ns
            came = np.array([not one.missing for one in items], np.bool_)
            start[came] = store.axis_at(rows[came])  # exactly, so that jumping there shows the frame
        else:
            start = rows.astype(np.int64)
            width = [one.frames - one.missing for one in items]
            end = start + np.maximum(np.array(width, np.int64), 1)  # missing frames show at the frame after them
        return Events(items, start, end)

    def then(self, others: Events) -> Events:
        """These outages and later ones."""
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
        """Frames missing in each event, int64 (M,)."""
        return np.array([one.missing for one in self.items], np.int64)

    @cached_property
    def lasted_s(self) -> F64:
        """Duration of each event, NaN if unknown, float64 (M,)."""
        return np.array([math.nan if one.duration_s is None else one.duration_s for one in self.items], np.float64)

    @cached_property
    def counts(self) -> dict[Kind, int]:
        """Number of events of each kind."""
        return {kind: int(np.count_nonzero(self.kind == rank_of(kind))) for kind in KINDS}

    @cached_property
    def longest_s(self) -> float | None:
        """The longest event."""
        known = self.lasted_s[~np.isnan(self.lasted_s)]
        return float(known.max()) if known.size else None

    def prepare(self) -> Events:
        """Prepare cached columns; returns itself."""
        _ = self.kind, self.missing, self.longest_s
        return self

    def at(self, place: int) -> int | None:
        """The event at a position, or None."""
        index = int(np.searchsorted(self.start, place, "right")) - 1
        return index if index >= 0 and place < self.end[index] else None

    def after(self, place: int) -> int | None:
        """The first event that begins after a position."""
        index = int(np.searchsorted(self.start, place, "right"))
        return index if index < len(self) else None

    def before(self, place: int) -> int | None:
        """The last event that begins before a position."""
        index = int(np.searchsorted(self.start, place)) - 1
        return index if index >= 0 else None

    def letters(self, lo: int, hi: int, width: int) -> list[str]:
        """A letter per part of [lo, hi) in `width` parts, a capital if several events begin there, else blank."""
        cells, several = np.zeros(width, np.uint8), np.zeros(width, np.int64)
        if len(self) and hi > lo:
            first, last = (self.start - lo) * width // (hi - lo), (self.end - lo) * width // (hi - lo)
            inside = (last >= 0) & (first < width)
            first, last = np.clip(first[inside], 0, width - 1), np.clip(last[inside], 0, width - 1)
            kind = self.kind[inside]
            np.maximum.at(cells, first, kind)
            several = np.bincount(first, minlength=width)
            for at in np.flatnonzero(last > first).tolist():
                part = cells[first[at] : last[at] + 1]
                np.maximum(part, kind[at], out=part)
        letters = [" " if not code else LETTERS[_RANK[code - 1]] for code in cells.tolist()]
        return [one.upper() if count > 1 else one for one, count in zip(letters, several.tolist(), strict=True)]

    def missing_within(self, lo: int, hi: int) -> int:
        """Frames missing in [lo, hi); events that cross its ends count by their share."""
        here = np.flatnonzero((self.start < hi) & (self.end > lo) & (self.missing > 0))
        length = np.maximum(self.end[here] - self.start[here], 1)
        shared = np.minimum(self.end[here], hi) - np.maximum(self.start[here], lo)
        return int(np.rint(self.missing[here] * shared / length).sum())


def rank_of(kind: Kind) -> int:
    """The number of a kind in Events.kind."""
    return _RANK.index(kind) + 1


def _ticks(seconds: list[float | None]) -> I64:
    return np.rint(np.array([one or 0.0 for one in seconds], np.float64) * 1e9).astype(np.int64)


NO_EVENTS = Events((), np.empty(0, np.int64), np.empty(0, np.int64))


class GrowingOutages(OngoingOutages):
    """Outages of a live session, on its axis.

    Args:
        store: the frames, to which the same are added.
        start_ns: time of the session's start.
    """

    def __init__(self, store: FrameStore, *, start_ns: int) -> None:
        super().__init__(clock=store.clock, start_ns=start_ns)
        self._store = store
        self._placed_events = self.events = NO_EVENTS
        self._seen: tuple[Outage, ...] = ()

    def update(self, now_ns: int | None) -> None:
        """Evaluate the newest frames; see OngoingOutages."""
        super().update(now_ns)
        settled = self.take_settled()
        if settled:
            self._placed_events = self._placed_events.then(self._placed(settled))
        if settled or self.newest != self._seen:
            self._seen = self.newest
            self.events = self._placed_events.then(self._placed(self.newest))

    def _placed(self, events: tuple[Outage, ...]) -> Events:
        return Events.of(events, store=self._store, start_ns=self.start_ns)
