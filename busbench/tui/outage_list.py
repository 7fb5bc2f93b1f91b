"""The list of outages: of one kind or all, dense ones in groups, the one chosen always on its own row."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from busbench.analysis.outages import Kind
from busbench.model import I64
from busbench.tui.events import Events, rank_of

_NEAR_S = 0.5  # outages less apart belong together
_GROUP_LEAST = 4


@dataclass(frozen=True, slots=True)
class Row:
    """One row: an outage, or several close together.

    Args:
        first, last: indices into the events.
        count: outages in it.
    """

    first: int
    last: int
    count: int


def indices_of(events: Events, kind: Kind | None) -> I64:
    """Indices of the outages of a kind, or of all, int64."""
    if kind is None:
        return np.arange(len(events), dtype=np.int64)
    found: I64 = np.flatnonzero(events.kind == rank_of(kind)).astype(np.int64)
    return found


def list_rows(events: Events, kind: Kind | None, *, chosen: int | None, ticks_per_s: int) -> list[Row]:
    """All rows, in order; a group that holds the chosen outage is taken apart.

    Args:
        events: the outages.
        kind: of those listed, None for all.
        chosen: index of the outage looked at, None for none.
        ticks_per_s: units of the axis in a second.
    """
    indices = indices_of(events, kind)
    if not indices.size:
        return []
    gaps = events.start[indices[1:]] - events.end[indices[:-1]]
    firsts = np.concatenate([[0], np.flatnonzero(gaps >= _NEAR_S * ticks_per_s) + 1])
    stops = np.concatenate([firsts[1:], [indices.size]])
    rows: list[Row] = []
    for first, stop in zip(firsts.tolist(), stops.tolist(), strict=True):
        some = indices[first:stop].tolist()
        if len(some) < _GROUP_LEAST or (chosen is not None and some[0] <= chosen <= some[-1]):
            rows += [Row(one, one, 1) for one in some]
        else:
            rows.append(Row(some[0], some[-1], len(some)))
    return rows
