"""Limits of a table of times and bytes: counts of rows and columns, and steps of a clock, each from both sides."""

from __future__ import annotations

import numpy as np
import pytest

from busbench.capture.csv_layout import Base, Layout, find_layout, is_marked, read_bytes, weigh
from tests.capture.test_csv_cells import cells_of
from tests.capture.test_csv_choices import layout, timed


def made(*, digit_ns: int, step_ns: int, base: Base = Base.OPEN, header: str = "") -> Layout:
    return Layout(10, 44, 1, 0, 1, (), 9, base, 2, digit_ns, step_ns, 0, header, ())


@pytest.mark.parametrize(
    ("digit_ns", "step_ns", "resolution_ns"),
    [
        (1000, 4999, 4999),
        (1000, 5000, 5000),  # half a bit of the line
        (1000, 5001, 1000),
        (1000, 1000, 1000),
        (1000, 999, 1000),  # finer than the digits
        (1000, 0, 1000),  # too few rows
        (5001, 5001, 5001),
        (1, 2, 2),
        (1, 0, 1),
    ],
)
def test_a_common_step_is_that_of_the_clock_from_the_last_digit_to_the_bits(
    digit_ns: int, step_ns: int, resolution_ns: int
) -> None:
    assert made(digit_ns=digit_ns, step_ns=step_ns).resolution_ns(5000) == resolution_ns


@pytest.mark.parametrize(("rows", "step_ns"), [(7, 0), (8, 125_000), (9, 125_000)])
def test_eight_times_have_a_common_step(rows: int, step_ns: int) -> None:
    found = layout([f"0.{125 * n:06d},0x0F" for n in range(rows)], "time [s],byte")
    assert found is not None
    assert (found.step_ns, found.digit_ns) == (step_ns, 1000)


@pytest.mark.parametrize(
    ("times", "unit", "digit_ns"),
    [
        (["1", "2"], "s", 10**9),
        (["0.1", "0.02"], "s", 10**7),  # the finest
        (["0.01", "0.2"], "s", 10**7),
        (["0.0000000001", "0.0000000002"], "s", 1),
        (["1", "2"], "ns", 1),
        (["1.5", "2.5"], "us", 100),
        (["1e3", "2e3"], "s", 10**12),
        (["1e4", "2e4"], "s", 10**12),  # no more than a thousand seconds
        (["1e4", "2e4"], "us", 10**7),
    ],
)
def test_the_last_digit_of_the_times(times: list[str], unit: str, digit_ns: int) -> None:
    found = layout([f"{t},0x0F" for t in times], f"time [{unit}],byte")
    assert found is not None
    assert found.digit_ns == digit_ns


@pytest.mark.parametrize(("columns", "byte"), [(31, 30), (32, 31), (33, None), (34, None)])
def test_the_first_32_columns_count(columns: int, byte: int | None) -> None:
    rows = [",".join([f"0.{n}", *["-"] * (columns - 2), f"0x{15 + n:02X}"]) for n in range(3)]
    found = layout(rows)
    assert (None if found is None else found.byte) == byte


@pytest.mark.parametrize(("columns", "is_found"), [(32, True), (33, True), (40, True)])
def test_a_byte_in_the_first_columns_is_found_in_rows_of_any_length(columns: int, is_found: bool) -> None:
    rows = [",".join([f"0.{n}", f"0x{15 + n:02X}", *["-"] * (columns - 2)]) for n in range(3)]
    found = layout(rows)
    assert (found is not None and found.byte == 1) is is_found


@pytest.mark.parametrize(("alike", "byte"), [(199, 1), (200, 2)])
def test_what_is_the_same_in_200_rows_is_constant(alike: int, byte: int) -> None:
    others = [("15", "7", "200")[n % 3] for n in range(alike + 3)]
    found = layout(timed(["7"] * alike + ["9"] * 3, others))
    assert found is not None
    assert found.byte == byte


