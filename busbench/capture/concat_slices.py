"""Join many pieces of a buffer, faster than numpy's take."""

from __future__ import annotations

import numpy as np

from busbench.model import I64, U8

_PIECES = 8192  # bytes per block, within the cache
_STRIDE = 32  # bytes copied at once
SLACK = 2 * _STRIDE  # a buffer this many times longer than its pieces is not worth copying
_LONE_BYTES = 512  # pieces longer than this are copied one by one


def gather(buffer: U8, start: I64, size: I64, ends: I64) -> U8:
    """Join pieces of a buffer, given start, length, and running sum of lengths, int64 (N,)."""
    total = int(ends[-1]) if ends.size else 0
    out = np.empty(total + SLACK, np.uint8)
    if not total:
        return out[:0]
    if int(start.max()) + int(size.max()) + SLACK > buffer.size:
        buffer = np.concatenate([buffer, np.zeros(SLACK, np.uint8)])
    place = ends - size
    item = np.dtype((np.void, _STRIDE))
    source = np.ndarray((buffer.size - _STRIDE + 1,), item, buffer, 0, (1,))
    target = np.ndarray((out.size - _STRIDE + 1,), item, out, 0, (1,))
    # Each copy moves 32 bytes and may spill past its piece, but only into the
    # first 32 bytes of later pieces: so later blocks of 32 go first, and the first
    # 32 bytes of all pieces last and in order.
    longest = int(size.max())
    lone = np.flatnonzero(size > _LONE_BYTES) if longest > _LONE_BYTES else ()
    for at in range((min(longest, _LONE_BYTES) - 1) // _STRIDE * _STRIDE, 0, -_STRIDE):
        some = np.flatnonzero(size > at)
        target[place[some] + at] = source[start[some] + at]
    for at in range(0, start.size, _PIECES):
        part = slice(at, at + _PIECES)
        target[place[part]] = source[start[part]]
    for one in lone:
        p, s, n = int(place[one]), int(start[one]), int(size[one])
        out[p : p + n] = buffer[s : s + n]
    return out[:total]
