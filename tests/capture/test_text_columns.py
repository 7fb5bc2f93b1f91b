"""Times of day, dates and bytes in words, cell by cell, and the text that is made of them."""

from __future__ import annotations

import io

import pytest

from busbench.capture import text_columns
from busbench.capture.file_io import HEAD_BYTES, ObjectSource
from busbench.capture.text_columns import ColumnStyle, StyledSource, find_style
from busbench.errors import CaptureError


def styled(text: str, style: ColumnStyle) -> StyledSource:
    return StyledSource(ObjectSource(io.BytesIO(text.encode()), name="made"), style)


def read(source: StyledSource) -> str:
    view, out = memoryview(bytearray(100)), b""
    with source.open() as stream:
        while got := stream.readinto(view):
            out += view[:got]
    return out.decode()


@pytest.mark.parametrize(
    ("cells", "seconds"),
    [
        (["10:15:00.5"], ["36900.5"]),
        ([" 1:02:03:500 "], ["3723.500"]),  # milliseconds after the last colon
        (["02:03,25"], ["123.25"]),
        (["99:59.5", "100:10.25", "99999:00.5"], ["5999.5", "6010.25", "5999940.5"]),  # minutes without hours
        (["0:00:00", "0:00:01"], ["0", "1"]),
        (["23:59:59", "00:00:01", "12:00:00", "11:00:00"], ["86399", "86401", "129600", "126000"]),
        (["23:00:00", "00:00:00", "23:00:00", "01:00:00.0"], ["82800", "86400", "169200", "176400.0"]),
        (["12:00:00", "00:00:00"], ["43200", "0"]),  # half a day back is the same day
        (["12:00:01", "00:00:00"], ["43201", "86400"]),
        (["2026-05-28 10:15:00", "2026-05-29 00:00:00.25"], ["36900", "86400.25"]),
        (["2026-05-28 10:15:00", "2026-05-27 23:00:00"], ["36900", "-3600"]),
        (["2026/05/28T00:00:01Z", "2026.05.28 00:00:01 UTC", "2026-05-28 00:00:01"], ["1", "1", "1"]),
        (["2026-05-28 12:00:00 Z", "2026-05-28 12:00:00 +02:30"], ["43200", "34200"]),  # earlier by 2.5 hours
        (["2026-05-28 12:00:00Z", "2026-05-28 12:00:00-0130"], ["43200", "48600"]),
        (["2026-05-28 12:00:00+01:00", "2026-05-28 12:00:00+01:00"], ["43200", "43200"]),
    ],
)
def test_times_in_seconds_of_the_first_day(cells: list[str], seconds: list[str]) -> None:
    convert = text_columns._Times()
    assert [convert(cell) for cell in cells] == seconds


@pytest.mark.parametrize(
    ("cell", "utc_s"),
    [
        ("2026-05-28 10:15:00", 1_779_926_400),
        ("2026-05-28 10:15:00+02:30", 1_779_926_400 - 9_000),
        ("2026-05-28 10:15:00-02:30", 1_779_926_400 + 9_000),
        ("10:15:00", None),
    ],
)
def test_the_first_date_gives_the_time_of_day_zero(cell: str, utc_s: int | None) -> None:
    """20,601 days of 86,400 s are from 1970 to 28 May 2026."""
    source = styled(
        f"{cell};0x0F\n2026-05-29 10:15:01;0x0F\n" if utc_s else f"{cell};0x0F\n", ColumnStyle(";", (0,), ())
    )
    assert source.zero_utc_ns is None
    for _ in range(2):
        assert read(source).startswith("36900;")
        assert source.zero_utc_ns == (None if utc_s is None else utc_s * 10**9)


@pytest.mark.parametrize(
    ("cell", "code"),
    [
        (" ", 0x20),
        ("A", 0x41),
        ("\x7f", 0x7F),
        ("\x80", None),
        ("", None),
        ("'A'", 0x41),
        ("'''", 0x27),
        ("''", None),
        ("'A\"", None),
        ("xAx", None),
        ("AA", None),
        ("0b11", 3),
        ("0B11111111", 255),
        (r"\x1f", 0x1F),
        ("$1f", 0x1F),
        ("$f", 0x0F),
        ("1Fh", 0x1F),
        ("01Fh", 0x1F),
        ("<1f>", 0x1F),
        ("0x1f", 0x1F),
        ("'A' (0x1f)", 0x1F),
        ("A [0x1F]", 0x1F),
        ("<esc>", 0x1B),
        ("gust", None),
    ],
)
def test_a_byte_in_words(cell: str, code: int | None) -> None:
    if code is None:
        with pytest.raises(ValueError):
            text_columns._byte(cell)
    else:
        assert text_columns._byte(cell) == f"0x{code:02X}"


