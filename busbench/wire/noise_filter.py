"""Bytes that could be a frame nearly everywhere, told from frames by the beat they lack.

Chance bytes of few values (0x0F and 0x00, say) hold hundreds of places a kilobyte
that could begin a frame, and a search weighs each against its neighbours: tens of
seconds a megabyte, for frames that are none. So where searches follow one another
closely, the bytes ahead are looked at as a whole first. Frames stand one behind
another however damaged they are; places by chance follow one another by chance.
"""

from __future__ import annotations

from collections import deque

import numpy as np

from busbench.model import U8
from busbench.wire.frame_spec import END_BYTES, FLAGS_MAX, FRAME_BYTES, HEADER, SLOT_GAPS
from busbench.wire.stream_buffer import StreamBuffer

SEARCHES, SPAN_BYTES = 4, 2048  # so many searches begun in so many bytes: look ahead
FIRST_BYTES, WHOLE_BYTES = 512, 4096  # most streams prove their beat at once: a live one need not wait for the rest
BEAT = {FIRST_BYTES: 0.2, WHOLE_BYTES: 0.05}  # followed more often than by chance, by this share
STEP_BYTES = WHOLE_BYTES // 2  # rejected at once: frames that begin in the later half are looked at again
PLACES_MIN = 32  # fewer are soon searched
_LAGS = tuple(FRAME_BYTES + gap for gap in (0, *SLOT_GAPS))  # from one frame to the next, sensor replies between
_IS_END = np.zeros(256, np.bool_)
_IS_END[list(END_BYTES)] = True


class NoiseFilter:
    """Follows where the searches of a finder begin, and finds the crowds among them."""

    def __init__(self) -> None:
        self._starts: deque[int] = deque(maxlen=SEARCHES)
        self._clear_until = 0

    def end(self, stream: StreamBuffer, start: int, *, final: bool) -> int | None:
        """Where to search from: `start` itself, or a place behind bytes that are a crowd; None to wait for more."""
        if start < self._clear_until:
            return start
        if not self._starts or start != self._starts[-1]:
            self._starts.append(start)
        if len(self._starts) < SEARCHES or start - self._starts[0] > SPAN_BYTES:
            return start
        for size in (FIRST_BYTES, WHOLE_BYTES):
            data = stream.data[start - stream.start :][:size]
            if data.size < size:
                return start if final else None
            places, followed = _count(data)
            # By chance a place is followed as often as there are places at all.
            if followed > 3 and followed > places * (BEAT[size] + 1.5 * places / size):
                break
            if size == WHOLE_BYTES and places >= PLACES_MIN:
                self._starts.extend([start + STEP_BYTES] * SEARCHES)
                return start + STEP_BYTES
        self._clear_until = start + WHOLE_BYTES
        return start


def _count(data: U8) -> tuple[int, int]:
    """Places that could be a frame, and how many of them have another right behind, replies between or not."""
    last = FRAME_BYTES - 1
    could = (data[:-last] == HEADER) & (data[last - 1 : -1] <= FLAGS_MAX) & _IS_END[data[last:]]
    followed = max(int(np.count_nonzero(could[:-lag] & could[lag:])) for lag in _LAGS)
    return int(np.count_nonzero(could)), followed
