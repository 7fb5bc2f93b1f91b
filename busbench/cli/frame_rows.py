"""Rows of many frames, made from tables of words: the same text as cell by cell, but several times faster.

A row has a fixed number of positions; unused ones hold zero bytes, which are removed or, in a table, become spaces.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache

import numpy as np
from numpy.typing import NDArray

from busbench.model import I64, U8
from busbench.wire.frame_spec import COUNTS_MAX
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
_FLAGS = HEAD[18:22]
_FEW = 8  # frames that are written one by one
_TIME_WIDTH = 11  # min width of the times in a table
_EXACT_NS = 10**15  # up to here a double rounds to microseconds correctly


def csv_rows(table: FrameTable, zero_ns: int | None) -> str:
    """The rows of frames in the columns of HEAD, each with its line end; `zero_ns` is 0 s, None without a clock."""
    if len(table) <= _FEW:
        return "".join(_csv_row(table, i, zero_ns) for i in range(len(table)))
    counts, flags, ends, suspects = _csv_words()
    return _text(
        b"" if zero_ns is None else _seconds(table.t_ns - zero_ns),
        b",",
        _digits(table.offset),
        counts.take(table.channels),
        flags.take(table.flags),
        ends.take(table.end),
        suspects.take(table.suspect),
    )


def _csv_row(table: FrameTable, row: int, zero_ns: int | None) -> str:
    """One of a few rows as they arrive: plain numbers take a tenth of the time of arrays of length 1."""
    raw = table.raw[row].tobytes()
    bits, flags = int.from_bytes(raw[1:23], "little"), raw[23]
    seconds = "" if zero_ns is None else f"{(int(table.t_ns[row]) - zero_ns) / 1e9:.6f}"
    counts = ",".join([str(bits >> shift & COUNTS_MAX) for shift in range(0, 176, 11)])
    letters = f"{flags & 1},{flags >> 1 & 1},{flags >> 2 & 1},{flags >> 3 & 1}"
    return f"{seconds},{table.offset[row]},{counts},{letters},0x{raw[24]:02X},{int(table.line_marks[row] > 0)}\n"


def json_rows(table: FrameTable, zero_ns: int | None) -> str:
    """The same as JSON objects with the keys of HEAD, one per line."""
    counts, flags, ends, suspects = _json_words()
    return _text(
        b'{"time_s": ',
        b"null" if zero_ns is None else _seconds(table.t_ns - zero_ns),
        b', "offset": ',
        _digits(table.offset),
        *(counts[channel].take(values) for channel, values in enumerate(table.channels.T)),
        flags.take(table.flags),
        ends.take(table.end),
        suspects.take(table.suspect),
    )


def table_rows(table: FrameTable, zero_ns: int | None, *, shown: Sequence[int], has_head: bool) -> str:
    """The rows aligned for people: some channels, flags as letters (L lost, F failsafe, S suspect), the end byte."""
    counts, on_off, letters, ends = _table_words()
    times = np.full((len(table), 1), ord("-"), np.uint8) if zero_ns is None else _seconds(table.t_ns - zero_ns)
    times = np.pad(times, ((0, 0), (max(0, _TIME_WIDTH - times.shape[1]), 0)))
    times[times == 0] = ord(" ")
    cells = [
        counts.take(table.channels[:, number - 1]) if number <= 16 else on_off[number - 17].take(table.flags)
        for number in shown
    ]
    text = _text(times, *cells, letters.take(table.flags + 16 * table.suspect), ends.take(table.end))
    heads = [f"{'time, s':>{times.shape[1]}}", *(f"{f'ch{number}':>4}" for number in shown), "flags", " end"]
    return "  ".join(heads) + "\n" + text if has_head else text


def _text(*parts: bytes | U8 | Words) -> str:
    """Rows joined from constant parts, characters (N, W) and words (N,) or (N, K)."""
    arrays = [part for part in parts if not isinstance(part, bytes)]
    count = len(arrays[0])
    if not count:
        return ""
    rows = [
        np.broadcast_to(np.frombuffer(part, np.uint8), (count, len(part)))
        if isinstance(part, bytes)
        else np.ascontiguousarray(part).view(np.uint8).reshape(count, -1)
        for part in parts
    ]
    return np.concatenate(rows, axis=1).tobytes().translate(None, b"\0").decode("ascii")


@cache
def _csv_words() -> tuple[Words, Words, Words, Words]:
    """The text of each count, flag byte, end byte and suspect flag, with a leading comma."""
    return (
        np.array([f",{count}" for count in range(2048)], "S"),
        np.array(["".join(f",{byte >> bit & 1}" for bit in range(4)) for byte in range(256)], "S"),
        np.array([f",0x{byte:02X}" for byte in range(256)], "S"),
        np.array([",0\n", ",1\n"], "S"),
    )


@cache
def _json_words() -> tuple[list[Words], Words, Words, Words]:
    """The same with their keys, the counts of each channel."""
    flags = ["".join(f', "{name}": {byte >> bit & 1}' for bit, name in enumerate(_FLAGS)) for byte in range(256)]
    return (
        [np.array([f', "{name}": {count}' for count in range(2048)], "S") for name in HEAD[2:18]],
        np.array(flags, "S"),
        np.array([f', "end_byte": "0x{byte:02X}"' for byte in range(256)], "S"),
        np.array([f', "suspect": {suspect}}}\n' for suspect in range(2)], "S"),
    )


@cache
def _table_words() -> tuple[Words, list[Words], Words, Words]:
    """The cells of a table after the first: counts, channels 17 and 18, flags, the end byte with the line end."""
    letters = [
        "    " + "".join(letter if flags & bit else "-" for letter, bit in (("L", 4), ("F", 8), ("S", 16)))
        for flags in range(32)
    ]
    return (
        np.array([f"  {count:>4}" for count in range(2048)], "S"),
        [np.array([f"  {byte >> bit & 1:>4}" for byte in range(256)], "S") for bit in range(2)],
        np.array(letters, "S"),
        np.array([f"  0x{byte:02X}\n" for byte in range(256)], "S"),
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
    some = [f"{t / 1e9:.6f}" for t in t_ns[odd].tolist()]
    width = max(text.shape[1], *map(len, some))
    wide = np.pad(text, ((0, 0), (width - text.shape[1], 0)))
    words = np.array([word.rjust(width, "\0") for word in some], f"S{width}")
    wide[odd] = words.view(np.uint8).reshape(odd.size, width)
    return wide
