"""A session: the frames of a port or a recording, and the current position in them.

It is independent of the screen. Positions are integers on the axis of the frames:
nanoseconds, or row numbers where the frames have no clock.
"""

from __future__ import annotations

import abc
import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from busbench.analysis.binomial import loss_bounds
from busbench.analysis.ongoing_outages import Losses
from busbench.analysis.outages import Outages
from busbench.errors import pluralize
from busbench.line import BUS_LINE, LineSettings
from busbench.model import I64, Annotation, Clock
from busbench.tui.channels import ChannelRows, find_glitches, look
from busbench.tui.events import NO_EVENTS, Events
from busbench.tui.store import FrameStore
from busbench.tui.timing import TimingFigures
from busbench.wire.frame_spec import ALL_CHANNELS, FLAG_CH17, FLAG_CH18, FLAG_FAILSAFE, FLAG_LOST
from busbench.wire.scale import Scale

PACES = (0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0)
RECENT_S = 10.0
_STALE_PERIODS = 1.6  # max age of a current frame


@dataclass(frozen=True, slots=True)
class Across:
    """What one channel did across an outage."""

    # before, after: counts of the last frame before and the first frame after, None without one
    before: int | None
    low: int | None  # low, high: min and max of frames during it, None without frames
    high: int | None
    after: int | None


