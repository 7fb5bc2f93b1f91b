"""Cells of delimited text beside the standard library's reader, and their values beside Python's."""

from __future__ import annotations

import csv
import re
from decimal import ROUND_HALF_UP, Decimal

import numpy as np
import pytest

from busbench.capture.csv_cells import (
    SLACK,
    Cells,
    Lines,
    decimal_bytes,
    decimals,
    has_prefix,
    hex_digits,
    is_word,
    split,
)
from busbench.model import TIME_MAX_NS, TIME_MIN_NS

BLANKS = " \t\"'\u00a0"


def cells_of(texts: list[str]) -> Cells:
    """Cells one after another in a block."""
    raw = [text.encode("latin-1") for text in texts]
    size = np.array([len(one) for one in raw], np.int64)
    buffer = np.frombuffer(b"".join(raw) + bytes(SLACK), np.uint8)
    return Cells(buffer, np.cumsum(size) - size, size)


def lines_of(text: str, delimiter: str) -> Lines:
    raw = text.encode()
    buffer = np.frombuffer(raw + bytes(SLACK), np.uint8)
    return split(buffer, len(raw), newline=ord("\n"), delimiter=ord(delimiter))


def text_at(cells: Cells, row: int) -> str:
    start, size = int(cells.start[row]), int(cells.size[row])
    return cells.buffer[start : start + size].tobytes().decode()


@pytest.mark.parametrize("seed", range(30))
def test_columns_are_those_of_the_standard_library(seed: int) -> None:
    """Rows of the same and of different numbers of cells, with and without quotes, blanks and empty cells."""
    rng = np.random.default_rng(seed)
    delimiter = str(rng.choice([",", ";", "\t"]))
    words = ["0.5", "x", "", "12", "a b", "0x0F"] + ([" 7 ", "\u00a0v"] if seed % 3 == 0 and delimiter != "\t" else [])
    words += [f'"{delimiter}q"', f'"1{delimiter}5"'] if seed % 4 == 0 else []
    width = int(rng.integers(1, 6))
    rows = [rng.choice(words, width if seed % 2 else int(rng.integers(1, 6))).tolist() for _ in range(25)]
    text = "".join(delimiter.join(row) + "\n" for row in rows)
    lines = lines_of(text, delimiter)
    expected = [row or [""] for row in csv.reader(text.splitlines(), delimiter=delimiter)]
    assert lines.fields.tolist() == [len(row) for row in expected]
    picked = lines.select(np.arange(len(rows)) % 3 > 0)
    for number in range(7):
        wanted = [row[number].strip(BLANKS) if number < len(row) else "" for row in expected]
        found = lines.column(number)
        assert [text_at(found, row) for row in range(len(rows))] == wanted
        some = picked.column(number)
        assert [text_at(some, row) for row in range(len(picked.start))] == [w for i, w in enumerate(wanted) if i % 3]


@pytest.mark.parametrize(
    ("line", "is_void"),
    [
        *((line, True) for line in ("", "  \t", "# a", " % a", "// a")),
        *((line, False) for line in ("/ a", "a # b", "0")),
    ],
)
def test_comments_and_blank_lines(line: str, is_void: bool) -> None:
    assert lines_of(f"1,2\n{line}\n3,4\n", ",").is_void().tolist() == [False, is_void, False]


_TEXTS = (
    "0 7 42 042 255 256 999 1000 0001 1a a1 -1 +1 1. ff FF 0f 0x 0x0 0xF 0xff 0xFF 0X1f 0x0FF 0x100 0x00000001"
    " 0x000000001 0x1g 1x1f x1f fff 00000001 000000001 0000000ff g 0g /1 :1 @1 G ` 1/ 1: a@"
)
TEXTS = ["", " 1", *_TEXTS.split()]


def hex_value(text: str, skip: int) -> int | None:
    digits = text[skip:]
    return int(digits, 16) if re.fullmatch("[0-9a-fA-F]{1,8}", digits) and int(digits, 16) < 256 else None


@pytest.mark.parametrize("skip", [0, 2])
@pytest.mark.parametrize("alike", [False, True])
def test_hex_bytes(skip: int, alike: bool) -> None:
    """Cells of one length are read in another way than others."""
    groups = [[text] * 3 for text in TEXTS] if alike else [TEXTS]
    for texts in groups:
        value, ok = hex_digits(cells_of(texts), skip)
        expected = [hex_value(text, skip) for text in texts]
        assert ok.tolist() == [one is not None for one in expected]
        assert value[ok].tolist() == [one for one in expected if one is not None]
    for size in range(1, 10):
        same = [text for text in TEXTS if len(text) == size]
        assert hex_digits(cells_of(same), skip)[1].tolist() == [hex_value(text, skip) is not None for text in same]


def test_decimal_bytes_and_prefixes() -> None:
    cells = cells_of(TEXTS)
    value, ok = decimal_bytes(cells)
    expected = [int(text) if re.fullmatch("[0-9]{1,3}", text) and int(text) < 256 else None for text in TEXTS]
    assert ok.tolist() == [one is not None for one in expected]
    assert value[ok].tolist() == [one for one in expected if one is not None]
    assert has_prefix(cells).tolist() == [len(text) > 2 and text[:2] in ("0x", "0X") for text in TEXTS]


_WORDS = "0 ok OK Ok okk true TRUE abcdefgh ABCDEFGH abcdefghi z Z @ ` [ {"