@pytest.mark.parametrize(
    ("bytes_", "base"),
    [
        (["0x0F", "0x10"], Base.PREFIXED),
        (["0x0F", "10", "0x0F"], Base.PREFIXED),  # most of them
        (["0x0F", "10", "0x0F", "10"], Base.OPEN),  # half of them
        (["0x0F", "0a", "0x0F", "10"], Base.HEX),
        (["0x0F", "200", "0x0F", "10"], Base.DECIMAL),
        (["10", "20"], Base.OPEN),
        (["1", "2"], Base.OPEN),  # a single digit does not decide the whole column
        (["0a", "200"], Base.OPEN),  # nor do signs of both
        (["0a", "2"], Base.HEX),
    ],
)
def test_the_notation_is_known_from_the_first_rows_where_they_show_it(bytes_: list[str], base: Base) -> None:
    found = layout([f"0.{n + 1},{byte}" for n, byte in enumerate(bytes_)], "time [s],byte")
    assert found is not None
    assert found.base is base


@pytest.mark.parametrize(
    ("evidence", "header", "base", "why"),
    [
        ((2, 1, 9), "dec", Base.HEX, "2 of them can be nothing else"),
        ((1, 2, 9), "hex", Base.DECIMAL, "2 of them can be nothing else"),
        ((1, 1, 9), "hex value", Base.HEX, "the header says so"),
        ((0, 0, 0), "value dec", Base.DECIMAL, "the header says so"),
        ((0, 0, 0), "decimal or hex", Base.HEX, "the header says so"),
        ((0, 0, 1), "decoded", Base.DECIMAL, "the header says so"),
        ((0, 0, 0), "codec", Base.HEX, "both would do, but all have two digits"),
        ((0, 0, 1), "data", Base.DECIMAL, "both would do, but some have a single digit"),
    ],
)
def test_what_settles_the_notation(evidence: tuple[int, int, int], header: str, base: Base, why: str) -> None:
    found = made(digit_ns=1, step_ns=0, header=header).settled(np.array(evidence))
    assert (found.base, found.notes) == (base, (f"bytes without 0x are read {base.value}: {why}",))
    known = made(digit_ns=1, step_ns=0, base=Base.PREFIXED)
    assert known.settled(np.array(evidence)) is known


@pytest.mark.parametrize(
    ("text", "evidence"),
    [
        ("0", (0, 0, 1)),
        ("9", (0, 0, 1)),
        ("a", (1, 0, 0)),
        ("00", (1, 0, 0)),  # no decimal number is written so
        ("09", (1, 0, 0)),
        ("10", (0, 0, 0)),
        ("ff", (1, 0, 0)),
        ("012", (0, 1, 0)),
        ("255", (0, 1, 0)),
        ("256", (0, 0, 0)),
        ("0ff", (0, 0, 0)),
        ("", (0, 0, 0)),
    ],
)
def test_evidence_for_a_notation(text: str, evidence: tuple[int, int, int]) -> None:
    assert tuple(weigh(cells_of([text, "10"])).tolist()) == evidence


def test_the_bytes_of_a_column_in_each_notation() -> None:
    texts = ["0x0F", "0F", "15", "7", "ff", "zz", "g", "", "255", "256", "0xFFF", "fff", "00F", "x1", "0x"]
    expected = {
        Base.PREFIXED: {"0x0F": 15},
        Base.HEX: {"0F": 15, "15": 0x15, "7": 7, "ff": 255},
        Base.DECIMAL: {"15": 15, "7": 7, "255": 255},
    }
    for base, bytes_ in expected.items():
        value, ok = read_bytes(cells_of(texts), base)
        found = zip(texts, value.tolist(), ok.tolist(), strict=True)
        assert {text: byte for text, byte, is_byte in found if is_byte} == bytes_


def test_cells_that_mark_no_damage() -> None:
    good = ["", "0", "False", "F", "no", "N", "none", "OK", "good", "null", "NaN", "-", ".", "0x0", "0x00"]
    assert not is_marked(cells_of(good)).any()
    assert is_marked(cells_of(["1", "true", "x", "nok", "0x01", "0x000", "error", "goodness"])).all()


