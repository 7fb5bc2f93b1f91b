"""Noise after frames, this long that the bytes after the last frame were let go."""

import random

import fuzz_seeds
import numpy as np

from busbench.model import NO_CLOCK, ByteLog
from busbench.wire.framing import FrameFinder, find_frames
from busbench.wire.table import AlignmentResult


def test_long_noise_is_read_alike_whole_and_in_pieces() -> None:
    rng = random.Random(7)
    lone = b"\x0f" + bytes(22) + b"\0\0"
    data = fuzz_seeds.frame(1) * 8 + b"".join(rng.randbytes(9000) + lone for _ in range(20))
    whole = find_frames(ByteLog.from_bytes(data), clock=NO_CLOCK)
    finder, parts = FrameFinder(clock=NO_CLOCK), []
    for at in range(0, len(data), 700):
        parts.append(finder.feed(ByteLog.from_bytes(data[at : at + 700], offset=at)))
    split = AlignmentResult.concat([*parts, finder.flush()])
    assert np.array_equal(whole.frames.offset, split.frames.offset)
    assert whole.frames.offset[:8].tolist() == list(range(0, 200, 25))
    assert 25 * len(whole.frames) + whole.rejects.bytes_total == len(data)
