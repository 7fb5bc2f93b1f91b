"""Which of several sources carries the bus: the one in whose bytes frames are."""

from __future__ import annotations

import numpy as np

from busbench.model import NO_CLOCK, U8, ByteLog
from busbench.wire.framing import find_frames

SAMPLE_BYTES = 1 << 16
FRAMES_LEAST = 3  # chance makes one or two out of other data


def carries_frames(data: bytes | U8) -> bool:
    """True where some bytes hold servo frames; of long ones the first SAMPLE_BYTES count."""
    some = np.frombuffer(data, np.uint8) if isinstance(data, bytes) else data
    found = find_frames(ByteLog.from_bytes(some[:SAMPLE_BYTES]), clock=NO_CLOCK)
    return len(found.frames) >= FRAMES_LEAST