@pytest.mark.parametrize("words", [("ok", "true", "abcdefgh"), ("", "0"), ("z", "@", "[")])
def test_words_of_eight_letters_in_any_case(words: tuple[str, ...]) -> None:
    texts = ["", *_WORDS.split()]
    assert is_word(cells_of(texts), words).tolist() == [text.lower() in words for text in texts]
    for text in texts:
        assert is_word(cells_of([text] * 3), words).tolist() == [text.lower() in words] * 3


_NUMBERS = (
    "0 -0 1 12.5 0,5 .5 5. +7 -3.25 1e3 1E-3 -1.5e+2 00012 0.00000000000000000012 9223372036854775807"
    " 9223372036854775808 -9223372036854775808 1234567890123456789 0.1234567890123456789012 1e19 1e20 1e-19 1e-20"
    " 5e-10 4e-10 0.0000000005 0.00000000049999999999 2.5e-9 1e998 1e-999 0e999 0.0 -0.0000000005 3e9 9.3e9"
    " 1.0000000015 1e1e1 e1 1e 1e+ + 1-2 1.2,3"
)
NUMBERS = _NUMBERS.split()
NUMBERS += ["9" * 48, "0" * 40 + "1", "0" * 48 + "1", "1" * 18 + ".5", "1" * 20]


@pytest.mark.parametrize("power", [0, 3, 6, 9])
@pytest.mark.parametrize("alike", [False, True])
def test_numbers_and_times(power: int, alike: bool) -> None:
    groups = [[text] * 2 for text in NUMBERS] if alike else [NUMBERS]
    for texts in groups:
        value, fits = decimals(cells_of(texts)).scaled(power)
        for text, found, is_time in zip(texts, value.tolist(), fits.tolist(), strict=True):
            shape = re.fullmatch(r"[-+]?(?:(\d+)[.,]?\d*|[.,]\d+)(?:[eE][-+]?\d+)?", text)
            is_number = shape is not None and len(text) <= 48 and len((shape[1] or "").lstrip("0")) <= 19
            if not is_number:
                assert not is_time, text
                continue
            exact = Decimal(text.replace(",", ".")).scaleb(power)
            if abs(exact) > Decimal(10) ** 20:
                assert not is_time, text
                continue
            rounded = int(exact.quantize(Decimal(1), rounding=ROUND_HALF_UP)) if abs(exact) > Decimal("1e-30") else 0
            assert is_time == (TIME_MIN_NS <= rounded <= TIME_MAX_NS), text
            assert found == (rounded if is_time else 0), text


@pytest.mark.parametrize(
    "rows",
    [
        ["a,b,c", "d"],  # as many delimiters as two rows of two have
        ["d", "a,b,c"],
        ["a,b", "c", "d,e,f"],
        ["", "a,b,c"],
        ["a,b,c", ""],
        [",", ","],
        ["a"],
        ["a", "b"],
        ["a,b,c,d", "e,f,g,h", "i,j,k,l"],
        ["a,b,c,d", "e,f,g,h", "i,j,k,l,m"],
        ['"a,b",c', '"d",e'],
        ['"a,b",c', 'd,"e,f",g'],
        ['"a""b,c",d', "e,f"],
        [" a, b", "c ,d"],
    ],
)
def test_cells_of_rows_of_any_length(rows: list[str]) -> None:
    lines = lines_of("".join(f"{row}\n" for row in rows), ",")
    expected = [row or [""] for row in csv.reader(rows)]
    assert lines.fields.tolist() == [len(row) for row in expected]
    for number in range(6):
        wanted = [row[number].strip(BLANKS) if number < len(row) else "" for row in expected]
        found = lines.column(number)
        assert [text_at(found, row).replace('""', '"') for row in range(len(rows))] == wanted


def test_a_text_without_lines_has_no_cells() -> None:
    lines = lines_of("", ",")
    assert (lines.start.size, lines.fields.size, lines.column(0).size.size, lines.column(3).size.size) == (0, 0, 0, 0)


@pytest.mark.parametrize(
    ("text", "is_tight"), [("a,b\n", True), *((f"a,{c}b\n", False) for c in " \t\r\"'\u00a0\u00b5")]
)
def test_a_text_without_blanks_is_known(text: str, is_tight: bool) -> None:
    assert lines_of(text, ",").is_tight is is_tight


def test_a_delimiter_is_no_blank() -> None:
    lines = lines_of("a\tb\n\tc\n", "\t")
    assert lines.is_tight
    assert [text_at(lines.column(number), row) for row in (0, 1) for number in (0, 1)] == ["a", "b", "", "c"]


@pytest.mark.parametrize(("blanks", "left"), [(1, 0), (31, 0), (32, 0), (33, 1), (40, 8)])
def test_32_blanks_on_each_side_are_no_part_of_a_cell(blanks: int, left: int) -> None:
    around = " " * blanks
    cells = lines_of(f"1,{around}a b{around}\n2,c\n", ",").column(1)
    assert text_at(cells, 0) == " " * left + "a b" + " " * left
    assert text_at(cells, 1) == "c"


def test_cells_of_blanks_alone_are_empty() -> None:
    cells = lines_of("1,   ,x\n2,,x\n3,\"\",x\n4,\u00a0,x\n5, '' ,x\n", ",").column(1)
    assert cells.size.tolist() == [0] * 5


@pytest.mark.parametrize(("size", "shown"), [(39, "x" * 39), (40, "x" * 40), (41, "x" * 39 + "…")])
def test_the_text_of_a_cell_is_short(size: int, shown: str) -> None:
    assert cells_of(["a", "x" * size, "b"]).text(1) == shown
