"""How much one frame looks like the next of another: the evidence of neighbours."""

from __future__ import annotations

from dataclasses import dataclass

from busbench.wire.codec import CHANNELS, COUNTS_MAX, END_SLOTS

NEAR_COUNTS = 24  # a stick at rest or in slow motion, from one frame to the next
TAIL_CHANNELS = 4
JUMP_COUNTS = 300  # faster than a thumb: full throw in five frames


@dataclass(frozen=True, slots=True)
class FrameFields:
    """What counts of a frame when frames are compared."""

    raw: bytes
    counts: tuple[int, ...]
    flags: int
    end: int

    @staticmethod
    def of(raw: bytes) -> FrameFields:
        """The sight of 25 bytes."""
        number = int.from_bytes(raw[1:23], "little")
        counts = tuple((number >> shift) & COUNTS_MAX for shift in range(0, 11 * CHANNELS, 11))
        return FrameFields(raw, counts, raw[23], raw[24])


def _jumps(before: FrameFields, after: FrameFields, reach: int) -> tuple[int, int]:
    near, far = NEAR_COUNTS * reach, JUMP_COUNTS * reach
    deltas = [abs(a - b) for a, b in zip(before.counts, after.counts, strict=True)]
    return sum(delta <= near for delta in deltas), sum(delta > far for delta in deltas)


def end_is_expected(before: FrameFields, after: FrameFields) -> bool:
    """True where both frames end in the manner of one receiver."""
    return after.end == before.end or (after.end in END_SLOTS and before.end in END_SLOTS)


def is_wild(before: FrameFields, after: FrameFields) -> bool:
    """True where some channel moved faster than a thumb."""
    return _jumps(before, after, 1)[1] > 0


def is_unremarkable(before: FrameFields, after: FrameFields, *, missing: int = 0) -> bool:
    """True where nothing speaks for a foreign or lost byte inside a frame that follows another.

    Such a byte shifts all that stands behind it, so it shows in the last channels,
    the flags and the end byte; a jump of the others alone is a switch or a turned bit.

    Args:
        before: the earlier frame.
        after: the later frame.
        missing: frames that may have stood between them.
    """
    far = JUMP_COUNTS * (1 + missing)
    tails = zip(before.counts[-TAIL_CHANNELS:], after.counts[-TAIL_CHANNELS:], strict=True)
    return after.flags == before.flags and end_is_expected(before, after) and all(abs(a - b) <= far for a, b in tails)


def likeness(before: FrameFields, after: FrameFields, *, missing: int = 0) -> float:
    """Log-odds (nats, roughly) that a frame follows another, against unrelated bytes.

    Channels that stay near speak for it, jumps against it. The figure is clipped:
    switches do jump, and a held stick is no proof.
    """
    near, far = _jumps(before, after, 1 + missing)
    score = min(10.0, max(-12.0, 0.7 * near - 5.0 * far))
    if after.flags != before.flags:
        score -= 2.0
    if not end_is_expected(before, after):
        score -= 5.0
    return score


def same_ahead(some: bytes, other: bytes) -> int:
    """How many bytes two runs have in common from their start on; one that differs between others is passed over."""
    size = min(len(some), len(other))
    return _same_low_bytes(int.from_bytes(some[:size], "little") ^ int.from_bytes(other[:size], "little"), size)


def same_behind(some: bytes, other: bytes) -> int:
    """The same from their end backwards."""
    size = min(len(some), len(other))
    some, other = some[len(some) - size :], other[len(other) - size :]
    return _same_low_bytes(int.from_bytes(some, "big") ^ int.from_bytes(other, "big"), size)


def _same_low_bytes(differing: int, size: int) -> int:
    if not differing:
        return size
    first = _low_zero_bytes(differing)
    rest = differing >> 8 * (first + 1)
    return first + (_low_zero_bytes(rest) if rest else size - first - 1)


def _low_zero_bytes(number: int) -> int:
    return ((number & -number).bit_length() - 1) // 8
