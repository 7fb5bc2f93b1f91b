"""Simple readers, to compare the alignment with; they use neither clocks nor marks."""

from __future__ import annotations

import numpy as np

from busbench.model import I64, U8
from busbench.wire.frame_spec import END_BYTES, FLAGS_MAX, FRAME_BYTES, HEADER


def simple_reader(data: U8, *, rescans: bool) -> I64:
    """Wait for the header, take 25 bytes, keep them if the last one is an end byte.

    Args:
        data: the stream, uint8 (B,).
        rescans: True to check the flags too, and to continue one byte after the
            header if 25 bytes are no frame.

    Returns:
        Offsets of the frames, int64 (N,).
    """
    found: list[int] = []
    place, stream = 0, data.tobytes()
    while (place := stream.find(HEADER, place)) >= 0 and place + FRAME_BYTES <= len(stream):
        is_frame = stream[place + 24] in END_BYTES and (not rescans or stream[place + 23] <= FLAGS_MAX)
        if is_frame:
            found.append(place)
        place += FRAME_BYTES if is_frame or not rescans else 1
    return np.array(found, np.int64)
