"""Pictures of characters drawn a second time, cell by cell."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest

from busbench.tui.draw import ASCII, UNICODE, Glyphs, bands, bars, drawn_range, large, large_scale, ruler, traces

LEFT, RIGHT = (0x40, 0x04, 0x02, 0x01), (0x80, 0x20, 0x10, 0x08)  # dots of braille from the bottom up
GLYPHS = pytest.mark.parametrize("glyphs", [UNICODE, ASCII], ids=["dots", "plain"])


def dots(columns: list[set[int]]) -> str:
    """Braille of columns of levels, two in a cell."""
    text = ""
    for at in range(0, len(columns), 2):
        code = sum(LEFT[level] for level in columns[at]) + sum(RIGHT[level] for level in columns[at + 1])
        text += chr(0x2800 + code)
    return text


@GLYPHS
@pytest.mark.parametrize("rows", [1, 2, 4])
def test_a_trace_is_joined_from_level_to_level(glyphs: Glyphs, rows: int) -> None:
    rng = np.random.default_rng(rows)
    values = np.where(rng.random((3, 60)) < 0.15, -1, rng.integers(0, 2048, (3, 60))).astype(np.int16)
    low, high = np.array([0, 300, 1000], np.uint16), np.array([2047, 1700, 1004], np.uint16)
    found = traces(values, low, high, glyphs, rows=rows)
    for channel in range(3):
        bottom, top = [(0, 2047), (300, 1700), (994, 1010)][channel]  # what is nearly still is in the middle
        levels = [
            min(max((int(one) - bottom) * 4 * rows // (top - bottom), 0), 4 * rows - 1) for one in values[channel]
        ]
        for row in range(rows):
            below = 4 * (rows - 1 - row)
            if glyphs.levels:
                inside = [
                    (one - below if value >= 0 else -1) for one, value in zip(levels, values[channel], strict=True)
                ]
                wanted = "".join(glyphs.levels[one] if 0 <= one < 4 else " " for one in inside)
            else:
                columns: list[set[int]] = []
                for x, level in enumerate(levels):
                    reach = {level}
                    if x and values[channel, x] >= 0 and values[channel, x - 1] >= 0:
                        before = levels[x - 1]
                        reach |= set(range(before + 1, level)) | set(range(level + 1, before))
                    reach = set() if values[channel, x] < 0 else reach
                    columns.append({one - below for one in reach if 0 <= one - below < 4})
                wanted = dots(columns)
            assert found[channel][row] == wanted, (channel, row)


@pytest.mark.parametrize(
    ("low", "high", "wanted"),
    [
        (1000, 1008, (1000, 1008)),
        (1000, 1007, (995, 1011)),
        (0, 3, (0, 16)),
        (2047, 2047, (2031, 2047)),
        (8, 8, (0, 16)),
        (2040, 2040, (2031, 2047)),
    ],
)
def test_what_is_nearly_still_is_drawn_in_sixteen_counts(low: int, high: int, wanted: tuple[int, int]) -> None:
    bottom, top = drawn_range(np.array([low], np.uint16), np.array([high], np.uint16))
    assert (bottom.tolist(), top.tolist()) == ([wanted[0]], [wanted[1]])


@GLYPHS
@pytest.mark.parametrize(("width", "height"), [(7, 1), (20, 3), (40, 5), (80, 2)])
def test_a_band_reaches_from_min_to_max_of_each_column(glyphs: Glyphs, width: int, height: int) -> None:
    rng = np.random.default_rng(width)
    lows = np.where(rng.random(200) < 0.3, -1, rng.integers(100, 900, 200))
    highs = np.where(lows < 0, -1, lows + rng.integers(0, 500, 200))
    lows[90:120] = highs[90:120] = -1
    ends = 150, 1000
    found = bands(lows, highs, ends, width, height, glyphs)
    points = width if glyphs.levels else 2 * width
    columns: list[set[int]] = []
    for at in range(points):
        first, stop = at * 200 // points, max((at + 1) * 200 // points, at * 200 // points + 1)
        part = [(low, high) for low, high in zip(lows[first:stop], highs[first:stop], strict=True) if high >= 0]
        inside = [min(min(low for low, _ in part), 1000), min(max(high for _, high in part), 1000)] if part else []
        reach = [min((max(int(one), 150) - 150) * 4 * height // 850, 4 * height - 1) for one in inside]
        columns.append(set(range(reach[0], reach[1] + 1)) if reach else set())
    for row in range(height):
        below = 4 * (height - 1 - row)
        here = [{one - below for one in column if 0 <= one - below < 4} for column in columns]
        assert found[row] == ("".join("|" if one else " " for one in here) if glyphs.levels else dots(here)), row


def test_a_band_of_one_value_is_a_line() -> None:
    assert bands(np.array([5, 5]), np.array([5, 5]), (5, 5), 2, 1, ASCII) == ["||"]


@GLYPHS
@pytest.mark.parametrize(("width", "height"), [(9, 1), (20, 3), (45, 6)])
def test_bars_are_as_high_as_their_share_of_the_highest(glyphs: Glyphs, width: int, height: int) -> None:
    counts = np.random.default_rng(2).integers(0, 900, 45)
    counts[10:15] = 0
    counts[20] = 1
    found = bars(counts, width, height, glyphs)
    edges = [at * 45 // width for at in range(width + 1)]
    sums = [int(counts[first:stop].sum()) for first, stop in pairwise(edges)]
    steps = len(glyphs.bars) - 1
    for x, total in enumerate(sums):
        filled = -(-total * height * steps // max(sums))  # rounded up: the smallest count is seen
        column = [glyphs.bars[min(max(filled - row * steps, 0), steps)] for row in reversed(range(height))]
        assert [line[x] for line in found] == column, x
    assert bars(np.zeros(4, np.int64), 2, 2, glyphs) == ["  ", "  "]


@GLYPHS
@pytest.mark.parametrize("width", [6, 7, 20, 44, 100])
def test_a_ruler_has_its_ticks_its_range_and_its_value(glyphs: Glyphs, width: int) -> None:
    for low, high, value in ((0, 2047, 992), (172, 1811, 100), (500, 600, 1900), (992, 992, 992), (300, 1500, None)):
        here, first, last = (None if one is None else one * width // 2048 for one in (value, low, high))
        assert first is not None
        assert last is not None
        ends = [first, last] if here is None else [min(first, here), max(last, here)]
        ticks = {one * width // 2048 for one in (172, 992, 1811)}
        wanted = []
        for x in range(width):
            bare = glyphs.tick if x in ticks else glyphs.rule
            if x == here:
                wanted.append((glyphs.here, "here"))
            elif ends[0] <= x <= ends[1]:
                wanted.append((glyphs.span, "rule" if here is None else "span"))
            else:
                wanted.append((bare, "rule"))
        cells = [(one, style) for text, style in ruler(value, low, high, width, glyphs) for one in text]
        assert cells == wanted, (low, high, value)


def test_a_ruler_of_two_states_has_its_ends_at_its_ends_and_no_ticks() -> None:
    for value, low, high, text in ((0, 0, 0, "#-------"), (1, 1, 1, "-------#"), (0, 0, 1, "#=======")):
        assert "".join(part for part, _ in ruler(value, low, high, 8, ASCII, top=1)) == text
    assert ruler(None, 1, 1, 8, ASCII, top=1) == [("-------", "rule"), ("=", "rule"), ("", "rule")]


def test_figures_have_two_columns_between_and_are_twice_as_wide_as_their_columns() -> None:
    columns = [
        "        ###",
        "          #",
        "###      # ",
        "           ",
        "     #   # ",
    ]  # - . ? of three, one and three
    assert large("-.?", 1, ASCII) == [line.replace(" ", "  ").replace("#", "##") for line in columns]
    twice = [line.replace(" ", "    ").replace("#", "####") for line in columns for _ in range(2)]
    assert large("-.?", 2, ASCII) == twice
    assert large("~", 1, ASCII) == [" " * 6] * 5


@pytest.mark.parametrize(
    ("text", "width", "height", "scale"),
    [
        ("0", 6, 5, 1),
        ("0", 5, 5, 0),
        ("0", 12, 9, 1),
        ("0", 12, 10, 2),
        ("10", 16, 5, 1),
        ("10", 15, 5, 0),
        ("", 5, 5, 1),
    ],
)
def test_the_largest_scale_that_fits(text: str, width: int, height: int, scale: int) -> None:
    assert large_scale(text, width, height) == scale
