"""Short streams put together by chance from pieces of lines: frames of several hands, damage of several kinds."""

from __future__ import annotations

import itertools
from collections.abc import Callable

import numpy as np

from busbench.line import BUS_LINE
from busbench.model import I64, U8, ByteLog, ClockKind
from busbench.wire.codec import pack_frames
from busbench.wire.frame_spec import END_BYTES, END_SLOTS, FRAME_BYTES, HEADER

Rng = np.random.Generator
Piece = Callable[[Rng, "Hand"], bytes]
FEW = np.array([HEADER, 0x00, 0x04, 0x03, 0x14, 0x20], np.uint8)


class Hand:
    """The counts, flags and end bytes of a receiver from frame to frame."""

    def __init__(self, rng: Rng) -> None:
        self._counts = rng.integers(172, 1812, 16)
        self._has_slots = rng.random() < 0.4
        self._is_trap = rng.random() < 0.3
        self._at = int(rng.integers(2, 21))
        self._flags, self._number = 0, int(rng.integers(0, 4))

    def frame(self, rng: Rng, *, moves: int = 2) -> bytes:
        """The next frame, each channel moved by up to so many counts."""
        self._counts = np.clip(self._counts + rng.integers(-moves, moves + 1, 16), 0, 2047)
        self._number += 1
        end = END_SLOTS[self._number % 4] if self._has_slots else 0
        raw: U8 = pack_frames(self._counts[None], self._flags, end)[0]
        if self._is_trap:
            raw[self._at : self._at + 3] = (int(rng.integers(0, 16)), 0x00, HEADER)
        return raw.tobytes()

    def switch(self, rng: Rng) -> None:
        """Move some channels at once, or change the flags."""
        if rng.random() < 0.5:
            self._flags = int(rng.integers(0, 16))
        else:
            self._counts[rng.integers(0, 16, int(rng.integers(1, 6)))] = rng.integers(0, 2048)


def _cut(rng: Rng, hand: Hand) -> bytes:
    start, stop = sorted(rng.integers(0, FRAME_BYTES + 1, 2).tolist())
    return hand.frame(rng)[start:stop]


def _less(rng: Rng, hand: Hand) -> bytes:
    at = int(rng.integers(0, FRAME_BYTES))
    frame = hand.frame(rng)
    return frame[:at] + frame[at + 1 :]


def _more(rng: Rng, hand: Hand) -> bytes:
    at = int(rng.integers(0, FRAME_BYTES))
    frame = hand.frame(rng)
    return frame[:at] + bytes([int(rng.choice(FEW))]) + frame[at:]


def _turned(rng: Rng, hand: Hand) -> bytes:
    frame = bytearray(hand.frame(rng))
    frame[int(rng.integers(0, FRAME_BYTES))] ^= 1 << int(rng.integers(0, 8))
    return bytes(frame)


def _switched(rng: Rng, hand: Hand) -> bytes:
    hand.switch(rng)
    return hand.frame(rng)


def _few(rng: Rng, _: Hand) -> bytes:
    return rng.choice(FEW, int(rng.integers(1, 90))).tobytes()


PIECES: dict[str, Piece] = {
    "good": lambda rng, hand: hand.frame(rng),
    "held": lambda rng, hand: hand.frame(rng, moves=0),
    "moving": lambda rng, hand: hand.frame(rng, moves=40),
    "wild": lambda rng, hand: hand.frame(rng, moves=900),
    "switched": _switched,
    "cut": _cut,
    "less": _less,
    "more": _more,
    "turned": _turned,
    "replies": lambda rng, _: b"\x03\x5a\xa5" * int(rng.integers(1, 9)),
    "few": _few,
    "noise": lambda rng, _: rng.bytes(int(rng.integers(1, 70))),
    "headers": lambda rng, _: bytes([HEADER]) * int(rng.integers(1, 4)),
    "ends": lambda rng, _: bytes(rng.choice(np.array(END_BYTES), int(rng.integers(1, 4))).tolist()),
}
_GOOD = ("good", "held", "moving", "wild", "switched")