class Session(abc.ABC):
    """The common part of live sessions and recordings."""

    is_live = False

    def __init__(
        self,
        source: str,
        *,
        clock: Clock,
        line: LineSettings = BUS_LINE,
        names: Mapping[int, str] | None = None,
        scale: Scale = Scale(),  # noqa: B008 - frozen
    ) -> None:
        self.source, self.line, self.clock = source, line, clock
        self.title = source  # name for people, if several are shown
        self.names = dict(names or {})
        self.scale = scale
        self.store = FrameStore(clock=clock)
        self.events: Events = NO_EVENTS
        self.losses: Losses | Outages = Losses()  # the totals; of a recording all that was found
        self.marks: list[Annotation] = []
        self.unkept_marks = 0  # annotations in no file
        self.notice = ""  # the last message, for people
        self.start = self.end = self.place = 0
        self.is_moving = True  # replay: playing; live: following
        self.pace = 1.0
        self.reset_row = 0
        self.cut_in: int | None = None
        self.cut_out: int | None = None
        self._bound: tuple[tuple[int, int], float] | None = None
        self._glitches: frozenset[int] = frozenset()

    # to be implemented

    @abc.abstractmethod
    def tick(self, dt_s: float) -> None:
        """Advance by the time since the last call: take new data, move the position."""

    @abc.abstractmethod
    def refresh(self) -> None:
        """Update slower figures; call it a few times per second."""

    @property
    @abc.abstractmethod
    def link(self) -> str:
        """The state of the link in one or two words: in sync, out of sync, silent …"""

    @property
    def progress(self) -> str:
        """Progress of reading a recording, for people; empty at its end, and for what is live."""
        return ""

    @abc.abstractmethod
    def timing(self) -> TimingFigures | None:
        """Frame timing, or None."""

    def close(self) -> None:
        """Close everything; may be called twice."""
        self.store.close()

    # position

    @property
    def row(self) -> int:
        """The frame at the position, -1 before the first."""
        return self.store.row_at(self.place)

    def seconds(self, place: int) -> float:
        """Seconds from the start to a position."""
        return (place - self.start) / self.store.ticks_per_s

    def seek(self, place: int) -> None:
        """Go to a position and stop there."""
        self.is_moving = False
        self.place = min(max(place, self.start), max(self.start, self.end))

    def seek_by(self, seconds: float) -> None:
        """Move forward or back by a time."""
        was_moving = self.is_moving and not self.is_live
        self.seek(self.place + round(seconds * self.store.ticks_per_s))
        self.is_moving = was_moving

    def step(self, rows: int) -> None:
        """Move forward or back by frames."""
        if len(self.store):
            row = min(max(self.row + rows, 0), len(self.store) - 1)
            self.seek(self.store.axis(row))

    def jump(self, direction: int, *, chosen: int | None = None, among: I64 | None = None) -> int | None:
        """Go to the next (1) or previous (-1) outage.

        Args:
            direction: 1 or -1.
            chosen: the chosen outage; used if the position is still at it.
            among: indices of the listed outages, ascending; None for all.

        Returns:
            Its index, None without one.
        """
        events = self.events
        index = events.after(self.place) if direction > 0 else events.before(self.place)
        if chosen is not None and chosen < len(events) and events.start[chosen] == self.place:
            index = chosen + direction
        if index is not None and among is not None:
            at = int(np.searchsorted(among, index, "left" if direction > 0 else "right")) - (direction < 0)
            index = int(among[at]) if 0 <= at < among.size else None
        if index is None or not 0 <= index < len(events):
            return None
        self.seek(int(events.start[index]))
        return index

    def change_pace(self, steps: int) -> None:
        """Play faster or slower."""
        at = PACES.index(self.pace) + steps
        self.pace = PACES[min(max(at, 0), len(PACES) - 1)]

    def toggle(self) -> None:
        """Play and pause, or freeze and follow."""
        self.is_moving = not self.is_moving

    def reset(self) -> None:
        """Reset the ranges here."""
        self.reset_row = max(0, self.row)

    def mark(self, place: int, text: str) -> None:
        """Set an annotation at a position (raises BusbenchError: writing failed; it is kept here)."""
        self.marks = sorted([*self.marks, Annotation(place, text)], key=lambda one: one.t_ns)

    @property
    def unkept(self) -> list[str]:
        """Unwritten work that would be lost with the session, for people."""
        return [pluralize(self.unkept_marks, "annotation")] if self.unkept_marks else []

    def mark_place(self, mark: Annotation) -> int:
        """Position of an annotation on the axis."""
        return mark.t_ns

    def set_cut(self, *, is_end: bool) -> None:
        """Set the start or end of the cut here."""
        if is_end:
            self.cut_out = self.place
        else:
            self.cut_in = self.place
        if self.cut_in is not None and self.cut_out is not None and self.cut_in > self.cut_out:
            self.cut_in, self.cut_out = self.cut_out, self.cut_in

    # figures

    def channel_rows(self, points: int) -> ChannelRows:
        """All channels at the position."""
        return look(
            self.store,
            self.place,
            since=self.reset_row,
            points=points,
            glitches=self._glitches,
            stale_ns=round(self.stale_s * 1e9),
            is_gone=self.flags is None,
        )

    def refresh_glitches(self) -> None:
        """Update glitches near the position."""
        self._glitches = find_glitches(self.store, self.place)

    @property
    def upper95(self) -> float:
        """The 95 % upper confidence limit of the loss ratio, one-sided."""
        key = self.losses.missed, self.losses.expected
        if self._bound is None or self._bound[0] != key:
            self._bound = key, loss_bounds(*key).upper_one_sided
        return self._bound[1]

    @property
    def flags(self) -> int | None:
        """Byte 23 of the current frame, or None."""
        row = self.row
        if row < 0 or (self.clock.is_known and self.age_s > self.stale_s):
            return None
        at = self.events.at(self.place)
        if at is not None and self.events.items[at].missing:
            return None
        return int(self.store.flags[row])

    @property
    def age_s(self) -> float:
        """Age of the frame at the position, infinite before the first, 0 without a clock."""
        row = self.row
        if row < 0:
            return math.inf
        return (self.place - self.store.axis(row)) / 1e9 if self.clock.is_known else 0.0

    @property
    def stale_s(self) -> float:
        """Max age of a current frame."""
        return _STALE_PERIODS * (self.losses.period_s or 0.02)

    def value_at(self, channel: int, place: int) -> int | None:
        """Counts of a channel (0-17) at a place, None where no whole frame is there."""
        row = self.store.row_at(place)
        stale = round(self.stale_s * 1e9) if self.clock.is_known else 0
        if row < 0 or place - self.store.axis(row) > stale or self.store.is_damaged(row, row + 1)[0]:
            return None
        return int(self.store.values(row, row + 1)[channel, 0])

    @property
    def flag_words(self) -> str:
        """The current flags, for people."""
        flags = self.flags
        if flags is None:
            return "no frame"
        if self.store.is_damaged(self.row, self.row + 1)[0]:
            return "damaged frame"
        names = ((FLAG_FAILSAFE, "FAILSAFE"), (FLAG_LOST, "LOST"), (FLAG_CH17, "17 on"), (FLAG_CH18, "18 on"))
        return " ".join(name for bit, name in names if flags & bit) or "none"

    def recent_losses(self, seconds: float = RECENT_S) -> tuple[int, int]:
        """Frames missed and frames due in the last seconds before the position."""
        lo = max(self.start, self.place - round(seconds * self.store.ticks_per_s))
        first, last = self.store.row_at(lo) + 1, self.row + 1
        flags = self.store.flags[first:last]
        bad = (flags & (FLAG_LOST | FLAG_FAILSAFE) > 0) | self.store.is_damaged(first, last)
        # Without a clock, an outage is at the frame after it.
        missing = self.events.missing_within(lo, self.place + (not self.clock.is_known))
        return int(np.count_nonzero(bad)) + missing, max(0, last - first) + missing

    def across(self, index: int) -> list[Across]:
        """What each channel did across an outage."""
        event, store = self.events.items[index], self.store
        came = event.frames - event.missing
        first = int(np.searchsorted(store.offset, event.offset))  # the first frame, or the one after the gap
        before, after = first - 1, first + came
        rows = {row: store.values(row, row + 1)[:, 0] for row in (before, after) if 0 <= row < len(store)}
        during = store.span(before + 1, after) if event.kind != "damaged" and came else None
        out = []
        for channel in range(ALL_CHANNELS):
            ends = [int(rows[row][channel]) if row in rows else None for row in (before, after)]
            low, high = (None, None) if during is None else (int(during[0][channel]), int(during[1][channel]))
            out.append(Across(ends[0], low, high, ends[1] if after > before else None))
        return out
