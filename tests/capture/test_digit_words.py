"""Digits of many numbers at once are those of each by itself."""

from __future__ import annotations

import random

import numpy as np
import pytest

from busbench.capture.csv_cells import SLACK, Cells, _each_decimal, decimals
from busbench.capture.digit_words import BEFORE, even_decimals, whole_numbers


def cells_of(texts: list[str]) -> Cells:
    text = (";".join(texts) + ";").encode()
    buffer = np.zeros(len(text) + SLACK, np.uint8)
    buffer[: len(text)] = np.frombuffer(text, np.uint8)
    end = np.flatnonzero(buffer == ord(";"))
    start = np.concatenate([[0], end[:-1] + 1])
    return Cells(buffer, start, end - start)


def test_whole_numbers_of_all_lengths() -> None:
    numbers = [10**k // 9 for k in range(1, 17)] + [0, 7, 9_999_999_999_999_999]
    text = b" " * BEFORE + b" ".join(str(number).encode() for number in numbers) + b" 12a4 /1 :2"
    buffer = np.frombuffer(text + bytes(8), np.uint8)
    words = text.split()
    end = np.array(
        [m for m in range(BEFORE, len(text) + 1) if text[m - 1 : m] != b" " and text[m : m + 1] in (b" ", b"")]
    )
    value, ok = whole_numbers(buffer, end, np.array([len(word) for word in words]))
    assert ok.tolist() == [True] * len(numbers) + [False] * 3
    assert value[: len(numbers)].tolist() == numbers


@pytest.mark.parametrize("places", [0, 1, 6, 7, 8, 9, 12, 14, None])
def test_decimals_are_read_as_character_by_character(places: int | None) -> None:
    rng = random.Random(places or 77)
    texts = []
    for _ in range(300):
        behind = rng.choice([0, 3, 7, 9, 15]) if places is None else places
        text = str(rng.choice([0, 1, 12, 999, 123_456, 99_999_999, 1_234_567_890_123]))
        text += rng.choice(".,") + "".join(rng.choices("0123456789", k=behind)) if behind else ""
        odd = rng.random()
        text = "-" + text if odd < 0.03 else text + "e-3" if odd < 0.05 else text[:-1] + "x" if odd < 0.07 else text
        texts.append("" if 0.07 < odd < 0.08 else text)
    cells = cells_of(texts)
    ours, each = decimals(cells), _each_decimal(cells)
    assert ours.ok.tolist() == each.ok.tolist()
    for power in (9, 6, 3):
        assert [part.tolist() for part in ours.scaled(power)] == [part.tolist() for part in each.scaled(power)]


def test_a_comma_is_no_point_where_it_parts_cells() -> None:
    cells = cells_of(["0000000000000000", "1,5", "2,5", "3.5"])
    end = cells.start + cells.size
    assert even_decimals(cells.buffer, cells.start[1:3], end[1:3], has_comma=False)[2].tolist() == [False, False]
    value, places, ok = even_decimals(cells.buffer, cells.start[1:], end[1:])
    assert (value.tolist(), places, ok.tolist()) == ([15, 25, 35], 1, [True] * 3)
