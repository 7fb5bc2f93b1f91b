"""Ambiguous frame positions: a doubtful chain of frames is on trial until later frames prove it or not.

Sticks held so that a frame seems to begin inside another let two chains are
equally well, and chance damage favours one of them. So a chain that does not go
on from frames already proven is taken on trial. It is proven once frames one after
another hold no rival header: a stick has moved, and damage does not do that four
times running. It is ambiguous where it is given up before that, or the log ends.
"""

from __future__ import annotations

import numpy as np

from busbench.model import I64
from busbench.wire.codec import IS_END
from busbench.wire.frame_spec import FLAGS_MAX, HEADER
from busbench.wire.stream_buffer import StreamBuffer

PROOF_FRAMES = 4
SPAN_BYTES = 1 << 18  # reported at the latest after so many bytes
_FIRST_ROWS = 64  # most frames have no rival: do not search a whole block


class AmbiguityTracker:
    """Follows the accepted frames from each offset at which a new chain was chosen."""

    def __init__(self) -> None:
        self.spans: list[tuple[int, int]] = []
        self._start: int | None = None
        self._rivals = 0  # frames with a rival header inside, since the start of the trial
        self._alone = 0  # the latest frames in a row without one

    @property
    def is_open(self) -> bool:
        """True while the chain is on trial."""
        return self._start is not None

    def begin(self, place: int) -> None:
        """A new chain was chosen at an offset; the chain on trial ends unproven."""
        self.end(place)
        self._restart(place)

    def end(self, place: int) -> None:
        """Nothing can prove any more the frames before an offset."""
        if self._start is not None and self._rivals:
            self.spans.append((self._start, place))
        self._start = None

    def take(self, stream: StreamBuffer, places: I64) -> None:
        """Take accepted frames, in order."""
        while self._start is not None and places.size:
            limit = self._start + SPAN_BYTES
            if int(places[0]) >= limit:
                self.end(limit)
                self._restart(limit if int(places[0]) < limit + SPAN_BYTES else int(places[0]))
                continue
            count = min(_FIRST_ROWS if not self._rivals else places.size, int(np.searchsorted(places, limit)))
            self._look(stream, places[:count])
            places = places[count:]

    def _restart(self, place: int) -> None:
        self._start, self._rivals, self._alone = place, 0, 0

    def _look(self, stream: StreamBuffer, places: I64) -> None:
        stands = np.concatenate([np.zeros(self._alone, np.bool_), _has_rival(stream, places)])
        if stands.size >= PROOF_FRAMES:
            windows = np.lib.stride_tricks.sliding_window_view(stands, PROOF_FRAMES)
            if not windows.any(1).all():
                self._start = None
                return
        self._rivals += int(np.count_nonzero(stands))
        self._alone = int(np.argmax(stands[::-1])) if stands.any() else stands.size


def _has_rival(stream: StreamBuffer, places: I64) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    """True for each frame inside which another seems to begin, unless a pause supports only the frame itself."""
    raw = stream.frames(places)
    inside = (raw[:, 2:24] == HEADER) & IS_END[raw[:, 1:23]] & (raw[:, :22] <= FLAGS_MAX)
    row, at = np.nonzero(inside)
    stands = np.zeros(places.size, np.bool_)
    refuted = stream.pauses_before(places[row]) & ~stream.pauses_before(places[row] + at + 2)
    stands[row[~refuted]] = True
    return stands
