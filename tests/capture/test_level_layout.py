"""Tables of levels: units that fit, steps, rates and rows at their limits, and every way a row is written."""

from __future__ import annotations

import warnings
from io import BytesIO

import pytest

from busbench.capture.edges import read_edges
from busbench.capture.file_io import ObjectSource
from busbench.capture.level_csv import LevelCsvFile
from busbench.capture.level_layout import LevelLayout, find_layout, numbers, step_ns


def layout(text: str, *, is_whole: bool = True, is_known: bool = False, is_analog: bool = False) -> LevelLayout | None:
    return find_layout(text.encode(), is_whole=is_whole, is_known=is_known, is_analog=is_analog)


def sure(text: str, *, is_known: bool = False) -> LevelLayout:
    found = layout(text, is_known=is_known)
    assert found is not None
    return found


def changing(spans: list[int], head: str = "time,rx\n", form: str = "{t},{level}\n") -> str:
    """Rows of a line that changes after each span."""
    rows, t = [form.format(t=7, level=0)], 7
    for n, span in enumerate([3, *spans], 1):
        t += span
        rows.append(form.format(t=t, level=n % 2))
    return head + "".join(rows)


NO_UNIT = ('its column "time" holds whole numbers of no stated unit', "name it in the header, as in time_ns")


@pytest.mark.parametrize(
    ("spans", "tick_ns"),
    [
        ([8_999], 0), ([9_000], 1), ([10_000], 1), ([11_000], 1), ([11_001], 0),
        ([8, 8], 0), ([9, 9], 1000), ([10, 30], 1000), ([11, 11], 1000), ([12, 12], 0), ([1, 1], 0),
        ([10_000] * 20 + [10], 1), ([10_000] * 19 + [7, 7], 0),  # the second of 21 counts
        ([10_000] * 18 + [10], 1), ([10_000] * 17 + [10], 0),  # a value between the first two of 19, and of 18
        ([40_000, 30_000], 0),
    ],
)  # fmt: skip
def test_whole_numbers_are_of_the_unit_in_which_a_bit_lasts_90_to_110_percent(spans: list[int], tick_ns: int) -> None:
    found = sure(changing(spans))
    assert (found.tick_ns, found.fault) == ((tick_ns, None) if tick_ns else (1, NO_UNIT))


def test_one_change_says_nothing_of_the_unit() -> None:
    assert sure("time,rx\n7,0\n10,1\n10000,1\n").fault == NO_UNIT


def test_a_change_of_any_line_counts_for_the_unit() -> None:
    text = "time,a,b\n0,0,0\n500,1,0\n10500,1,1\n20500,0,1\n30500,0,0\n"
    assert (sure(text).tick_ns, sure(text).fault) == (1, None)


@pytest.mark.parametrize(
    ("above", "tick_ns", "column"),
    [
        ("Sample rate: 1 MHz\ntime,rx\n", 1000, ""),
        ("Sample rate: 1 MHz\n", 1000, ""),
        ("time,rx\n", 1, '"time"'),
        ("other,rx\ntime,rx\n", 1, '"time"'),
        (",rx\n", 1, "1"),
        ("", 1, "1"),
    ],
)
def test_whole_numbers_in_which_no_bit_fits_take_the_stated_rate(above: str, tick_ns: int, column: str) -> None:
    found = sure(changing([300, 700], head=above))
    assert found.tick_ns == tick_ns
    assert (found.fault[0] if found.fault else "") == (
        f"its column {column} holds whole numbers of no stated unit" if column else ""
    )


@pytest.mark.parametrize("sign", ["-", "+", '"', " "])
def test_a_sign_makes_no_seconds_of_whole_numbers(sign: str) -> None:
    rows = "".join(f"{sign}{9 - n},{n % 2}\n" if sign == "-" else f"{sign}{n},{n % 2}\n" for n in range(6))
    assert sure("time,rx\n" + rows.replace('"', "")).fault == NO_UNIT
    assert sure("time,rx\n" + rows.replace(",", ".5,").replace('"', "")).tick_ns == 1e9


