"""Many frames at once: numpy arrays of counts <-> the bytes on the line.

The counts of a frame lie in three 64-bit words and one 16-bit word that overlap
its 25 bytes; shifting those words unpacks five channels each. Rows are worked in
blocks that stay in the cache.

Source of the layout: common practice, no published standard; wire/frame_spec.py is
the written form and tests pin the two equal.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from busbench.model import I64, U8, U16, Bools
from busbench.wire.frame_spec import (
    ALL_CHANNELS,
    CHANNELS,
    COUNTS_MAX,
    END_BYTES,
    END_PLAIN,
    END_SLOTS,
    FLAGS_MAX,
    FRAME_BYTES,
    HEADER,
    ON_OFF_CHANNELS,
    SLOT_GAPS,
)

_WORDS = np.dtype(
    {
        "names": ["a", "b", "c", "d"],
        "formats": ["<u8", "<u8", "<u8", "<u2"],
        "offsets": [1, 7, 14, 21],
        "itemsize": FRAME_BYTES,
    }
)
# (word, bit at which channel i starts in it): channel i holds payload bits 11 i to 11 i + 10.
_PLACES = tuple(
    (name, 11 * i - 8 * (offset - 1))
    for name, offset, first, last in (("a", 1, 0, 5), ("b", 7, 5, 10), ("c", 14, 10, 15), ("d", 21, 15, 16))
    for i in range(first, last)
)
_BLOCK = 8192
IS_END = np.isin(np.arange(256), END_BYTES)  # by byte: True for the end byte of a frame
IS_SLOTS_END = np.isin(np.arange(256), END_SLOTS)  # for one before slots of sensors
_IS_SLOT_GAP = np.zeros(SLOT_GAPS[-1] + 2, np.bool_)  # indexed by length; the last entry is for all longer ones
_IS_SLOT_GAP[list(SLOT_GAPS)] = True


def are_slot_gaps(end: U8, length: I64, first: U8 | None = None) -> Bools:
    """True for each gap between two frames that can hold sensor replies; see frame_spec.is_slot_gap.

    Args:
        end: end byte of the frame before each, uint8 (N,).
        length: bytes between, int64 (N,).
        first: the first of them, uint8 (N,); None if it is not known.
    """
    found: Bools = IS_SLOTS_END[end] & _IS_SLOT_GAP[np.clip(length, 0, _IS_SLOT_GAP.size - 1)]
    if first is not None:
        found &= (length < SLOT_GAPS[-1]) | (first != HEADER)
    return found


class RawFrames:
    """The fields of frames that are whole bytes of them: raw uint8 (N, 25)."""

    __slots__ = ()

    raw: U8

    @property
    def flags(self) -> U8:
        """Byte 23 of each frame, uint8 (N,)."""
        return self.raw[:, 23]

    @property
    def end(self) -> U8:
        """Byte 24 of each frame, uint8 (N,)."""
        return self.raw[:, 24]


def join_channels(channels: U16, flags: U8) -> U16:
    """Channels 1-18 of frames, uint16 (18, N): counts, uint16 (N, 16), and the two bits of byte 23, uint8 (N,)."""
    values = np.empty((ALL_CHANNELS, flags.size), np.uint16)
    values[:CHANNELS] = channels.T
    for bit in range(ON_OFF_CHANNELS):
        values[CHANNELS + bit] = flags >> bit & 1
    return values


def unpack_channels(raw: U8) -> U16:
    """Unpack the counts of frames.

    Args:
        raw: frames as on the line, uint8 (N, 25), rows contiguous.

    Returns:
        Counts of channels 1-16, uint16 (N, 16), each channel contiguous in memory.

    Raises:
        ValueError: wrong shape or dtype.
    """
    raw = np.asarray(raw)
    if raw.ndim != 2 or raw.shape[1] != FRAME_BYTES or raw.dtype != np.uint8:
        raise ValueError(f"frames must be uint8 (N, {FRAME_BYTES}), not {raw.dtype} {raw.shape}")
    count = raw.shape[0]
    words = np.ascontiguousarray(raw).reshape(-1).view(_WORDS)
    out = np.empty((CHANNELS, count), np.uint16)
    spare = np.empty(min(_BLOCK, count), np.uint64)
    for start in range(0, count, _BLOCK):
        stop = min(start + _BLOCK, count)
        block = words[start:stop]
        shifted = spare[: stop - start]
        loaded = {name: block[name].astype(block.dtype[name].newbyteorder("=")) for name in "abcd"}
        for i, (name, shift) in enumerate(_PLACES):
            if name == "d":
                np.right_shift(loaded[name], shift, out=out[i, start:stop])
                continue
            np.right_shift(loaded[name], np.uint64(shift), out=shifted)
            np.bitwise_and(shifted.astype(np.uint16), COUNTS_MAX, out=out[i, start:stop])
    return out.T


def pack_frames(channels: ArrayLike, flags: ArrayLike = 0, end: ArrayLike = END_PLAIN) -> U8:
    """Pack counts into frames.

    Args:
        channels: counts of channels 1-16, integers 0-2047, (N, 16).
        flags: byte 23, integers 0-15, (N,) or one for all.
        end: byte 24, one of END_BYTES, (N,) or one for all.

    Returns:
        The frames, uint8 (N, 25).

    Raises:
        ValueError: a wrong shape or dtype, or a value out of range; names the
            channel (as people count, from 1) and the value.
    """
    counts = np.asarray(channels)
    if counts.ndim != 2 or counts.shape[1] != CHANNELS:
        raise ValueError(f"channels must have the shape (N, {CHANNELS}), not {counts.shape}")
    if counts.dtype.kind not in "iu":
        raise ValueError(f"channels must be integers, not {counts.dtype}")
    total = counts.shape[0]
    flag_column = _byte_column(flags, total, "flags", tuple(range(FLAGS_MAX + 1)))
    end_column = _byte_column(end, total, "end", END_BYTES)
    raw = np.empty((total, FRAME_BYTES), np.uint8)
    words = raw.reshape(-1).view(_WORDS)
    for start in range(0, total, _BLOCK):
        stop = min(start + _BLOCK, total)
        block = counts[start:stop]
        if block.max() > COUNTS_MAX or block.min() < 0:
            row, channel = (int(x[0]) for x in np.nonzero((block > COUNTS_MAX) | (block < 0)))
            raise ValueError(
                f"channel {channel + 1} of frame {start + row} is {int(block[row, channel])}, not 0-{COUNTS_MAX}"
            )
        _pack_block(block, words[start:stop])
    raw[:, 0] = HEADER
    raw[:, 23] = flag_column
    raw[:, 24] = end_column
    return raw


def _pack_block(counts: NDArray[np.integer], words: NDArray[np.void]) -> None:
    """Write the words from last to first; each overwrites the low bits of the one after, which it completes."""
    columns = np.ascontiguousarray(counts.T).astype(np.uint64)
    words["d"] = (columns[15] << np.uint64(5)).astype(np.uint16)
    for name, bits, first in (("c", 6, 10), ("b", 7, 5), ("a", 0, 0)):
        word = columns[first] << np.uint64(bits)
        for i in range(1, 6):  # of the sixth as many bits as fit
            word |= columns[first + i] << np.uint64(bits + 11 * i)
        words[name] = word


def _byte_column(values: ArrayLike, total: int, name: str, allowed: tuple[int, ...]) -> U8:
    """Check a column of bytes, or one byte for all rows, and broadcast it."""
    column = np.asarray(values)
    if column.dtype.kind not in "iu":
        raise ValueError(f"{name} must be integers, not {column.dtype}")
    if column.shape not in ((), (total,)):
        raise ValueError(f"{name} must be one value or have the shape ({total},), not {column.shape}")
    good = np.zeros(256, np.bool_)
    good[list(allowed)] = True
    flat = column.reshape(-1)
    wrong = (flat < 0) | (flat > 255)
    wrong |= ~good[np.where(wrong, 0, flat)]
    if wrong.any():
        row = int(np.argmax(wrong))
        raise ValueError(f"{name} of frame {row} is {int(flat[row])}, not one of {', '.join(map(str, allowed))}")
    return column.astype(np.uint8)