def collage(seed: int, *, pieces: int = 40) -> U8:
    """A stream of runs of good frames with other pieces between, of one receiver or two."""
    rng = np.random.default_rng(seed)
    hands = [Hand(rng) for _ in range(1 + (rng.random() < 0.2))]
    bad, mostly = rng.random() * 0.5, str(rng.choice(_GOOD))
    names = list(PIECES)
    out = []
    hand = hands[0]
    for _ in range(pieces):
        if rng.random() < 0.05:
            hand = hands[int(rng.integers(0, len(hands)))]
        name = str(rng.choice(names)) if rng.random() < bad else mostly
        out.append(PIECES[name](rng, hand))
    return np.frombuffer(b"".join(out), np.uint8)


def long_collage(seed: int) -> U8:
    """A stream of runs of frames with long damage between: more than is weighed at once."""
    rng = np.random.default_rng(seed)
    hand, out = Hand(rng), []
    for _ in range(int(rng.integers(3, 9))):
        count = int(rng.choice([3, 5, 6, 40, 170, 400]))
        out.append(b"".join(hand.frame(rng, moves=int(rng.choice([0, 2, 2, 900]))) for _ in range(count)))
        size, kind = int(rng.choice([30, 900, 2100, 5000, 17_000])), int(rng.integers(0, 5))
        if kind == 0:
            out.append(rng.bytes(size))
        elif kind == 1:
            out.append(bytes(size))
        elif kind == 2:
            out.append(rng.choice(FEW, size).tobytes())
        else:  # frames that none follows
            rest = kind * 12 - int(rng.integers(0, 9))
            out.append(b"".join(hand.frame(rng) + rng.bytes(rest) for _ in range(size // 50)))
    return np.frombuffer(b"".join(out), np.uint8)


def timed(data: U8, kind: ClockKind, seed: int) -> ByteLog:
    """A stream with times: a pause here and there, reads of chance sizes or of frames, and bytes marked as damaged."""
    rng = np.random.default_rng(seed)
    bad = (rng.random(data.size) < rng.choice([0.0, 0.01, 0.05])).astype(np.uint8)
    if kind is ClockKind.NONE:
        none: I64 = np.empty(0, np.int64)
        return ByteLog(0, data, none, none, bad)
    t_ns = BUS_LINE.character_ns * np.arange(data.size)
    rests = np.flatnonzero((data == HEADER) & (rng.random(data.size) < rng.choice([0.1, 0.7])))
    t_ns += np.cumsum(np.bincount(rests, minlength=data.size)) * int(rng.choice([480_000, 600_000, 600_001, 4_000_000]))
    if kind is ClockKind.PER_BYTE:
        return ByteLog(0, data, np.arange(1, data.size + 1), t_ns, bad)
    sizes = rng.choice(np.array([25, 25, 25, 10, 15, 50, 62, 3]), data.size)
    ends = np.unique(np.append(np.cumsum(sizes)[np.cumsum(sizes) < data.size], data.size))
    return ByteLog(0, data, ends, t_ns[ends - 1] + np.sort(rng.integers(0, 90_000, ends.size)), bad)


def moved(log: ByteLog, offset: int) -> ByteLog:
    """The same bytes at another place of the stream."""
    return ByteLog(log.offset + offset, log.data, log.mark_end + offset, log.mark_t_ns, log.bad)


def cut_up(log: ByteLog, seed: int) -> list[ByteLog]:
    """The same bytes in pieces, most of them short, some empty; with times each ends with a mark."""
    rng = np.random.default_rng(seed)
    ends = np.cumsum(rng.choice(np.array([0, 1, 5, 25, 40, 400]), log.data.size))
    if log.mark_end.size:
        reads = log.mark_end - log.offset
        ends = reads[np.minimum(np.searchsorted(reads, ends), reads.size - 1)]
    places = [0, *ends[ends < log.data.size].tolist(), log.data.size]
    pieces = []
    for first, last in itertools.pairwise(places):
        marks = slice(*np.searchsorted(log.mark_end - log.offset, [first, last], "right").tolist())
        bad = None if log.bad is None else log.bad[first:last]
        pieces.append(ByteLog(log.offset + first, log.data[first:last], log.mark_end[marks], log.mark_t_ns[marks], bad))
    return pieces
