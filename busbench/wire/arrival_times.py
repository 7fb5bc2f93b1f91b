"""Bounds on the end of each frame, from the clock marks of a log.

A mark says that the bytes up to it had been handed over by its time, and that
the byte after it had not. Characters follow one another inside a frame, so each
mark inside a frame bounds the frame's end to one character time, and the mark
before it bounds it from below, as far as its read returned in time. An adapter that hands over blocks
holds back bytes that have come: then no read bounds from below.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from busbench.model import I64, Bools
from busbench.wire.frame_spec import FRAME_BYTES

SLACK_UNKNOWN = 2**31 - 1
CUT_NS = 240_000  # frames that no read cut are never bounded to two characters
_FAR = 1 << 62
_BLOCK_SIZES = [size for size in range(4, 65) if size % 5]  # a size that shares a divisor with the frame shows nothing
_BLOCK_READS, _BLOCK_SAMPLES, _BLOCK_SHARE = 64, 512, 0.7


def frame_bounds(offset: I64, mark_end: I64, mark_t_ns: I64, *, character_ns: int) -> tuple[I64, NDArray[np.int32]]:
    """Bound the arrival of each frame's last byte.

    Args:
        offset: stream offsets of the headers, int64 (N,), rising.
        mark_end: stream offset just past each mark's last byte, int64 (M,), rising;
            the last one is at or past the last frame's end.
        mark_t_ns: times of the marks, int64 (M,).
        character_ns: time of one character on the line.

    Returns:
        t_ns int64 (N,), the latest time, and slack_ns int32 (N,), how much
        earlier it may have been (SLACK_UNKNOWN where nothing bounds it): up to
        CUT_NS where a read cut the frame, more elsewhere. Below one character
        the stamps of two reads contradict each other by the rest. CUT_NS itself
        where a read cut it, but the adapter hands over blocks of fixed size.

    Source: derivation above.
    """
    if offset.size == 1:
        one = _one_bound(int(offset[0]), mark_end, mark_t_ns, character_ns)
        return np.array(one[:1]), np.array(one[1:], np.int32)
    end = offset + FRAME_BYTES
    first = int(np.searchsorted(mark_end, end[0]))
    if np.array_equal(mark_end[first : first + end.size], end):
        # one read per frame: the read before bounds it from below; no read ends inside it, except the first
        latest = mark_t_ns[first : first + end.size]
        slack = np.empty(end.size, np.int32)
        step = latest[1:] - latest[:-1]
        step -= (FRAME_BYTES - 1) * character_ns
        slack[1:] = _as_slack(step, None)
        latest_ns, slack[0] = _one_bound(int(offset[0]), mark_end[: first + 1], mark_t_ns, character_ns)
        if latest_ns != latest[0]:
            latest = latest.copy()
            latest[0] = latest_ns
        return latest, slack
    holds = np.searchsorted(mark_end, end)
    latest = mark_t_ns[holds]
    earliest = np.full(end.size, -_FAR)
    is_cut = np.zeros(end.size, np.bool_)
    # Mark by mark, backwards from the last mark before the last byte.
    rows: I64 | slice = slice(int(np.searchsorted(holds, 1)), None)
    before = holds[rows] - 1
    inside_end: list[I64] = []
    while before.size:
        had = mark_end[before] - offset[rows]  # bytes of the frame that had arrived; <= 0: none
        t = mark_t_ns[before]
        bound = t + (FRAME_BYTES - 1) * character_ns
        bound -= np.maximum(had, 0) * character_ns
        earliest[rows] = np.maximum(earliest[rows], bound)
        inside = np.flatnonzero(had > 0)
        cut = inside + rows.start if isinstance(rows, slice) else rows[inside]
        is_cut[cut] = True
        inside_end.append(mark_end[before[inside]])
        latest[cut] = np.minimum(latest[cut], bound[inside] + character_ns)
        more = before[inside] > 0
        rows, before = cut[more], before[inside][more] - 1
    slack = _as_slack(latest - earliest, is_cut)
    if inside_end and _are_blocks(np.concatenate(inside_end)):
        slack[is_cut] = CUT_NS
    return latest, slack


def _one_bound(offset: int, mark_end: I64, mark_t_ns: I64, character_ns: int) -> tuple[int, int]:
    """`frame_bounds` of one frame, as it arrives: plain numbers are faster than arrays of length 1."""
    at = int(np.searchsorted(mark_end, offset + FRAME_BYTES))
    latest, earliest, is_cut = int(mark_t_ns[at]), -_FAR, False
    had = 1
    while had > 0 and at > 0:
        at -= 1
        had = int(mark_end[at]) - offset
        bound = int(mark_t_ns[at]) + (FRAME_BYTES - 1 - max(had, 0)) * character_ns
        earliest = max(earliest, bound)
        if had > 0:
            latest, is_cut = min(latest, bound + character_ns), True
    apart = latest - earliest if is_cut else max(latest - earliest, CUT_NS + 1)
    return latest, max(-SLACK_UNKNOWN, min(SLACK_UNKNOWN, apart))


def _are_blocks(end: I64) -> bool:
    """True if reads that end inside a frame end at multiples of a block size, at any position in the frame.

    Args:
        end: stream offsets of their ends, int64 (M,).
    """
    if end.size < _BLOCK_READS:
        return False
    some = end[:: -(-end.size // _BLOCK_SAMPLES)]
    return any(np.bincount(some % size).max() > _BLOCK_SHARE * some.size for size in _BLOCK_SIZES)


def _as_slack(apart_ns: I64, is_cut: Bools | None) -> NDArray[np.int32]:
    # A read that returned late bounds from below too high. Inside one frame that shows as bounds which cross; the
    # read before a whole frame may be late by anything, and must not pass for one that cut it.
    if is_cut is not None:
        np.maximum(apart_ns, CUT_NS + 1, out=apart_ns, where=~is_cut)
    least_ns = CUT_NS + 1 if is_cut is None else -SLACK_UNKNOWN
    return np.clip(apart_ns, least_ns, SLACK_UNKNOWN, out=apart_ns).astype(np.int32)
