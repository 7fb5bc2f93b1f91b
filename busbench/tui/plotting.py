"""Channels over a range of a session for plotting: min and max per column."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from busbench.model import F64, I64
from busbench.tui.session import Session
from busbench.wire.frame_spec import ALL_CHANNELS

_DIRECT_ROWS = 50_000  # up to so many frames are evaluated one by one


@dataclass(frozen=True, slots=True, eq=False)
class Envelope:
    """All channels between two positions."""

    lo: int  # lo, hi: positions on the axis
    hi: int
    lows: I64  # lows, highs: min and max in equal parts, -1 without a frame, int64 (18, parts)
    highs: I64
    frames: int  # number of frames
    means: F64 | None  # mean of each channel over these frames, float64 (18,); None if there are too many
    changes: I64 | None  # number of changes of each channel, int64 (18,); None likewise

    def range_of(self, channel: int) -> tuple[int, int] | None:
        """Min and max of a channel, None without frames."""
        came = self.highs[channel] >= 0
        if not came.any():
            return None
        return int(self.lows[channel][came].min()), int(self.highs[channel].max())


def unbroken(lows: I64, highs: I64) -> tuple[I64, I64]:
    """Min and max of each part, extended to the part before, so that steep lines are closed; -1 for none."""
    both = (highs[1:] >= 0) & (highs[:-1] >= 0)
    low, high = lows.copy(), highs.copy()
    low[1:] = np.where(both, np.minimum(lows[1:], highs[:-1]), lows[1:])
    high[1:] = np.where(both, np.maximum(highs[1:], lows[:-1]), highs[1:])
    return low, high


class Plotter:
    """Makes envelopes, and caches the latest."""

    def __init__(self, session: Session) -> None:
        self._session = session
        self._kept: dict[tuple[int, ...], Envelope] = {}

    def envelope(self, lo: int, hi: int, parts: int) -> Envelope:
        """Min and max of all channels in equal parts of [lo, hi); a value holds until the next frame is overdue."""
        store = self._session.store
        first, stop = store.row_at(lo - 1) + 1, store.row_at(hi - 1) + 1
        key = lo, hi, parts, first, stop
        if key in self._kept:
            self._kept[key] = self._kept.pop(key)  # the latest used one stays longest
            return self._kept[key]
        edges = lo + np.arange(parts + 1, dtype=np.int64) * (hi - lo) // parts
        rows = first + np.searchsorted(store.axis_of(first, stop), edges) if stop > first else np.full(parts + 1, first)
        lows, highs = np.full((ALL_CHANNELS, parts), -1, np.int64), np.full((ALL_CHANNELS, parts), -1, np.int64)
        means: F64 | None = None
        changes: I64 | None = None
        some = np.flatnonzero(rows[1:] > rows[:-1])
        if 0 < stop - first <= _DIRECT_ROWS:
            values = store.values(first, stop)
            lows[:, some] = np.minimum.reduceat(values, rows[some] - first, axis=1)
            highs[:, some] = np.maximum.reduceat(values, rows[some] - first, axis=1)
            means = values.mean(axis=1)
            changes = np.count_nonzero(values[:, 1:] != values[:, :-1], axis=1).astype(np.int64)
        else:
            lows[:, some], highs[:, some] = store.spans(rows[some], rows[some + 1])
        self._hold(lows, highs, edges, rows)
        if len(self._kept) > 3:
            self._kept.pop(next(iter(self._kept)))
        self._kept[key] = Envelope(lo, hi, lows, highs, max(0, stop - first), means, changes)
        return self._kept[key]

    def _hold(self, lows: I64, highs: I64, edges: I64, rows: I64) -> None:
        """Fill parts between consecutive frames."""
        store, session = self._session.store, self._session
        empty = np.flatnonzero((rows[1:] == rows[:-1]) & (rows[1:] > 0))
        before = rows[1:][empty] - 1
        stale = round(session.stale_s * 1e9) if session.clock.is_known else 1
        fresh = edges[1:][empty] - store.axis_at(before.astype(np.intp)) <= stale
        held, parts = before[fresh], empty[fresh]
        for row in np.unique(held).tolist():
            lows[:, parts[held == row]] = highs[:, parts[held == row]] = store.values(row, row + 1)


class HeardProgram:
    """What came back while a program was sent, looked at again five times a second."""

    _PARTS = 400  # of the time of the program

    def __init__(self) -> None:
        self._kept: tuple[object, Envelope] | None = None

    def of(self, session: Session, start_ns: int, *, duration_s: float, sent_s: float) -> Envelope:
        """All channels from the first frame that was sent, for the duration of the program.

        Args:
            start_ns: time of that frame on the port's clock.
            duration_s: of the program.
            sent_s: time of the program that was sent so far.
        """
        key = session, start_ns, int(5 * sent_s)
        if self._kept is None or self._kept[0] != key:
            stop_ns = start_ns + round(duration_s * 1e9)
            self._kept = key, Plotter(session).envelope(start_ns, stop_ns, self._PARTS)
        return self._kept[1]
