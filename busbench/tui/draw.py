"""Pictures made of characters: rulers, traces, histograms, timelines and large figures."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from busbench.model import I16, I64, U16, Bools

WIRE_MAX = 2047
_MARKED = (172, 992, 1811)  # customary ends and centre


@dataclass(frozen=True, slots=True)
class Glyphs:
    """The characters that pictures are made of."""

    rule: str
    tick: str
    span: str
    here: str
    bars: str  # fill levels of a cell from empty to full
    levels: str  # a point at four heights in one cell, bottom first; empty for braille
    flat: str  # a timeline without outages
    mark: str  # mark, cut_in, cut_out: above a timeline
    cut_in: str
    cut_out: str
    block: str  # pixel of large figures
    dot: str  # gap between figures
    rec: str  # recording
    more: str
    frame: str  # a single frame on a timeline
    bar: str  # the cursor of a plot


UNICODE = Glyphs("─", "┼", "━", "◆", " ▁▂▃▄▅▆▇█", "", "·", "▼", "[", "]", "█", "·", "●", "…", "╷", "│")
ASCII = Glyphs("-", "+", "=", "#", " .:|", "_.-'", ".", "v", "[", "]", "#", "-", "*", "~", "|", ":")

_LEFT = (0x40, 0x04, 0x02, 0x01)  # dots of braille from the bottom up
_RIGHT = (0x80, 0x20, 0x10, 0x08)


def _reach_table(dots: tuple[int, ...]) -> NDArray[np.uint32]:
    """Dots from level a to level b."""
    table = np.zeros((4, 4), np.uint32)
    for a in range(4):
        for b in range(4):
            for level in range(min(a, b), max(a, b) + 1):
                table[a, b] |= dots[level]
    return table


_TABLES = (_reach_table(_LEFT), _reach_table(_RIGHT))


def drawn_range(low: U16, high: U16) -> tuple[NDArray[np.int32], NDArray[np.int32]]:
    """Counts at the bottom and the top of a trace with a given min and max, int32 each; at least 16 counts apart."""
    least, most = low.astype(np.int32), high.astype(np.int32)
    is_flat = most - least < 8  # noise of one or two counts must not fill the row
    middle = np.clip((least + most) // 2, 8, WIRE_MAX - 8)
    return np.where(is_flat, middle - 8, least), np.where(is_flat, middle + 8, most)


def traces(values: I16, low: U16, high: U16, glyphs: Glyphs, *, rows: int = 1) -> list[list[str]]:
    """Draw a trace of each channel.

    Args:
        values: int16 (C, points), -1 without a frame; two points per cell, one if glyphs have levels.
        low, high: counts at bottom and top, uint16 (C,).

    Returns:
        The lines of each channel, top first.
    """
    bottom, top = (one[:, None] for one in drawn_range(low, high))
    count = 4 * rows
    level = np.clip((values - bottom) * count // np.maximum(top - bottom, 1), 0, count - 1)
    gone = values < 0
    lines = []
    for row in range(rows - 1, -1, -1):
        codes = _row_codes(level - 4 * row, gone, glyphs)
        width = codes.shape[1]
        text = codes.astype("<u4").tobytes().decode("utf-32-le")
        lines.append([text[at : at + width] for at in range(0, len(text), width)])
    return [list(one) for one in zip(*lines, strict=True)]


def _row_codes(level: NDArray[np.int32], gone: Bools, glyphs: Glyphs) -> NDArray[np.uint32]:
    """Characters of one line, with levels from its bottom; levels beyond it belong to other lines."""
    if glyphs.levels:
        codes = np.array([ord(one) for one in glyphs.levels], np.uint32)[np.clip(level, 0, 3)]
        codes[gone | (level < 0) | (level > 3)] = ord(" ")
        return codes
    # Steps of more than one level are joined by a vertical line.
    before = np.concatenate([level[:, :1], level[:, :-1]], axis=1)
    lone = gone | np.concatenate([gone[:, :1], gone[:, :-1]], axis=1)
    before = np.where(lone, level, before)
    side = before + np.sign(level - before)
    return _dots(np.minimum(level, side), np.maximum(level, side), gone)


def _dots(lo: NDArray[np.int32], hi: NDArray[np.int32], gone: Bools) -> NDArray[np.uint32]:
    """Braille of one line, two points per cell, with dots from one level to another."""
    missed = gone | (hi < 0) | (lo > 3)
    lo, hi = np.clip(lo, 0, 3), np.clip(hi, 0, 3)
    dots = np.empty(lo.shape, np.uint32)
    dots[:, 0::2] = _TABLES[0][lo[:, 0::2], hi[:, 0::2]]
    dots[:, 1::2] = _TABLES[1][lo[:, 1::2], hi[:, 1::2]]
    dots[missed] = 0
    return 0x2800 + (dots[:, 0::2] | dots[:, 1::2])


def ruler(
    value: int | None, low: int, high: int, width: int, glyphs: Glyphs, *, top: int = WIRE_MAX
) -> list[tuple[str, str]]:
    """A ruler from 0 to `top` with range and current value (or None), as styled pieces."""

    def cell(counts: int) -> int:
        return min(width - 1, counts * width // (top + 1)) if top == WIRE_MAX else counts * (width - 1) // top

    bare = _bare_ruler(width, glyphs, top)
    if value is None:
        first, last = cell(low), cell(high)
        return [(bare[:first], "rule"), (glyphs.span * (last - first + 1), "rule"), (bare[last + 1 :], "rule")]
    here = cell(value)
    first, last = min(cell(low), here), max(cell(high), here)
    return [
        (bare[:first], "rule"),
        (glyphs.span * (here - first), "span"),
        (glyphs.here, "here"),
        (glyphs.span * (last - here), "span"),
        (bare[last + 1 :], "rule"),
    ]


@lru_cache
def _bare_ruler(width: int, glyphs: Glyphs, top: int) -> str:
    ticks = {counts * width // (top + 1) for counts in _MARKED}  # beyond a ruler of two states
    return "".join(glyphs.tick if at in ticks else glyphs.rule for at in range(width))


def bands(lows: I64, highs: I64, ends: tuple[int, int], width: int, height: int, glyphs: Glyphs) -> list[str]:
    """Draw a band between min and max over time, top line first.

    Args:
        lows, highs: min and max of each part of the time, -1 for none, int64 (P,).
        ends: values at bottom and top.
    """
    points = width if glyphs.levels else 2 * width
    first = np.arange(points) * lows.size // points
    low = np.minimum.reduceat(np.where(lows < 0, np.iinfo(np.int64).max, lows), first)
    high = np.maximum.reduceat(highs, first)
    gone = (high < 0)[None]
    count = 4 * height

    def level(values: I64) -> NDArray[np.int32]:
        clipped = np.clip(values, *ends) - ends[0]
        return np.minimum(clipped * count // max(1, ends[1] - ends[0]), count - 1).astype(np.int32)[None]

    lo, hi = level(low), level(high)
    lines = []
    for row in range(height - 1, -1, -1):
        if glyphs.levels:
            inside = ~gone & (hi >= 4 * row) & (lo <= 4 * row + 3)
            lines.append("".join("|" if one else " " for one in inside[0]))
        else:
            lines.append("".join(map(chr, _dots(lo - 4 * row, hi - 4 * row, gone)[0].tolist())))
    return lines


def bars(counts: I64, width: int, height: int, glyphs: Glyphs) -> list[str]:
    """Draw a histogram, top line first; bins are joined to fit the width, and the smallest count is visible."""
    edges = np.linspace(0, counts.size, width + 1).astype(np.int64)
    total = np.concatenate([[0], np.cumsum(counts)])
    sums = total[edges[1:]] - total[edges[:-1]]
    steps = len(glyphs.bars) - 1
    eighths = np.ceil(sums / max(1, int(sums.max())) * height * steps).astype(np.int64)
    lines = []
    for row in range(height - 1, -1, -1):
        part = np.clip(eighths - row * steps, 0, steps)
        lines.append("".join(glyphs.bars[one] for one in part.tolist()))
    return lines


_FONT = {
    "0": "███ █ █ █ █ █ █ ███",
    "1": " █  ██   █   █  ███",
    "2": "███   █ ███ █   ███",
    "3": "███   █ ███   █ ███",
    "4": "█ █ █ █ ███   █   █",
    "5": "███ █   ███   █ ███",
    "6": "███ █   ███ █ █ ███",
    "7": "███   █  █   █   █ ",
    "8": "███ █ █ ███ █ █ ███",
    "9": "███ █ █ ███   █ ███",
    "A": "███ █ █ ███ █ █ █ █",
    "B": "██  █ █ ██  █ █ ██ ",
    "D": "██  █ █ █ █ █ █ ██ ",
    "E": "███ █   ██  █   ███",
    "F": "███ █   ██  █   █  ",
    "G": "███ █   █ █ █ █ ███",
    "K": "█ █ █ █ ██  █ █ █ █",
    "L": "█   █   █   █   ███",
    "N": "██  █ █ █ █ █ █ █ █",
    "O": "███ █ █ █ █ █ █ ███",
    "P": "███ █ █ ███ █   █  ",
    "S": "███ █   ███   █ ███",
    "T": "███  █   █   █   █ ",
    "?": "███   █  █       █ ",
    "-": "        ███        ",
    " ": "                   ",
}
_GLYPHS = {one: tuple(rows[at : at + 3] for at in range(0, 19, 4)) for one, rows in _FONT.items()}
_GLYPHS["."] = (" ", " ", " ", " ", "█")
_APART = "  "  # twice the gap within a figure, so that numbers cannot be misread


def large(text: str, scale: int, glyphs: Glyphs) -> list[str]:
    """Large figures, 5 x scale lines high, font columns 2 x scale cells wide; unknown characters are blank."""
    lines = []
    for row in range(5):
        cells = _APART.join(_GLYPHS.get(one, _GLYPHS[" "])[row] for one in text)
        line = "".join((glyphs.block if cell != " " else " ") * 2 * scale for cell in cells)
        lines += [line] * scale
    return lines


def large_scale(text: str, width: int, height: int) -> int:
    """The largest scale at which a text fits, or 0."""
    columns = len(_APART.join(_GLYPHS.get(one, _GLYPHS[" "])[0] for one in text))
    return min(width // max(1, 2 * columns), height // 5)
