"""CSV rows of many frames, made from tables of digits: the same text as cell by cell, but several times faster.

A row has a fixed number of positions; unused ones hold zero bytes, which are removed.
"""

from __future__ import annotations

from functools import cache

import numpy as np
from numpy.typing import NDArray

from busbench.model import I64, U8
from busbench.wire.table import FrameTable

HEAD = (
    "time_s",
    "offset",
    *(f"ch{number}" for number in range(1, 19)),
    "frame_lost",
    "failsafe",
    "end_byte",
    "suspect",
)
Words = NDArray[np.bytes_]
_EXACT_NS = 10**15  # up to here a double rounds to microseconds correctly


def csv_rows(table: FrameTable, zero_ns: int | None) -> str:
    """The rows of frames in the columns of HEAD, each with its line end; `zero_ns` is 0 s, None without a clock."""
    count = len(table)
    if not count:
        return ""
    counts, flags, ends, suspects = _tables()
    words = counts.take(table.channels), flags.take(table.flags), ends.take(table.end), suspects.take(table.suspect)
    parts = [
        np.empty((count, 0), np.uint8) if zero_ns is None else _seconds(table.t_ns - zero_ns),
        np.full((count, 1), ord(","), np.uint8),
        _digits(table.offset),
        *(word.view(np.uint8).reshape(count, -1) for word in words),
    ]
    return np.concatenate(parts, axis=1).tobytes().translate(None, b"\0").decode("ascii")


@cache
def _tables() -> tuple[Words, Words, Words, Words]:
    """The text of each count, flag byte, end byte and suspect flag, with a leading comma."""
    return (
        np.array([f",{count}" for count in range(2048)], "S5"),
        np.array(["".join(f",{byte >> bit & 1}" for bit in range(4)) for byte in range(256)], "S8"),
        np.array([f",0x{byte:02X}" for byte in range(256)], "S5"),
        np.array([",0\n", ",1\n"], "S3"),
    )


def _digits(values: I64, *, least: int = 1) -> U8:
    """Non-negative integers, int64 (N,), as digits, with leading zero bytes."""
    width = max(len(str(int(values.max(initial=0)))), least)
    text = np.empty((values.size, width), np.uint8)
    rest = values
    for place in range(width - 1, -1, -1):
        higher = rest // 10
        digit = (rest - 10 * higher).astype(np.uint8) + np.uint8(48)
        if width - place > least:
            digit *= rest > 0
        text[:, place], rest = digit, higher
    return text


def _seconds(t_ns: I64) -> U8:
    """Times in seconds with six decimals, equal to "%.6f" of a double."""
    us, rest = np.divmod(t_ns, 1000)
    us += rest > 500
    text = np.concatenate(
        [_digits(us // 1_000_000), np.full((us.size, 1), ord("."), np.uint8), _digits(us % 1_000_000, least=6)], axis=1
    )
    odd = np.flatnonzero((rest == 500) | (t_ns < 0) | (t_ns > _EXACT_NS))
    if not odd.size:
        return text
    words = np.array([f"{t / 1e9:.6f}" for t in t_ns[odd].tolist()], "S")
    wide = np.zeros((us.size, max(text.shape[1], words.itemsize)), np.uint8)
    wide[:, : text.shape[1]] = text
    wide[odd] = 0
    wide[odd, : words.itemsize] = words.view(np.uint8).reshape(odd.size, -1)
    return wide