@pytest.mark.parametrize(
    ("head", "tick_ns", "is_counted"),
    [
        ("time index,rx\n", 1e9, False),
        ("t count,rx\n", 1e9, False),
        ("index,rx\n", 1, True),
        ("my no,rx\n", 1, True),
        ("index ms,rx\n", 1e6, False),
        ("index,rx\nms,\n", 1e6, False),
        ("index,rx\nms,V\n", 1e6, False),
        ("t ms,rx\nus,V\n", 1e3, False),
        ("discount,rx\n", 1e9, False),
    ],
)
def test_what_the_first_column_is(head: str, tick_ns: float, is_counted: bool) -> None:
    found = sure(changing([3, 3, 3], head=head, form="{t}.5,{level}\n"))
    assert found.tick_ns == tick_ns
    assert (found.fault is not None and "counts samples, and no sample rate" in found.fault[0]) is is_counted


@pytest.mark.parametrize(
    ("line", "tick_ns"),
    [
        ("Sample rate: 9.9e14", 1e9 / 9.9e14), ("Sample rate: 1e15", None), ("Sample interval 1.1e-15", 1.1e-6),
        ("Sample interval 1e-15", None), ("Sample rate: 2", 5e8), ("Sample interval 2", 2e9),
        ("Sample rate: 1 kHz\nSample interval 5 us", 1e6),  # the rate counts
        ("Sample interval 2 ns", 2), ("Sample interval 2 us", 2e3), ("Sample interval 2 ms", 2e6),
        ("Sample interval (ns) 2", 2), ("Sample rate (kHz) 2 M", 5e5), ("Sample rate: 12,345", 1e9 / 12_345),
        ("Sample rate: 1,2345", 1e9), ("Sample rate: 1.2.3", None),
    ],
)  # fmt: skip
def test_rates_and_intervals(line: str, tick_ns: float | None) -> None:
    found = layout(f"{line}\nrx\n0\n0\n1\n1\n0\n")
    assert (found and found.tick_ns) == (None if tick_ns is None else pytest.approx(tick_ns, rel=1e-12))


@pytest.mark.parametrize(
    ("rows", "is_taken"),
    [
        ("0\n0\n1\n", True), ("0\n1\n0\n1\n", False), ("0\n1\n1\n0\n", True), ("0,0\n0,1\n1,1\n1,0\n", False),
        ("0,0\n1,0\n0,0\n1,0\n", False), ("0,0\n0,1\n0,0\n0,1\n", False), ("0,1\n1,0\n1,0\n", True),
    ],
)  # fmt: skip
def test_rows_without_times_are_samples_if_two_are_alike(rows: str, is_taken: bool) -> None:
    """A row for each change would be without times."""
    assert (layout("Sample rate: 1 MHz\n" + rows) is not None) is is_taken
    assert layout(rows) is None


@pytest.mark.parametrize(
    ("rows", "has_time"),
    [
        ("0,1\n", True),
        ("0,1\n1,0\n", True),
        ("1,0\n0,0\n", False),
        ("0,1\n1,0\n1,1\n", False),
        ("0,1\n1,0\n2,1\n", True),
    ],
)
def test_a_first_column_of_0_and_1_that_does_not_rise_is_a_line(rows: str, has_time: bool) -> None:
    text = f"Sample rate: 1 MHz\n{rows}{rows.splitlines()[-1]}\n" if not has_time else "Sample rate: 1 MHz\n" + rows
    found = sure(text, is_known=True)
    assert (found.has_time, found.names) == (has_time, ("1",) if has_time else ("1", "2"))


@pytest.mark.parametrize(
    ("text", "step"),
    [
        ("0.5,0\n1.5,1\n2.5,0\n", 10**8),  # two steps are too few to be those of samples
        ("0.5,0\n1.5,1\n2.5,0\n3.5,0\n", 10**9),
        ("0.5,0\n2.5,1\n4.5,0\n7.5,0\n", 10**8),  # the longest is one and a half of the shortest
        ("0.50,0\n2.50,1\n4.50,0\n7.49,0\n", 2 * 10**9),
        ("1.5,0\n1.5,1\n1.5,0\n1.5,0\n", 10**8),
        ("0.0e-9,0\n1.0e-9,1\n2.0e-9,0\n3.0e-9,0\n", 1),
        ("1,0\n1,1\n2,0\n9,0\n", 10**9),
        ("0.5,0\nbad\n1.25,0\n", 10**7),
        ("0.0000000005,0\n", 1),
        ('"0.25",0\n', 10**7),
    ],
)
def test_steps_of_times(text: str, step: int) -> None:
    assert step_ns(text.encode(), LevelLayout(b",", ("rx",), True, 1e9, 1, 0)) == step
    by_comma = text.replace(",", ";").replace(".", ",")
    assert step_ns(by_comma.encode(), LevelLayout(b";", ("rx",), True, 1e9, 1, 0)) == step


