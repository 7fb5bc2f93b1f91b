"""Which column of a table holds the times, which the bytes, in which unit and notation: each rule from both sides."""

from __future__ import annotations

from collections.abc import Iterable

import pytest

from busbench.capture.csv_layout import Layout, find_layout

OTHERS = "is taken for the bytes; others would do as well"


def layout(rows: Iterable[str], header: str = "") -> Layout | None:
    text = "".join(f"{row}\n" for row in ([header] if header else []) + list(rows))
    return find_layout(text.encode(), is_whole=True)


def columns(rows: Iterable[str], header: str = "") -> tuple[int, int, bool]:
    """Column of the times, of the bytes, and whether another would do for the bytes."""
    found = layout(rows, header)
    assert found is not None
    return found.time, found.byte, any(OTHERS in note for note in found.notes)


def timed(*columns_: Iterable[object]) -> list[str]:
    """Rows of a time and cells."""
    return [",".join([f"0.{n + 1}", *map(str, cells)]) for n, cells in enumerate(zip(*columns_, strict=True))]


@pytest.mark.parametrize(
    ("rows", "header", "expected"),
    [
        (timed((15, 7, 200), (9, 8, 1)), "", (0, 1, True)),  # the first of two that do
        (timed((1, 2, 3), (15, 7, 200)), "", (0, 2, False)),  # a counter is worth less
        (timed((1, 2), (15, 7)), "", (0, 1, True)),  # of two rows nothing counts up
        (timed((1, 2, 4), (15, 7, 200)), "", (0, 1, True)),
        (timed((3, 3, 3), (15, 7, 200)), "", (0, 2, False)),  # so is one that never changes
        (timed(("0x03",) * 3, ("0x0F", "0x10", "0x03")), "", (0, 2, False)),
        (timed((3, 3, 33), (15, 7, 200)), "", (0, 1, True)),
        (timed((13, 17, 12), (15, 75, 20)), "", (0, 1, True)),  # that both begin alike is no sign
        (timed((15, 7, 200), ("0x0F", "0x07", "0x03")), "", (0, 2, False)),  # a prefix is worth more
        (timed((15, 7, 200), ("0x0F", "0x07", "3")), "", (0, 1, True)),  # in all rows
        (timed(("0x0F", "0x07", "0x03"), (15, 7, 200)), "time,a,data", (0, 2, False)),  # a name most
        (timed((15, 7, 200), (9, 8, 1)), "time,channel,a", (0, 2, False)),  # others speak against it
        (timed((15, 7, 200), (9, 8, 1)), "time,channel data,a", (0, 1, False)),  # but for what names bytes
        (timed((0, 1, 1), (15, 7, 200)), "", (0, 2, False)),  # levels are no bytes
        (timed((0, 1, 1), (15, 7, 200)), "time,byte,a", (0, 1, False)),  # unless they are said to be
    ],
)
def test_the_column_of_the_bytes(rows: list[str], header: str, expected: tuple[int, int, bool]) -> None:
    assert columns(rows, header) == expected


@pytest.mark.parametrize(
    ("rows", "header", "expected"),
    [
        (["1,0.1,0x0F", "2,0.2,0x10", "3,0.3,0x11"], "", 1),  # a point is worth more than rising
        (["1,10,0x0F", "2,20,0x10", "3,30,0x11"], "", 0),
        (["1,10,0x0F", "2,20,0x10", "3,30,0x11"], "n,time,data", 1),
        (["10,1,0x0F", "20,2,0x10", "30,3,0x11"], "end time,start,data", 1),
        (["10,1,0x0F", "20,2,0x10", "30,3,0x11"], "end time,b,data", 1),  # one that rises will do
        (["10,9,0x0F", "20,2,0x10", "30,3,0x11"], "end time,b,data", 0),  # the least of evils
        (["0.1,0.5,0x0F", "0.2,0.4,0x10", "0.3,0.3,0x11"], "", 0),
        (["0.5,0.1,0x0F", "0.4,0.2,0x10", "0.3,0.3,0x11"], "", 1),
        (["0.5,0.1,0x0F", "0.4,0.2,0x10", "0.3,0.3,0x11"], "time,stamp,data", 1),  # of two names
        (["0.5,0.1,0x0F", "0.4,0.2,0x10", "0.3,0.3,0x11"], "time,b,data", 0),
        (["5,0.1,0x0F", "7,0.2,0x10", "6,0.3,0x11"], "time,stamp,data", 1),
        (["-,0.1,0x0F", "-,0.2,0x10", "7,0.3,0x11"], "time,b,data", 1),  # most of its cells are no numbers
        (["-,0.1,0x0F", "7,0.2,0x10"], "time,b,data", 0),  # half of them will do
    ],
)
def test_the_column_of_the_times(rows: list[str], header: str, expected: int) -> None:
    assert columns(rows, header)[0] == expected