def test_the_first_column_of_times_and_all_of_bytes_are_converted() -> None:
    style = ColumnStyle(";", (0, 2), (1, 3))
    text = "t;a;b;c\n10:00:00;A;11:00:00;\\n\n\n10:00:01;B\nsoon;gust;x\n10:00:02;'C';y;0x7"
    assert read(styled(text, style)) == (
        "t;0x61;b;0x63\n36000;0x41;11:00:00;0x0A\n\n36001;0x42\nsoon;gust;x\n36002;0x43;y;0x07\n"
    )


def test_cells_with_delimiters_stay_in_quotes_and_a_byte_order_mark_goes() -> None:
    assert read(styled('\ufeff10:00:00,"a,b",",",A\n', ColumnStyle(",", (0,), (2,)))) == '36000,"a,b",0x2C,A\n'


def test_what_is_no_table_is_left_as_it_is() -> None:
    """The standard library's reader takes cells of up to 131,072 characters."""
    style = ColumnStyle(";", (), (0,))
    assert read(styled(f"A;{'x' * 131_072}\n", style)) == f"0x41;{'x' * 131_072}\n"
    assert read(styled(f"A;{'x' * 131_073}\n", style)) == f"A;{'x' * 131_073}\n"


@pytest.mark.parametrize(("size", "is_read"), [(40, True), (41, False)])
def test_a_line_that_does_not_end_is_refused(size: int, is_read: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    assert text_columns._REST_MOST == 4 * 1024 * 1024
    monkeypatch.setattr(text_columns, "_REST_MOST", 40)
    source = styled("A;" + "y" * 50 + "\n" + "x" * size, ColumnStyle(";", (), (0,)))
    if is_read:
        assert read(source) == "0x41;" + "y" * 50 + "\n" + "x" * size + "\n"
    else:
        with pytest.raises(CaptureError, match="made: has a line of more than 4 MB: save it again"):
            read(source)


def test_an_empty_text_and_empty_parts_end_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    assert read(styled("", ColumnStyle(";", (), (0,)))) == ""
    monkeypatch.setattr("busbench.capture.file_io.BLOCK_BYTES", 3)  # no row ends in a block
    assert read(styled("A;yyyyyyyyy\nB;z\n", ColumnStyle(";", (), (0,)))) == "0x41;yyyyyyyyy\n0x42;z\n"


ROW = "10:15:00;0x0F"


@pytest.mark.parametrize(("good", "is_found"), [(359, False), (360, True)])
def test_nine_tenths_of_the_first_400_rows_decide(good: int, is_found: bool) -> None:
    rows = [ROW] * (good + 1) + ["soon;0x0F"] * (440 - good)
    assert (find_style("\n".join(rows).encode()) is not None) is is_found


@pytest.mark.parametrize(("others", "is_found"), [(400, True), (401, False)])
def test_half_of_the_first_800_lines_are_rows(others: int, is_found: bool) -> None:
    text = "a remark\n\n" * others + f"{ROW}\n" * 700
    assert (find_style(text.encode()) is not None) is is_found


@pytest.mark.parametrize(("others", "is_found"), [(6, True), (7, False)])
def test_half_of_few_lines_are_rows(others: int, is_found: bool) -> None:
    assert (find_style(("a remark\n" * others + f"{ROW}\n" * 5).encode()) is not None) is is_found


@pytest.mark.parametrize(("size", "is_found"), [(HEAD_BYTES - 1, True), (HEAD_BYTES, False)])
def test_the_last_line_of_a_head_may_be_cut(size: int, is_found: bool) -> None:
    text = f"c0;c1;c2\n{ROW};\n{ROW};{'x' * 60_000}\n"
    text += f"{ROW};".ljust(size - len(text), "y")
    assert len(text) == size
    assert (find_style(text.encode()) is not None) is is_found


def test_a_remark_of_one_cell_is_no_row() -> None:
    """Its cells would be counted with those of rows."""
    assert find_style((f"{ROW}\n" * 4 + "remark\n" * 4).encode()) == ColumnStyle(";", (0,), ())