def test_the_step_is_found_in_2000_rows() -> None:
    rows = [f"{n * n}.5,0\n" for n in range(1999)]
    made = LevelLayout(b",", ("rx",), True, 1e9, 1, 0)
    assert step_ns("".join([*rows, "9999999.125,0\n"]).encode(), made) == 10**6
    assert step_ns("".join([*rows, "9999998.5,0\n", "9999999.125,0\n"]).encode(), made) == 10**8


@pytest.mark.parametrize(("tick_ns", "step"), [(2500.0, 2500), (0.4, 1), (1.6, 2)])
def test_the_step_of_samples_is_that_of_their_rate(tick_ns: float, step: int) -> None:
    assert step_ns(b"0\n1\n", LevelLayout(b",", ("rx",), False, tick_ns, 1, 0)) == step


def test_the_step_of_times_beyond_all_bounds_is_that_of_the_digits() -> None:
    made = LevelLayout(b",", ("rx",), True, 1e9, 1, 0)
    assert step_ns(b"-1e300,0\n1.5,0\n1e300,0\n1e305,0\n", made) == 10**8


@pytest.mark.parametrize(
    ("separator", "names", "text", "rows"),
    [
        (b",", 1, "0.5,1\n", [[0.5, 1]]),
        (b",", 1, "0.5,1", [[0.5, 1]]),
        (b",", 1, "0.5,1\n0.25,0\n", [[0.5, 1], [0.25, 0]]),
        (b",", 1, "0.25,1\n1.25,0\n", [[0.25, 1], [1.25, 0]]),
        (b",", 1, "0.25,1\r\n1.25,0\r\n", [[0.25, 1], [1.25, 0]]),
        (b",", 1, "7,1\n12,0\n", [[7, 1], [12, 0]]),
        (b",", 1, "-0.5,1\n", [[-0.5, 1]]),
        (b",", 1, "1e-3,1\n", [[0.001, 1]]),
        (b",", 2, "0.5,1,0\n1.5,0,1\n", [[0.5, 1, 0], [1.5, 0, 1]]),
        (b",", 2, "0.5,1\n", None),
        (b",", 1, "0.5,1,0\n", None),
        (b",", 1, "0.5,2\n", [[0.5, 2]]),
        (b",", 1, "0.5,/\n", None),
        (b",", 1, "0.5,10\n", [[0.5, 10]]),
        (b",", 1, ",1\n", None),
        (b",", 1, "0.5,\n", None),
        (b",", 1, "0.5;1\n", None),
        (b",", 1, "nan,1\n", None),
        (b",", 1, "inf,1\n", None),
        (b",", 1, "0.5,1\n\n", None),
        (b",", 1, '"0.5", 1\n', [[0.5, 1]]),
        (b";", 1, "0,5;1\n1,5;0\n", [[0.5, 1], [1.5, 0]]),
        (b";", 1, "0.5;1\n1.5;0\n", [[0.5, 1], [1.5, 0]]),
        (b"\t", 2, "0,25\t1\t0\n", [[0.25, 1, 0]]),
        (b";", 1, "0,5,1\n", None),
    ],
)
def test_rows_as_they_are_written(separator: bytes, names: int, text: str, rows: list[list[float]] | None) -> None:
    found = LevelLayout(separator, ("rx",) * names, True, 1e9, 1, 0).parse(text.encode())
    assert (None if found is None else found.tolist()) == rows


