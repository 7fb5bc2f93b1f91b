"""Digits of many numbers at once are those of each by itself."""

from __future__ import annotations

import random

import numpy as np
import pytest

from busbench.capture.csv_cells import SLACK, Cells, _each_decimal, decimals
from busbench.capture.digit_words import BEFORE, even_decimals, whole_numbers
from busbench.model import I64, U8


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


DIGITS = b"0123456789"


def buffer_of(texts: list[bytes], *, between: bytes = b";9") -> tuple[U8, I64, I64]:
    """Numbers between other digits: the buffer, their starts and ends."""
    before, start, end = bytearray(b"9" * BEFORE), [], []
    for text in texts:
        before += between
        start.append(len(before) - 1)
        before[-1:] = text
        end.append(len(before))
    return np.frombuffer(bytes(before) + b"9" * SLACK, np.uint8), np.array(start), np.array(end)


@pytest.mark.parametrize("size", [1, 7, 8, 9, 15, 16])
def test_every_character_at_every_position_of_a_whole_number(size: int) -> None:
    number = b"9876543210987654"[:size]
    texts = [number[:at] + bytes([code]) + number[at + 1 :] for at in range(size) for code in range(256)]
    buffer, start, end = buffer_of(texts)
    value, ok = whole_numbers(buffer, end, end - start)
    is_digits = [all(code in DIGITS for code in text) for text in texts]
    assert ok.tolist() == is_digits
    assert value[ok].tolist() == [int(text) for text, is_number in zip(texts, is_digits, strict=True) if is_number]


@pytest.mark.parametrize("places", [0, 1, 6, 7, 8, 9, 14, 15])
def test_every_character_at_every_position_of_a_decimal(places: int) -> None:
    number = b"987654321098765"
    number = number[: 15 - places] + b"." + number[15 - places :]
    texts = [number[:at] + bytes([code]) + number[at + 1 :] for at in range(16) for code in range(256)] + [number]
    buffer, start, end = buffer_of(texts)
    value, found, ok = even_decimals(buffer, start, end)
    joined = [text[: 15 - places] + text[16 - places :] for text in texts]
    points = [text[15 - places] for text in texts]
    is_number = [
        point in b".," and all(code in DIGITS for code in text) for point, text in zip(points, joined, strict=True)
    ]
    assert found == places
    assert ok.tolist() == is_number
    assert value[ok].tolist() == [int(text) for text, is_one in zip(joined, is_number, strict=True) if is_one]


@pytest.mark.parametrize("places", range(18))
def test_decimals_of_one_to_fifteen_digits(places: int) -> None:
    """Those of more digits are left for the reader of any form."""
    number = "9876543210" * 4
    texts = [number[:whole] + "." + number[whole : whole + places] for whole in range(19)]
    buffer, start, end = buffer_of([text.encode() for text in texts])
    value, found, ok = even_decimals(buffer, start, end)
    assert found == places
    assert ok.tolist() == [1 <= whole + places <= 15 for whole in range(19)]
    assert value[ok].tolist() == [int(number[: whole + places]) for whole in range(19) if 1 <= whole + places <= 15]


def test_whole_numbers_of_one_to_sixteen_digits() -> None:
    number = "98765432109876543210"
    buffer, start, end = buffer_of([number[:size].encode() for size in range(1, 19)] + [b""])
    for value, ok in (
        whole_numbers(buffer, end, end - start),
        (found := even_decimals(buffer, start, end))[::2],
    ):
        assert ok.tolist() == [True] * 16 + [False] * 3
        assert value[ok].tolist() == [int(number[:size]) for size in range(1, 17)]
    assert found[1] == 0


def test_the_last_of_the_numbers_gives_the_places_of_all() -> None:
    texts = [b"1.5", b"1,50", b".25", b"12.25", b"1.250", b"125", b"", b"-1.25", b"+1.25", b"1.25"]
    buffer, start, end = buffer_of(texts)
    value, places, ok = even_decimals(buffer, start, end)
    assert places == 2
    assert ok.tolist() == [False, True, True, True, False, False, False, False, False, True]
    assert value[ok].tolist() == [150, 25, 1225, 125]
    assert even_decimals(buffer, start[:0], end[:0])[0].tolist() == []


@pytest.mark.parametrize("text", [b"5", b"0.5", b"12.345678"])
@pytest.mark.parametrize(("end", "is_read"), [(15, False), (16, True), (17, True)])
def test_numbers_at_the_beginning_of_a_buffer_are_left_to_the_reader_of_any_form(
    text: bytes, end: int, is_read: bool
) -> None:
    buffer = np.frombuffer(b"9" * (end - len(text)) + text + bytes(SLACK), np.uint8)
    value, places, ok = even_decimals(buffer, np.array([end - len(text)]), np.array([end]))
    assert ok.tolist() == [is_read]
    if is_read:
        assert value.tolist() == [int(text.replace(b".", b""))]
        assert places == len(text.partition(b".")[2])


def test_a_comma_before_a_number_is_no_point_of_it() -> None:
    for texts in ([b"25", b"1.25"], [b"5", b"", b"1.5"], [b"12345678", b"1.12345678"]):
        value, _, ok = even_decimals(*buffer_of(texts, between=b",9"))
        assert ok.tolist() == [False] * (len(texts) - 1) + [True]
        assert value[-1] == int(texts[-1].replace(b".", b""))