def test_one_row_needs_a_point_or_a_name() -> None:
    assert layout(["0.5,0x0F"]) is not None
    assert layout(["5,0x0F"]) is None
    assert layout(["5,0x0F"], "time,byte") is not None


@pytest.mark.parametrize(
    ("step", "power"),
    [(1, 6), (3, 6), (4, 3), (120, 3), (3794, 3), (3795, 0), (120_000, 0), (10**6, 0)],
)
def test_whole_times_of_no_unit_take_the_one_in_which_bytes_follow_most_closely(step: int, power: int) -> None:
    """A character lasts 0.12 ms: its decimal logarithm lies nearest, 3.8 and 3795 are half way."""
    found = layout([f"{n * step},0x0F" for n in range(9)])
    assert found is not None
    unit = {6: "milliseconds", 3: "microseconds", 0: "nanoseconds"}[power]
    assert found.unit_power == power
    assert found.notes == (f"no unit is named for the times; by their steps they are taken as {unit}",)


@pytest.mark.parametrize(
    "times",
    [
        [120 * n for n in range(8)],  # seven steps are too few
        [0, 0, 0, *(120 * n for n in range(8))],  # a time that stays is no step
        [*(120 * n for n in range(9)), "1080.5"],  # nor are parts of microseconds likely
    ],
)
def test_other_times_of_no_unit_are_seconds(times: list[object]) -> None:
    found = layout([f"{t},0x0F" for t in times], "time,byte")
    assert found is not None
    assert (found.unit_power, found.notes) == (9, ("no unit is named for the times; they are taken as seconds",))


@pytest.mark.parametrize(
    ("name", "power"),
    [
        *((name, 9) for name in ("time s", "sec", "time in seconds")),
        *((name, 6) for name in ("t[ms]", "millisecs", "msec")),
        *((name, 3) for name in ("us", "µs", "μs", "\u00a0µs\u00a0", "microseconds", "start_us")),
        *((name, 0) for name in ("ns", "nanosecond", "time (nsec)")),
    ],
)
def test_units_of_times(name: str, power: int) -> None:
    found = layout(["1,0x0F", "2,0x10", "3,0x11"], f"{name},byte")
    assert found is not None
    assert (found.unit_power, found.notes) == (power, ())


@pytest.mark.parametrize("name", ["µ-data", "data à", "data °", "data"])
@pytest.mark.parametrize("around", ["{}", " {} ", "\u00a0{}\u00a0", "\u00a0 {}\t"])
def test_blanks_around_a_name_take_no_letter_with_them(name: str, around: str) -> None:
    """In UTF-8 some letters begin or end with a byte of the no-break space."""
    found = layout(["1,0x0F", "2,0x10", "3,0x11"], f"us,{around.format(name)}")
    assert found is not None
    assert found.header == name


@pytest.mark.parametrize(
    ("header", "row", "is_parted"),
    [
        ("time,byte", "0,{n},0x0F", True),
        ("time,byte,note", "0,{n},0x0F,x", True),
        ("time;byte", "0,{n};0x0F", False),
        ("time,byte", "0.{n},0x0F,", False),  # a comma ends each row
        ("time,byte,note", "0.{n},0x0F", False),
        ("time,byte,note,more", "0.{n},0x0F,x", False),
        ("time,byte", "0.{n},0x0F,x,y", False),
        ("time", "0.{n},0x0F", False),
        ("", "0.{n},0x0F,x", False),
    ],
)
def test_a_decimal_comma_between_commas_is_a_cell_too_many_in_every_row(header: str, row: str, is_parted: bool) -> None:
    found = layout([row.format(n=n) for n in (12, 13, 14)], header)
    assert found is not None
    count = row.count(",") + 1
    assert found.fault == (f"its header has {count - 1} cells but its rows have {count}" if is_parted else "")