@pytest.mark.parametrize(
    ("text", "width"),
    [
        ("0.1,0x0F\n0.2,0x10\n", 4),
        ("0.1,0x0F\n0.2,0x1\n", 0),
        ("0.1,0x0F\n0.2,0x1", 4),  # the last may be cut
        ("0.1,0xF\n0.2,0x0F", 3),
    ],
)
def test_the_length_of_a_byte_cell(text: str, width: int) -> None:
    found = find_layout(b"time [s],byte\n" + text.encode(), is_whole=True)
    assert found is not None
    assert found.width == width


def test_a_head_that_is_cut_ends_with_its_last_whole_row() -> None:
    head = b"time [s],byte\n0.1,0x0F\n0.2,0x1"
    whole, part = (find_layout(head, is_whole=is_whole) for is_whole in (True, False))
    assert whole is not None
    assert part is not None
    assert (whole.step_ns, part.width) == (0, 4)
    assert find_layout(b"0.1,0x0F", is_whole=False) is None
    assert find_layout(b"0.1,0x0F", is_whole=True) is not None


@pytest.mark.parametrize(
    ("text", "skipped"),
    [("0.1,0x0F\n", 0), ("time,byte\n0.1,0x0F\n", 1), ("# a\n\ntime,byte\n\n0.1,0x0F\n0.2,0x0F\n", 4)],
)
def test_lines_before_the_first_row(text: str, skipped: int) -> None:
    found = find_layout(text.encode(), is_whole=True)
    assert found is not None
    assert found.skipped == skipped


@pytest.mark.parametrize(
    ("short", "long", "byte"),
    [(2, 2, 2), (3, 2, 1), (2, 3, 2)],  # of as many of both the longer ones
)
def test_rows_are_those_of_the_most_common_length(short: int, long: int, byte: int) -> None:
    rows = [f"0.{n},0x1{n}" for n in range(short)] + [f"0.{n},-,0x2{n}" for n in range(long)]
    found = layout(rows)
    assert found is not None
    assert found.byte == byte


def test_the_column_of_the_times_is_not_that_of_the_bytes() -> None:
    found = layout(["1,15", "2,7", "3,200"], "byte time,a")
    assert found is not None
    assert (found.time, found.byte) == (0, 1)
    assert layout(["1", "2", "3"], "byte time") is None


def test_the_first_row_has_both_a_time_and_a_byte() -> None:
    found = layout(["-,0x0F,5", "0.25,-,5", "0.5,0x10,5", "0.75,0x11,5"], "time [s],byte,n")
    assert found is not None
    assert (found.skipped, found.first_t_ns, found.digit_ns) == (3, 500_000_000, 10_000_000)


@pytest.mark.parametrize(
    ("good", "header", "is_found"),
    [
        (1, "", False),
        (2, "", True),  # half of the rows from the first on
        (1, "time,byte", True),  # names will do
        (1, "time,a", False),
        (1, "a,byte", False),
        (0, "time,byte", False),
    ],
)
def test_half_of_the_rows_are_of_bytes(good: int, header: str, is_found: bool) -> None:
    rows = [f"0.{n},0x0F" for n in range(good)] + ["soon,0x00", "soon,0x01"]
    assert (layout(rows, header) is not None) is is_found
    assert header or (layout(["soon,0x00"] * 9 + rows) is not None) is is_found


@pytest.mark.parametrize(
    "rows", [["0x0F,7"] * 3, ["0x0F,7,0x10"] * 3, ["0x0F,3", "0x10,2", "0x11,1"], ["1,1000", "2,2000"]]
)
def test_what_has_no_times_or_no_bytes_beside_them_is_no_table(rows: list[str]) -> None:
    assert layout(rows) is None


