"""Find which of several sources carries the bus, by the frames in its bytes."""

from __future__ import annotations

import numpy as np

from busbench.model import NO_CLOCK, U8, ByteLog
from busbench.wire.framing import find_frames

SAMPLE_BYTES = 1 << 16
FRAMES_LEAST = 3  # other data may hold one or two by chance


def carries_frames(data: bytes | U8) -> bool:
    """True if bytes hold servo frames; only the first SAMPLE_BYTES are searched."""
    some = np.frombuffer(data, np.uint8) if isinstance(data, bytes) else data
    found = find_frames(ByteLog.from_bytes(some[:SAMPLE_BYTES]), clock=NO_CLOCK)
    return len(found.frames) >= FRAMES_LEAST
