"""Streams of bytes with known truth: what was sent, what the line did to it, what arrived whole."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from busbench.line import BUS_LINE
from busbench.model import I64, U8, U16, Bools, ByteLog, ClockKind
from busbench.wire.codec import pack_frames
from busbench.wire.frame_spec import FRAME_BYTES

END_CYCLE = (0x04, 0x14, 0x24, 0x34)
PERIOD_NS, READ_NS = 7_000_000, 1_000_000
_SEEN_BY_PARITY = 0.6  # of foreign bytes the line marks so many: noise has the right parity half of the time


@dataclass(frozen=True)
class Corpus:
    """A stream and its truth.

    Args:
        data: the bytes that arrived.
        whole: stream offsets of the frames that arrived whole.
        sent_at: stream offsets at which the header of a sent frame arrived.
        sent: every frame as it was sent, (N, 25).
        frame: which frame each byte belongs to, or is before where it is foreign, int64 (B,).
        place: its place in that frame, -1 for a foreign byte, int64 (B,).
        flipped: True if a bit of it was turned, bool (B,).
    """

    data: U8
    whole: I64
    sent_at: I64
    sent: U8
    frame: I64
    place: I64
    flipped: Bools

    def score(self, offset: I64, raw: U8) -> tuple[int, int]:
        """(whole frames missed, rows where no frame was sent)."""
        missed = int(np.count_nonzero(~np.isin(self.whole, offset)))
        return missed, self.stray(offset, raw).size

    def stray(self, offset: I64, raw: U8) -> I64:
        """Stream offsets of the rows where no frame was sent."""
        # A foreign byte equal to a lost header makes the same 25 bytes: no stray.
        sent = {row.tobytes() for row in self.sent}
        rows = np.flatnonzero(~np.isin(offset, self.sent_at)).tolist()
        return offset[[row for row in rows if raw[row].tobytes() not in sent]]

    def silent(self, offset: I64, raw: U8, ambiguous: tuple[tuple[int, int], ...]) -> int:
        """Rows where no frame was sent, outside all spans reported as ambiguous."""
        at = self.stray(offset, raw)
        said = np.zeros(at.size, np.bool_)
        for start, stop in ambiguous:
            said |= (at >= start) & (at < stop)
        return int(np.count_nonzero(~said))

    def garbled(self, offset: I64) -> int:
        """Rows at a sent header whose 25 bytes did not arrive together: shifted, and so all wrong after the damage."""
        at = offset[np.isin(offset, self.sent_at)]
        steps = at[:, None] + np.arange(FRAME_BYTES)
        together = (self.place[steps] == np.arange(FRAME_BYTES)).all(1) & (np.ptp(self.frame[steps], axis=1) == 0)
        return int(np.count_nonzero(~together))

    def log(self, kind: ClockKind, rng: np.random.Generator, *, marks: bool = False) -> ByteLog:
        """The stream with a clock: a frame every 7 ms, foreign bytes in the gap before theirs or pushing them on.

        Args:
            kind: a clock a read has a read a millisecond, where bytes came.
            rng: source of the times of foreign bytes and of the marks.
            marks: True for a line that marks every turned bit and some foreign bytes as damaged.
        """
        foreign = self.place < 0
        bad = None
        if marks:
            bad = (self.flipped | foreign & (rng.random(self.data.size) < _SEEN_BY_PARITY)).astype(np.uint8)
        if kind is ClockKind.NONE:
            none = np.empty(0, np.int64)
            return ByteLog(0, self.data, none, none, bad)
        step = BUS_LINE.character_ns
        due = PERIOD_NS * self.frame + step * self.place
        due[foreign] = PERIOD_NS * self.frame[foreign] - rng.integers(0, 4_000_000, int(foreign.sum()))
        steps = step * np.arange(due.size)
        t_ns = np.maximum.accumulate(due - steps) + steps
        if kind is ClockKind.PER_BYTE:
            return ByteLog(0, self.data, np.arange(1, due.size + 1), t_ns, bad)
        end = np.append(np.flatnonzero(np.diff(t_ns // READ_NS)) + 1, due.size)
        return ByteLog(0, self.data, end, (t_ns[end - 1] // READ_NS + 1) * READ_NS, bad)


def sticks(kind: str, count: int, rng: np.random.Generator) -> U16:
    """Counts of 16 channels over time: "still", "moving" or "mixed"."""
    t = np.arange(count)[:, None] * 0.007
    centre = rng.integers(500, 1500, 16)
    rate, phase = rng.uniform(0.2, 1.5, 16), rng.uniform(0, 6.28, 16)
    wave = 300 * np.sin(6.28 * rate * t + phase)
    moves = np.full(16, kind == "moving")
    if kind == "mixed":
        moves = rng.random(16) < 0.4
    counts = centre + wave * moves
    if kind == "mixed":  # switches
        for channel in np.flatnonzero(~moves)[:3]:
            flips = np.cumsum(rng.random(count) < 0.002) % 2
            counts[:, channel] = np.where(flips, 172, 1811)
    counts += rng.integers(-1, 2, counts.shape) * moves
    clipped: U16 = np.clip(counts, 0, 2047).astype(np.uint16)
    return clipped


def build(
    frames: U8,
    rng: np.random.Generator,
    *,
    flip: float = 0.0,
    lose: float = 0.0,
    extra: float = 0.0,
    bursts: float = 0.0,
    slots: float = 0.0,
    skip: int = 0,
    cut_before_slots: float = 0.0,
    cuts: float = 0.0,
) -> Corpus:
    """Send frames over a bad line.

    Args:
        frames: the frames, (N, 25).
        rng: source of the damage.
        flip, lose, extra: chance a byte of one bit flipped, of being lost, of a foreign byte before it.
        bursts: chance a byte of a burst of up to 60 foreign bytes before it.
        slots: chance a frame of a three-byte reply after it.
        skip: bytes missing at the start.
        cut_before_slots: chance that a frame with a reply after it lost one byte.
        cuts: chance a byte that the rest of its frame is lost, itself with it.
    """
    count = len(frames)
    data = frames.reshape(-1).copy()
    owner = np.repeat(np.arange(count), FRAME_BYTES)
    place = np.tile(np.arange(FRAME_BYTES), count)
    keep = rng.random(data.size) >= lose
    if cuts:
        cut_at = rng.random((count, FRAME_BYTES)) < cuts
        keep &= ~np.logical_or.accumulate(cut_at, axis=1).ravel()
    flipped: Bools = rng.random(data.size) < flip
    data[flipped] ^= (1 << rng.integers(0, 8, int(flipped.sum()))).astype(np.uint8)
    before = (rng.random(data.size) < extra).astype(np.int64)
    burst = rng.random(data.size) < bursts
    before[burst] += rng.integers(1, 61, int(burst.sum()))
    replies = np.zeros(count, np.bool_)
    if slots:
        replies = rng.random(count) < slots
        cut = np.flatnonzero(replies & (rng.random(count) < cut_before_slots))
        keep[cut * FRAME_BYTES + rng.integers(1, FRAME_BYTES, cut.size)] = False
    reply_at = (np.flatnonzero(replies) + 1) * FRAME_BYTES
    reply_at = reply_at[reply_at < data.size]
    foreign_at = np.concatenate([np.repeat(np.arange(data.size), before), np.repeat(reply_at, 3)])
    values = rng.integers(0, 256, foreign_at.size).astype(np.uint8)
    values[int(before.sum()) :: 3] = 0x03
    order = np.argsort(foreign_at, kind="stable")
    foreign_at, values = foreign_at[order], values[order]
    stay = np.insert(keep, foreign_at, True)[skip:]
    out = np.insert(data, foreign_at, values)[skip:][stay]
    who = np.insert(owner, foreign_at, owner[np.minimum(foreign_at, owner.size - 1)])[skip:][stay]
    where = np.insert(place, foreign_at, -1)[skip:][stay]
    hurt = np.insert(flipped, foreign_at, False)[skip:][stay]
    starts = np.flatnonzero(where == 0)
    starts = starts[starts + FRAME_BYTES <= out.size]
    steps = starts[:, None] + np.arange(FRAME_BYTES)
    together = (where[steps] == np.arange(FRAME_BYTES)).all(1) & (who[steps] == who[starts][:, None]).all(1)
    sound = together & ~hurt[steps].any(1)
    return Corpus(out, starts[sound], np.flatnonzero((where == 0) & ~hurt), frames, who, where, hurt)


def make(
    kind: str, count: int, seed: int, *, end: tuple[int, ...] = (0,), flags_set: float = 0.0, **damage: float
) -> Corpus:
    """A corpus of one kind of stick motion and one kind of damage; flags_set: chance that a frame has a flag set."""
    rng = np.random.default_rng(seed)
    flags = np.zeros(count, np.int64)
    if flags_set:
        flags = (rng.random((count, 4)) < flags_set) @ (1 << np.arange(4))
    for start in rng.integers(0, count, count // 2000):
        flags[start : start + int(rng.integers(1, 6))] |= 4
    ends = np.resize(np.array(end), count)
    frames = pack_frames(sticks(kind, count, rng), flags, ends)
    return build(frames, rng, **damage)  # type: ignore[arg-type]


def make_trap(count: int, seed: int, *, rate: float, held: int = 97, moving: int = 12) -> Corpus:
    """Held sticks with `0x0?, 0x00, 0x0F` in the payload, so that a frame seems to begin inside another.

    Args:
        count: frames.
        seed: of place, damage and start.
        rate: chance a byte of a bit flipped, of being lost, of a foreign byte before it.
        held: frames from one move out of the trap to the next.
        moving: frames that a move takes.
    """
    rng = np.random.default_rng(seed)
    frames = np.tile(pack_frames(sticks("still", 1, rng), 0, 0), (count, 1))
    at = int(rng.integers(2, 21))
    frames[:, at : at + 3] = (int(rng.integers(0, 16)), 0x00, 0x0F)
    for start in range(held, count, held):
        frames[start : start + moving, at + 1] = 0x41
    return build(frames, rng, skip=int(rng.integers(0, 25)), flip=rate, lose=rate, extra=rate)