@pytest.mark.parametrize(
    ("header", "cells", "errors", "is_bit"),
    [
        ("time,byte,", ["true", "false", "FALSE", "true"], (2,), False),  # unnamed truth values
        ("time,byte,", ["true", "false", "false", "0"], (), False),
        ("time,byte,a", ["true", "false", "false", "true"], (), False),
        ("time,byte,fault", ["1", "0", "x", "1"], (2,), False),
        ("time,byte,parity", ["1", "0", "0", "0"], (2,), False),  # a quarter of them
        ("time,byte,parity", ["1", "1", "0", "0"], (), True),
        ("time,byte,parity error", ["1", "1", "1", "1"], (2,), False),
        ("time,byte,parity err", ["1", "1", "1", "1"], (2,), False),
        ("time,bad data,n", ["1", "0", "0", "0"], (), False),  # the bytes themselves
        ("time bad,data,n", ["1", "0", "0", "0"], (), False),  # the times themselves
        ("", ["true", "false", "false", "true"], (2,), False),
    ],
)
def test_columns_that_mark_errors(header: str, cells: list[str], errors: tuple[int, ...], is_bit: bool) -> None:
    found = layout([f"0.{n + 1},0x1{n},{cell}" for n, cell in enumerate(cells)], header)
    assert found is not None
    assert (found.time, found.byte, found.errors) == (0, 1, errors)
    said = "column 3 is taken for the parity bit itself, not for errors"
    assert (said in found.notes) is is_bit


def test_several_columns_of_errors() -> None:
    found = layout(["x,0.1,,0x0F,x", "x,0.2,,0x10,"], "break,time,n,byte,overrun")
    assert found is not None
    assert (found.time, found.byte, found.errors) == (1, 3, (0, 4))


@pytest.mark.parametrize(
    ("cell", "is_byte"),
    [
        *((cell, True) for cell in ("0x0F", "0xF", "0X1f", "0x0000000F", "0F", "f", "255", "007", "7")),
        *((cell, False) for cell in ("0x", "0x100", "0x00000000F", "0xG", "00F", "256", "0255", "-", "x0F", "1.5")),
    ],
)
def test_what_may_be_a_byte(cell: str, is_byte: bool) -> None:
    found = layout([f"0.1,{cell}", f"0.2,{cell}"], "time,byte")
    assert (found is not None) is is_byte


@pytest.mark.parametrize(("cells", "byte"), [(["7", "8", "-", "-"], 1), (["7", "-", "-", "-"], 2)])
def test_half_of_the_cells_of_a_column_are_bytes(cells: list[str], byte: int) -> None:
    found = layout(timed(cells, ["15", "7", "200", "3"]), "time,data,a")
    assert found is not None
    assert found.byte == byte


def test_rows_with_one_cell_that_is_known_do_not_count() -> None:
    assert layout(["0.1,15", "0.2,7", *["soon,15"] * 3], "time,byte") is not None


@pytest.mark.parametrize("rows", [["0.1,15,7", "-,20,8", "-,9,3"], ["-,15,7", "-,20,8", "-,9,3"]])
def test_a_name_alone_makes_no_times(rows: list[str]) -> None:
    assert layout(rows, "time,a,data") is None


@pytest.mark.parametrize(
    ("rows", "header"),
    [
        (["0.1,15,3", "0.2,-,3", "0.3,-,3"], "time,data,channel"),  # a third of the cells
        (["0.1,15", "0.2,7", "0.3,200"], "time,channel"),
        (["0.1,0", "0.2,1", "0.3,1"], "time,a"),
    ],
)
def test_what_is_no_column_of_bytes_is_none_without_another(rows: list[str], header: str) -> None:
    assert layout(rows, header) is None


@pytest.mark.parametrize(("stays", "is_found"), [(1, True), (2, False)])
def test_nine_of_ten_steps_rise(stays: int, is_found: bool) -> None:
    times = [1] * stays + list(range(1, 12 - stays))
    assert len(times) == 11
    assert (layout([f"{t},0x0F" for t in times]) is not None) is is_found


def test_a_byte_order_mark_is_no_part_of_the_first_name() -> None:
    found = layout(["0x0F,0.1", "0x10,0.2"], "\ufeffdata,time [s]")
    assert found is not None
    assert (found.header, found.skipped) == ("data", 1)


@pytest.mark.parametrize(("above", "power"), [(["t [ms],x", "t [us],x"], 3), (["t [us],x", "t [ms],x", ""], 6)])
def test_the_line_right_above_the_rows_names_their_columns(above: list[str], power: int) -> None:
    found = layout([*above, "1,0x0F", "2,0x10"])
    assert found is not None
    assert found.unit_power == power
