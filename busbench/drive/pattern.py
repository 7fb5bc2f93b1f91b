"""A known test pattern for cable and adapter, and its echo.

No byte of it is the header of a servo frame, so no device on the bus can take it
for a command: the test needs no arming.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from busbench.drive.hash_random import hash_uint64
from busbench.line import Chunk
from busbench.model import I64, U8
from busbench.wire.frame_spec import FRAME_BYTES, HEADER

BLOCK_BYTES = FRAME_BYTES  # as long as a frame
MARK = bytes([0xA5, 0x5A])
_SPARE = 0xF0  # replaces a random header or mark byte
_NUMBERS = 1 << 21  # three characters of seven bits


def pattern_block(number: int, *, seed: int) -> bytes:
    """One block: mark, number (modulo 2**21), and bytes from seed and number."""
    told = number % _NUMBERS
    count = bytes(0x80 | told >> shift & 0x7F for shift in (0, 7, 14))
    size = BLOCK_BYTES - len(MARK) - len(count)
    dice = hash_uint64(np.arange(size, dtype=np.int64) + told * BLOCK_BYTES, seed=seed).astype(np.uint8)
    dice[(dice == HEADER) | (dice == MARK[0])] = _SPARE
    return MARK + count + dice.tobytes()


class PatternSource:
    """A source of blocks for a transmitting process, one per slot."""

    def __init__(self, blocks: int, *, seed: int, period_s: float) -> None:
        self.period_s = period_s
        self._left = blocks
        self._next = 0
        self._seed = seed

    def next_frame(self) -> bytes | None:
        """The next block, or None after the last."""
        if self._left <= 0:
            return None
        self._left -= 1
        self._next += 1
        return pattern_block(self._next - 1, seed=self._seed)

    def request_stop(self) -> None:
        """Send no more."""
        self._left = 0


@dataclass(frozen=True, slots=True, eq=False)
class Echo:
    """The received echo."""

    intact: int  # blocks that came back unchanged
    damaged: int  # blocks that came back changed
    lost: int  # blocks that did not come back
    stray_bytes: int  # bytes in no intact block
    number: I64  # number of each intact block, int64 (intact,)
    back_ns: I64  # arrival time of its last byte, int64 (intact,)


def judge_echo(chunks: Sequence[Chunk], *, sent: int, seed: int) -> Echo:
    """Find the blocks in received bytes; fewer than 2**21 were sent."""
    data = np.frombuffer(b"".join(chunk.data for chunk in chunks), np.uint8)
    places, numbers = _intact(data, sent, seed)
    ends = np.cumsum([len(chunk.data) for chunk in chunks], dtype=np.int64)
    times = np.array([chunk.t_ns for chunk in chunks], np.int64)
    back_ns = times[np.searchsorted(ends, places + BLOCK_BYTES)] if places.size else np.empty(0, np.int64)
    # Between two intact blocks: number of missing blocks, and bytes in their place.
    missing = np.diff(numbers, prepend=-1, append=sent) - 1
    stray = np.diff(np.append(places, data.size), prepend=0)
    stray[1:] -= BLOCK_BYTES
    damaged = np.minimum(missing, -(-stray // BLOCK_BYTES))
    return Echo(
        intact=int(places.size),
        damaged=int(damaged.sum()),
        lost=int((missing - damaged).sum()),
        stray_bytes=int(stray.sum()),
        number=numbers,
        back_ns=back_ns,
    )


def _intact(data: U8, sent: int, seed: int) -> tuple[I64, I64]:
    """Offsets and numbers of intact blocks, both rising."""
    starts = np.flatnonzero((data[:-1] == MARK[0]) & (data[1:] == MARK[1])).tolist()
    places: list[int] = []
    numbers: list[int] = []
    for start in starts:
        block = data[start : start + BLOCK_BYTES].tobytes()
        if len(block) < BLOCK_BYTES:
            break
        number = sum((block[len(MARK) + i] & 0x7F) << 7 * i for i in range(3))
        after = numbers[-1] if numbers else -1
        if after < number < sent and block == pattern_block(number, seed=seed):
            places.append(start)
            numbers.append(number)
    return np.array(places, np.int64), np.array(numbers, np.int64)