@pytest.mark.parametrize(
    ("text", "separator", "names"),
    [
        ("a,b\tc\n0,5\t0\n1,5\t1\n2,5\t0\n", b"\t", ("c",)),
        ("t;a\n0,5;0\n1,5;1\n2,5;0\n", b";", ("a",)),
        ("t,a\n0.5,0\n1.5,1\n2.5,0\n", b",", ("a",)),
        ("t;a;b\n0,5;0;1\n1,5;1;1\n2,5;0;1\n", b";", ("a", "b")),
        (f"t,{'n' * 40},{'m' * 41}\n0.5,0,0\n1.5,1,0\n2.5,0,0\n", b",", ("n" * 40, "m" * 39 + "…")),
        ("t,V,a\n0.5,0,0\n1.5,1,0\n2.5,0,0\n", b",", ("V", "a")),
        ("t,V,V\n0.5,0,0\n1.5,1,0\n2.5,0,0\n", b",", ("1", "2")),
        ("t,a,b,c\n0.5,0,0\n1.5,1,0\n2.5,0,0\n", b",", ("1", "2")),
    ],
)
def test_delimiters_and_names(text: str, separator: bytes, names: tuple[str, ...]) -> None:
    found = sure(text)
    assert (found.separator, found.names, found.first_line, found.start) == (separator, names, 2, text.index("\n") + 1)


@pytest.mark.parametrize(
    ("above", "row", "names"),
    [
        ("Sample rate: 1 MHz\n", "{level}", ("1",)),
        ("rx\nSample rate: 1 MHz\n", "{level}", ("rx",)),
        ("Sample rate [kHz],400\n", "{level},0", ("1", "2")),
        ("a,b\nSample interval,5e-7\n", "{level},0", ("a", "b")),
        ("Sample rate,400\n", "{t}.5,{level}", ("1",)),
    ],
)
def test_a_stated_rate_names_no_line(above: str, row: str, names: tuple[str, ...]) -> None:
    rows = "".join(row.format(t=n, level=n // 2 % 2) + "\n" for n in range(6))
    assert sure(above + rows).names == names


@pytest.mark.parametrize(("text", "is_taken"), [("0.5,0\n1.5,0\n2.5,0\n3.5,0\n4.", True), ("0.5,0\n1.5,0\n2.", False)])
def test_the_last_row_of_a_part_may_be_cut(text: str, is_taken: bool) -> None:
    """Nothing changes in the part."""
    assert (layout(text, is_whole=False) is not None) is is_taken
    assert layout(text, is_whole=True) is None


@pytest.mark.parametrize(
    ("text", "is_taken"),
    [
        ("0.5,0.1\n1.5,3.3\n2.5,0.2\n", True),
        ("0.5,0\n1.5,3\n2.5,0\n", False),  # whole numbers may be bytes
        ("0.5,0.1\n1.5,0.1\n2.5,0.1\n", False),
        ("0,0.1\n1,0.5\n0,0.2\n", False),  # the first is a line of levels,
    ],
)
def test_columns_of_volts(text: str, is_taken: bool) -> None:
    assert (layout(text, is_analog=True) is not None) is is_taken


def test_rows_are_judged_by_the_first_thousand() -> None:
    """A tenth of them and two may be damaged; what comes after may be anything."""
    rows = "x\n" * 102 + "".join(f"{n}.5,{n % 2}\n" for n in range(898))
    assert layout("0.5,0\n" + rows.replace("0.5,0\n", "", 1) + "x\n" * 9) is not None


@pytest.mark.parametrize(("size", "is_row"), [(4 << 20, True), ((4 << 20) + 1, False)])
def test_a_row_is_at_most_four_megabytes_long(size: int, is_row: bool) -> None:
    text = b"time s,rx\n0.5,0\n1.5,1\n2.5,0\n" + b"x" * size
    file = LevelCsvFile(ObjectSource(BytesIO(text), name="made"))
    assert read_edges(file)["rx"].t_ns.tolist() == [1_500_000_000, 2_500_000_000]
    assert file.notes == (
        ["the file is cut inside its last row"]
        if is_row
        else ["line 5 is longer than any row: save it again; what is before it was read"]
    )


def test_a_cell_that_is_no_number_leaves_no_rows() -> None:
    """At any setting of warnings."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        assert [len(numbers(flat, 2)) for flat in (b"1,2,3,4", b"1,2,x,4", b"1,2,3", b"1,2,\xff,4")] == [2, 0, 0, 0]


def test_lines_may_change_at_one_time_and_a_number_may_be_above_them() -> None:
    assert layout("0.5,0\n0.5,1\n0.5,0\n1.5,1\n") is not None
    assert sure("5\ntime,rx\n0.5,0\n1.5,1\n2.5,0\n", is_known=True).names == ("rx",)
