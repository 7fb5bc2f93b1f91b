"""How likely one frame follows another, from their contents; for many pairs at once."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from busbench.model import F64, I64, U8, Bools
from busbench.wire.codec import IS_SLOTS_END, RawFrames, unpack_channels
from busbench.wire.frame_spec import CHANNELS, COUNTS_MAX, FRAME_BYTES

NEAR_COUNTS = 24  # a stick at rest or in slow motion, from one frame to the next
TAIL_CHANNELS = 4
JUMP_COUNTS = 300  # faster than a thumb: full travel in five frames
_REACH_MAX = 1  # more missing frames allow no greater jump: else a chain could skip a good frame after a damaged one
_TAIL_SHIFT = 11 * (CHANNELS - TAIL_CHANNELS)
_FEW = 512  # up to so many frames, unpacking channel by channel is faster
_FIRST = 1 + 11 * np.arange(CHANNELS) // 8  # byte at which each channel begins
_SHIFT = (11 * np.arange(CHANNELS) % 8).astype(np.uint32)


@dataclass(frozen=True, slots=True)
class FrameFields(RawFrames):
    """The fields of frames that comparisons use: raw uint8 (N, 25), counts int16 (N, 16)."""

    raw: U8
    counts: NDArray[np.int16]

    @staticmethod
    def of(data: U8, index: I64) -> FrameFields:
        """The frames at some indices of bytes."""
        raw: U8 = data[index[:, None] + np.arange(FRAME_BYTES)]
        if len(raw) > _FEW:
            return FrameFields(raw, unpack_channels(raw).astype(np.int16))
        wide = raw.astype(np.uint32)
        three = wide[:, _FIRST] | wide[:, _FIRST + 1] << 8 | wide[:, np.minimum(_FIRST + 2, FRAME_BYTES - 2)] << 16
        return FrameFields(raw, (three >> _SHIFT & COUNTS_MAX).astype(np.int16))

    def __getitem__(self, rows: slice | I64) -> FrameFields:
        return FrameFields(self.raw[rows], self.counts[rows])


def framed_alike(before: FrameFields, after: FrameFields) -> tuple[Bools, Bools]:
    """True for each pair with the same flags; True for each pair whose end bytes suit one receiver."""
    slots = IS_SLOTS_END[before.end] & IS_SLOTS_END[after.end]
    return before.flags == after.flags, (before.end == after.end) | slots


def similarity(before: FrameFields, after: FrameFields, missing: I64 | int = 0) -> tuple[F64, Bools]:
    """How likely frames follow others.

    Args:
        missing: number of frames that may be missing between them.

    Returns:
        Log-odds (nats, roughly) against unrelated bytes, float64 (N,): channels that stay near speak for it,
        jumps against it, clipped, because on/off channels do jump and a held stick is no proof. And True if
        nothing speaks for a foreign or lost byte inside the later frame, bool (N,): such a byte shifts all
        after it, so it shows in the last channels, the flags and the end byte.
    """
    delta = np.abs(after.counts - before.counts)
    reach = np.atleast_1d(1 + np.minimum(missing, _REACH_MAX))[:, None].astype(np.int16)
    far = delta > JUMP_COUNTS * reach
    near = np.count_nonzero(delta <= NEAR_COUNTS * reach, axis=1)
    flags, ends = framed_alike(before, after)
    score = np.clip(0.7 * near - 5.0 * np.count_nonzero(far, axis=1), -12.0, 10.0) - 2.0 * ~flags - 5.0 * ~ends
    return score, flags & ends & ~far[:, -TAIL_CHANNELS:].any(axis=1)


def are_wild(before: FrameFields, after: FrameFields) -> Bools:
    """True for each pair in which some channel moved faster than a thumb."""
    wild: Bools = (np.abs(after.counts - before.counts) > JUMP_COUNTS).any(axis=1)
    return wild


def is_wild(before: bytes, after: bytes) -> bool:
    """`are_wild` for one pair."""
    some, other = (FrameFields.of(np.frombuffer(raw, np.uint8), np.zeros(1, np.int64)) for raw in (before, after))
    return bool(are_wild(some, other)[0])


def is_framed_alike(before: bytes, after: bytes) -> bool:
    """True for two frames with the same flags whose end bytes suit one receiver."""
    slots = IS_SLOTS_END[before[24]] and IS_SLOTS_END[after[24]]
    return before[23] == after[23] and (before[24] == after[24] or bool(slots))


def is_unremarkable(before: bytes, after: bytes) -> bool:
    """The second result of `similarity` for one pair of neighbours, faster."""
    if not is_framed_alike(before, after):
        return False
    some, other = (int.from_bytes(raw[1:23], "little") >> _TAIL_SHIFT for raw in (before, after))
    return all(abs((some >> bit & 2047) - (other >> bit & 2047)) <= JUMP_COUNTS for bit in range(0, 44, 11))


def same_ahead(some: U8, other: U8) -> I64:
    """How many bytes rows have in common from the left, int64 (N,); one that differs between others is passed over."""
    same = np.concatenate([some == other, np.zeros((len(some), 1), np.bool_)], axis=1)
    first = np.argmin(same, axis=1)
    same[np.arange(len(same)), first] = True
    same[:, -1] = False
    second = np.argmin(same, axis=1)
    found: I64 = np.where(second > first + 1, second - 1, first)
    return found
