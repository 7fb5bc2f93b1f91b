"""Which outages are listed and in which rows: of one kind, by words or all; dense ones in groups.

What is worked out of all outages is kept; a look at the rows around one takes no longer for a million of them.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np

from busbench.analysis.outages import KINDS, Kind
from busbench.model import I64, Bools
from busbench.tui.events import Events, rank_of
from busbench.tui.session import Session

_NEAR_S = 0.5  # outages less apart belong together
_GROUP_LEAST = 4
_UNITS_S = {"us": 1e-6, "µs": 1e-6, "ms": 1e-3, "s": 1.0, "min": 60.0}
_LASTED = re.compile(r"([<>])(\d+(?:\.\d+)?)(us|µs|ms|s|min)")
_TIME = re.compile(r"(?:(\d+):)?(\d+):(\d\d)(?:\.(\d{1,3}))?")


@dataclass(frozen=True, slots=True)
class Row:
    """One row: an outage, or several close together."""

    first: int  # first, last: indices into the events
    last: int
    count: int  # outages in it


class OutageRows:
    """Some outages of a session in rows.

    Args:
        events: all outages.
        indices: of those listed, ascending, int64.
        ticks_per_s: units of the axis in a second.
    """

    def __init__(self, events: Events, indices: I64, *, ticks_per_s: int) -> None:
        self.indices = indices
        gaps = events.start[indices[1:]] - events.end[indices[:-1]]
        apart = np.flatnonzero(gaps >= _NEAR_S * ticks_per_s) + 1
        self._first = np.concatenate([[0], apart]) if indices.size else apart  # of each group, a place in indices
        self._size = np.diff(self._first, append=indices.size)
        self._rows = np.where(self._size < _GROUP_LEAST, self._size, 1)

    def around(self, chosen: int | None, count: int) -> list[Row]:
        """Rows around the chosen outage, whose group is taken apart; from the first on where none is chosen.

        Args:
            chosen: index of an outage, listed or not.
            count: rows at most.
        """
        rows, group, centre = self._rows, -1, 0
        at = self.place_of(chosen)
        if at is not None:
            group = int(np.searchsorted(self._first, at, "right")) - 1
            rows = rows.copy()
            rows[group] = self._size[group]
            centre = int(rows[:group].sum() + at - self._first[group])
        ends = np.cumsum(rows)
        total = int(ends[-1]) if ends.size else 0
        first = max(0, min(centre - count // 2, total - count))
        out: list[Row] = []
        row = first
        while row < min(total, first + count):
            here = int(np.searchsorted(ends, row, "right"))
            inside, start, size = row - int(ends[here] - rows[here]), int(self._first[here]), int(self._size[here])
            if rows[here] == size:
                index = int(self.indices[start + inside])
                out.append(Row(index, index, 1))
            else:
                out.append(Row(int(self.indices[start]), int(self.indices[start + size - 1]), size))
            row += 1
        return out

    def listed(self, row: Row) -> I64:
        """Indices of the outages of a row, without those between them that are not listed."""
        at = int(np.searchsorted(self.indices, row.first))
        return self.indices[at : at + row.count]

    def place_of(self, index: int | None) -> int | None:
        """Place of an outage among those listed, None if it is not."""
        if index is None:
            return None
        at = int(np.searchsorted(self.indices, index))
        return at if at < self.indices.size and self.indices[at] == index else None


@dataclass(eq=False)
class OutageFilter:
    """Which outages of a session are listed and stepped through."""

    kind: Kind | None = None  # None for all
    text: str = ""  # words that all must fit, see `fits`; "" for all
    _kept: tuple[Events, Kind | None, str, OutageRows] | None = None

    def rows(self, session: Session) -> OutageRows:
        """The rows; worked out again only where outages or filter changed."""
        events = session.events
        kept = self._kept
        if kept is None or kept[0] is not events or kept[1:3] != (self.kind, self.text):
            inside = np.ones(len(events), np.bool_)
            if self.kind is not None:
                inside &= events.kind == rank_of(self.kind)
            for word in self.text.casefold().split():
                inside &= fits(word, session)
            indices = np.flatnonzero(inside).astype(np.int64)
            kept = events, self.kind, self.text, OutageRows(events, indices, ticks_per_s=session.store.ticks_per_s)
            self._kept = kept
        return kept[3]

    @property
    def words(self) -> str:
        """For people: which are listed, "" for all."""
        return ", ".join(filter(None, [self.kind or "", f'"{self.text}"' if self.text else ""]))

    def clear(self) -> None:
        """All outages, of any session."""
        self.kind, self.text, self._kept = None, "", None


def fits(word: str, session: Session) -> Bools:
    """True for each outage that a word is about, bool (M,); a word of no meaning is about none.

    Args:
        word: part of a kind ("gap"), the number of an outage ("12"), the time at which it began, to the second or
            closer ("0:12", "1:02:03.4"), or how long it lasted (">50ms", "<2s").
    """
    events = session.events
    found = np.zeros(len(events), np.bool_)
    if word.isdecimal():
        found[int(word) - 1 : int(word)] = int(word) > 0
    elif lasted := _LASTED.fullmatch(word):
        limit_s = float(lasted[2]) * _UNITS_S[lasted[3]]
        found = events.lasted_s > limit_s if lasted[1] == ">" else events.lasted_s < limit_s
    elif (time := _TIME.fullmatch(word)) and session.clock.is_known:
        begins_ms = np.rint((events.start - session.start) / 1e6).astype(np.int64)
        hours, minutes, seconds = int(time[1] or 0), int(time[2]), int(time[3])
        digits = time[4] or ""
        first_ms = ((hours * 60 + minutes) * 60 + seconds) * 1000 + int(digits.ljust(3, "0"))
        found = (begins_ms >= first_ms) & (begins_ms < first_ms + 10 ** (3 - len(digits)))
        if not digits and not time[1]:  # hours and minutes begin in the same way
            found |= (begins_ms // 60_000) == minutes * 60 + seconds
    elif any(character.isalpha() for character in word):
        for kind in KINDS:
            if word in kind:
                found |= events.kind == rank_of(kind)
    return found
