"""When columns of text are converted: how many cells must be times of day or bytes that no reader knows."""

from __future__ import annotations

import pytest

from busbench.capture import text_columns
from busbench.capture.text_columns import ColumnStyle, find_style


def style(columns: list[list[str]], *, delimiter: str = ";", header: bool = True) -> ColumnStyle | None:
    rows = [delimiter.join(cells) for cells in zip(*columns, strict=True)]
    head = [delimiter.join(f"c{i}" for i in range(len(columns)))] if header else []
    return find_style("".join(f"{row}\n" for row in head + rows).encode())


def numbers(count: int) -> list[str]:
    return [f"0.{n:03d}" for n in range(count)]


@pytest.mark.parametrize(("count", "is_found"), [(2, False), (3, True), (30, True)])
def test_three_rows_below_the_first_decide(count: int, is_found: bool) -> None:
    """The first row may be a header."""
    found = style([["10:15:00.5"] * count, ["0x0F"] * count])
    assert found == (ColumnStyle(";", (0,), ()) if is_found else None)


@pytest.mark.parametrize(("others", "is_found"), [(0, True), (2, True), (3, False)])
def test_nine_of_ten_cells_are_times(others: int, is_found: bool) -> None:
    cells = ["10:15:00.5"] * (20 - others) + ["soon"] * others
    assert (style([cells, ["0x0F"] * 20]) is not None) is is_found


@pytest.mark.parametrize(
    ("cell", "is_time"),
    [
        ("10:15:00", True),
        ("10:15:00.123456789012", True),
        ("10:15:00,5", True),
        ("100:15:00", True),
        ("15:00.5", True),
        ("115:00.5", True),
        ("99999:00.5", True),
        ("100000:00.5", False),
        ("115:00", False),
        ("1:115:00.5", False),
        ("15:00:500", True),  # milliseconds after the last colon
        ("10:15", False),  # hours or minutes
        ("1000:15:00", False),
        ("10:15:00.1234567890123", False),
        ("0.5", False),
        ("2026-05-28 10:15:00", True),
        ("2026/05/28T10:15:00.5Z", True),
        ("2026-13-28 10:15:00", False),
        ("2026-05-28 10:15", False),
    ],
)
def test_what_is_a_time_of_day(cell: str, is_time: bool) -> None:
    found = style([[cell] * 9, ["$0F"] * 9])
    assert found is not None
    assert found.times == ((0,) if is_time else ())


@pytest.mark.parametrize(
    ("cells", "is_found"),
    [
        (["\\x0f"] + ["0x00"] * 19, True),  # one of twenty that no reader knows
        (["\\x0f"] + ["0x00"] * 20, False),
        (["\\x0f"] * 18 + ["gust"] * 2, True),  # nine of ten are bytes
        (["\\x0f"] * 17 + ["gust"] * 3, False),
        (["\\x0e"] * 20, False),  # no frame begins
        (["A", "B", "C", "D"], False),
        (["\\x0f"] * 3, True),
        (["\\x0f"] * 2, False),
    ],
)
def test_bytes_that_no_reader_knows(cells: list[str], is_found: bool) -> None:
    found = style([numbers(len(cells)), cells])
    assert found == (ColumnStyle(";", (), (1,)) if is_found else None)


@pytest.mark.parametrize("delimiter", [",", ";", "\t"])
def test_every_delimiter(delimiter: str) -> None:
    found = style([numbers(5), ["\\x0f"] * 5, ["10:15:00"] * 5], delimiter=delimiter)
    assert found == ColumnStyle(delimiter, (2,), (1,))
    assert style([numbers(5), ["\\x0f"] * 5], delimiter=delimiter, header=False) == ColumnStyle(delimiter, (), (1,))


def test_rows_of_another_width_are_passed_over() -> None:
    text = "bench;1;2;3\n" + "".join(f"{cell};\\x0f\n" for cell in numbers(6)) + "a;b;c\n"
    assert find_style(text.encode()) == ColumnStyle(";", (), (1,))


@pytest.mark.parametrize(
    "text", ["$timescale 1 ns $end\n" + "10:15:00;\\x0f\n" * 5, "a\0b\n" + "10:15:00;\\x0f\n" * 5, ""]
)
def test_other_files_are_left_alone(text: str) -> None:
    assert find_style(text.encode()) is None


@pytest.mark.parametrize(
    ("cell", "code"),
    [
        # Escapes of the C language (ISO/IEC 9899) and ESC as compilers name it: codes of ASCII, from memory.
        *((r"\0", 0x00), (r"\a", 0x07), (r"\b", 0x08), (r"\t", 0x09), (r"\n", 0x0A), (r"\v", 0x0B)),
        *((r"\f", 0x0C), (r"\r", 0x0D), (r"\e", 0x1B), (r"\\", 0x5C)),
        # Control characters by their name in ASCII, from memory.
        *(("NUL", 0x00), ("<STX>", 0x02), ("[si]", 0x0F), ("DC3", 0x13), ("US", 0x1F), ("DEL", 0x7F)),
        *(("TAB", 0x09), ("SPACE", 0x20), ("COMMA", 0x2C)),
    ],
)
def test_escapes_and_names_of_characters(cell: str, code: int) -> None:
    assert text_columns._byte(cell) == f"0x{code:02X}"
