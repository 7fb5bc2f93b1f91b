"""Find the blocks of a pcapng section, many at a time.

Blocks carry their length in front and after. A run of equal blocks is proved by
one strided comparison. For uneven ones, every word that could begin a packet is
taken and must end where the next begins; only links that do not hold are walked
one by one. So nothing is found that a plain walk would not find.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from busbench.capture import pcapng_blocks as pb
from busbench.model import I64, Bools

U32 = NDArray[np.uint32]

BLOCK_BYTES_MAX = 64 << 20
_FIRST_WORDS = 1 << 10
_PIECE_WORDS = 1 << 17  # one search fits in the cache
_FIRST_OTHERS = 1 << 6
_LONG_RUN = 2048  # min equal blocks for a separate batch
_PROBE = 64


class Blocks:
    """Consecutive blocks, and words 2 to 6 of each.

    Args:
        words: what was read, as 32-bit words in the section's byte order.
        starts: first word of each block, int64 (N,).
        size: its length in bytes, int64 (N,).
        step: words from one packet to the next if all are packets of equal length, else 0.
        all_packets: True if all blocks are packets.
    """

    def __init__(self, words: U32, starts: I64, size: I64, *, step: int = 0, all_packets: bool = True) -> None:
        self.words = words
        self.starts = starts
        self.size = size
        self.step = step
        self.all_packets = all_packets
        self._heads: U32 | None = None

    def column(self, number: int) -> U32:
        """Word `number` (2 to 6) of each block; for packets."""
        if self.step:
            return self.words[int(self.starts[0]) + number :: self.step][: self.starts.size]
        if self._heads is None:
            # five words are one item: copied at once, not word by word
            room = max(self.words.size - 6, 0)
            items = np.ndarray((room,), np.dtype((np.void, 20)), self.words, 8 if room else 0, (4,))
            self._heads = items[self.starts].view(self.words.dtype).reshape(-1, 5)
        return self._heads[:, number - 2]

    def pairs(self, number: int) -> NDArray[np.uint64]:
        """Word `number` of each of some packets of equal length, and the next, as one item, to be compared."""
        first = (int(self.starts[0]) + number) * 4
        return np.ndarray(self.starts.shape, np.uint64, self.words, first, (self.step * 4,))

    def select(self, keep: Bools) -> Blocks:
        """The blocks where keep is true."""
        return Blocks(self.words, self.starts[keep], self.size[keep])


class Chain:
    """The whole blocks from one word on, as long as sections of one byte order follow.

    Args:
        words: what was read, in the section's byte order.
        at: the word at which a block begins.

    Attributes:
        at: after runs(), the word at which the next block begins.
        fault: after runs(), what is wrong with that block, or "".
        at_section: after runs(), True if that block heads a section of the other byte order, or an odd one.
    """

    def __init__(self, words: U32, at: int) -> None:
        self.words = words
        self.at = at
        self.fault = ""
        self.at_section = False

    def runs(self) -> Iterator[Blocks]:
        """Yield the blocks in order."""
        uneven: list[I64] = []
        others = False
        likely: _Likely | None = None
        while size := self._next():
            first = self.at
            if self.words[first] != pb.PACKET or size < pb.PACKET_FRAME_BYTES:
                others = True
                self.at = first + size // 4
                uneven.append(np.array([first, *self._others()]))
                continue
            if likely is None and self.words[first + size // 4 :][:1].tolist() == [pb.SECTION_HEADER]:
                uneven.append(np.array([first]))  # alone in its section
                self.at = first + size // 4
                continue
            if likely is None and (count := self._equal_blocks(size // 4)) >= _LONG_RUN:
                yield from self._joined(uneven, first, others)
                others = False
                self.at = first + count * (size // 4)
                starts = np.arange(first, self.at, size // 4)
                yield Blocks(self.words, starts, np.full(count, size), step=size // 4)
                continue
            if likely is None or first >= likely.until:
                likely = _Likely(self.words, first, likely.reach * 4 if likely else _FIRST_WORDS)
            starts, self.at = likely.from_(first)
            uneven.append(starts)
        yield from self._joined(uneven, self.at, others)

    def _joined(self, parts: list[I64], end: int, others: bool) -> Iterator[Blocks]:
        if parts:
            starts = np.concatenate(parts)
            size = np.empty_like(starts)
            np.subtract(starts[1:], starts[:-1], out=size[:-1])
            size[-1] = end - starts[-1]
            size *= 4
            yield Blocks(self.words, starts, size, all_packets=not others)
            parts.clear()

    def _others(self) -> list[int]:
        """First words of the blocks from self.at that are certainly no packets."""
        starts: list[int] = []
        reach = _FIRST_OTHERS
        while True:
            base, at = self.at, 0
            part = self.words[base : base + reach].tolist()
            while at + 2 < len(part):
                kind, size = part[at], part[at + 1]
                end = at + size // 4
                is_other = kind not in (pb.PACKET, pb.SECTION_HEADER) and size >= 12 and not size & 3
                if not is_other or end > len(part) or part[end - 1] != size:
                    break
                starts.append(base + at)
                at = end
            self.at += at
            if not at or len(part) < reach:
                return starts
            reach = min(4 * reach, _PIECE_WORDS)

    def _next(self) -> int:
        """Length in bytes of the block at self.at, 0 if it is incomplete, invalid or a new section."""
        room = self.words.size - self.at
        if room < 2:
            return 0
        size = int(self.words[self.at + 1])
        if self.words[self.at] == pb.SECTION_HEADER:
            magic = self.words[self.at + 2 :][:1].tolist()
            self.at_section = magic != [pb.MAGIC] or size < pb.SECTION_BYTES_MIN
            if self.at_section:
                return 0
        if size < 12 or size & 3 or size > BLOCK_BYTES_MAX:
            self.fault = f"a block of impossible length {size}"
        elif size // 4 <= room:
            behind = int(self.words[self.at + size // 4 - 1])
            if behind == size:
                return size
            self.fault = f"the two lengths of a block differ ({size} and {behind})"
        return 0

    def _equal_blocks(self, step: int) -> int:
        """Number of consecutive packet blocks of equal length from self.at."""
        room = (self.words.size - self.at) // step
        for count in (min(room, _PROBE), room):
            part = self.words[self.at : self.at + count * step]
            same = part[::step] == pb.PACKET
            same &= part[1::step] == step * 4
            same &= part[step - 1 :: step] == step * 4
            if not same.all():
                return int(same.argmin())
        return room


class _Likely:
    """Positions that look like whole packet blocks, among a number of words from a start.

    The first reach is short, so that a short section is not searched far beyond its end.
    """

    def __init__(self, words: U32, first: int, reach: int) -> None:
        self.reach = min(reach, _PIECE_WORDS)
        self.until = first + self.reach
        self.starts, self.ends = _shaped_as_packets(words, first, self.reach)
        self.breaks = np.flatnonzero(self.ends[:-1] != self.starts[1:])

    def from_(self, first: int) -> tuple[I64, int]:
        """The consecutive packets from a word at which a real one begins, and the end of the last."""
        low = int(np.searchsorted(self.starts, first))
        link = int(np.searchsorted(self.breaks, low))
        high = int(self.breaks[link]) if link < self.breaks.size else self.starts.size - 1
        return self.starts[low : high + 1], int(self.ends[high])


def _shaped_as_packets(words: U32, at: int, reach: int) -> tuple[I64, I64]:
    starts = np.flatnonzero(words[at : at + reach] == pb.PACKET)
    starts += at
    starts = starts[: np.searchsorted(starts, words.size - pb.PACKET_FRAME_BYTES // 4, "right")]
    size = words[1:].take(starts)
    ends = starts + (size >> 2)
    fits = words.take(ends - 1, mode="clip") == size
    fits &= size >= pb.PACKET_FRAME_BYTES
    fits &= size & 3 == 0
    fits &= ends <= words.size
    if fits.all():
        return starts, ends
    return starts[fits], ends[fits]
