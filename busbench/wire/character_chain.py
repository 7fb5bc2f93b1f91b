"""Which falling edges start a character: each is the first after the end of the character before."""

from __future__ import annotations

import numpy as np

from busbench.model import I64

_FALLS_MOST = 8  # falling edges up to the next character: a good one has at most six
_TOGETHER_MOST = 400  # above this many falling edges between two pauses, characters are followed one by one
_WALKED = 64  # falling edges per character that are searched if only some are followed


def followers(times: I64, reach_ns: int) -> I64:
    """For each of rising times, the index of the first that is later by at least this, int64 (N,)."""
    follow = np.arange(1, times.size + 1)
    until = times + reach_ns
    for lag in range(1, _FALLS_MOST + 1):
        inside = times[lag:] < until[:-lag]
        if not inside.any():
            return follow
        follow[:-lag] += inside
    return np.searchsorted(times, until)


def walk(follow: I64, at: int, most: int) -> I64:
    """Follow the links from one element to the next, by the index of the next one of each; `most` elements at most."""
    chain: list[int] = []
    near = follow[at : at + most * _WALKED].tolist()
    place, stop = 0, len(near)
    while place < stop and len(chain) < most:
        chain.append(at + place)
        place = near[place] - at
    return np.array(chain, np.int64)


def walk_all(follow: I64, times: I64, first: int, reach_ns: int) -> I64:
    """Follow all links from the first element.

    After a pause a character surely starts, so that all parts between pauses are followed at once.

    Args:
        follow: from `followers`.
        times: rising, int64 (N,).
        first: index of the first.
        reach_ns: as for `followers`.
    """
    starts = np.flatnonzero(np.diff(times[first:]) >= reach_ns) + first + 1
    starts = np.concatenate([[first], starts]) if first < times.size else starts
    if times.size > _TOGETHER_MOST * starts.size:
        return walk(follow, first, times.size)
    is_start = np.zeros(times.size, np.bool_)
    stop = np.append(starts[1:], times.size)
    while starts.size:
        is_start[starts] = True
        starts = follow.take(starts)
        inside = starts < stop
        starts, stop = starts[inside], stop[inside]
    return np.flatnonzero(is_start)
