"""Stream offsets of frames, from the bytes between them.

Each byte of a stream is in a frame or in a run of rejected bytes, so the offsets of
millions of frames need not be kept.
"""

from __future__ import annotations

import numpy as np

from busbench.model import I64, Rejects
from busbench.wire.frame_spec import FRAME_BYTES


class FrameOffsets:
    """Stream offsets of consecutive frames.

    Args:
        rejects: all bytes between these frames, and any before and after them.
        first_offset: stream offset of the first frame's header.
        frames: number of frames.

    Attributes:
        row: index of the frame after each run of rejects (the number of frames:
            after the last), int64 (K,), rising.
    """

    def __init__(self, rejects: Rejects, *, first_offset: int, frames: int) -> None:
        self._first_offset = first_offset
        length = np.where(rejects.offset < first_offset, 0, rejects.length)
        self._rejected = np.zeros(length.size + 1, np.int64)  # bytes in the runs before each, and in total
        np.cumsum(length, out=self._rejected[1:])
        self.row: I64 = rejects.offset - first_offset
        self.row -= self._rejected[:-1]
        self.row //= FRAME_BYTES
        np.clip(self.row, 0, frames, out=self.row)

    def offset(self, rows: I64) -> I64:
        """Stream offsets of the headers of some frames, int64 (R,)."""
        offset = self._first_offset + FRAME_BYTES * rows
        offset += self._rejected[np.searchsorted(self.row, rows, "right")]
        return offset
