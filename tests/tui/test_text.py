"""Figures and words as people read them."""

from __future__ import annotations

import pytest

from busbench.errors import sanitize
from busbench.line import LineSettings
from busbench.tui.text import (
    beside,
    between,
    by_cells,
    clock_time,
    difference_words,
    duration,
    fit,
    line_words,
    percent,
    scale_words,
    value_words,
    wrap,
)
from busbench.wire.scale import Scale


@pytest.mark.parametrize(
    ("ratio", "words"), [(2.43e-7, "0.0000243 %"), (0.0525, "5.25 %"), (0, "0 %"), (1, "100 %"), (0.30108, "30.1 %")]
)
def test_small_ratios_have_no_exponent(ratio: float, words: str) -> None:
    assert percent(ratio) == words


@pytest.mark.parametrize(
    ("value_s", "words"),
    [
        (None, "-"),
        (0.0, "0.0 ms"),
        (0.000_142, "142 µs"),
        (0.007, "7.00 ms"),
        (0.315, "315.0 ms"),
        (2.01, "2.01 s"),
        (185, "3 min 05 s"),
        (3840, "1 h 04 min"),
        (0.000_999, "999 µs"),
        (0.001, "1.00 ms"),
        (0.009_99, "9.99 ms"),
        (0.01, "10.0 ms"),
        (0.9994, "999.4 ms"),
        (1.0, "1.00 s"),
        (-59.99, "-59.99 s"),
        (60.0, "1 min 00 s"),
        (3599.0, "59 min 59 s"),
        (3600.0, "1 h 00 min"),
    ],
)
def test_lengths_of_time(value_s: float | None, words: str) -> None:
    assert duration(value_s) == words


def test_places() -> None:
    assert [clock_time(value) for value in (0, 61.5, 3723.0004, -1.25)] == [
        "0:00.000",
        "1:01.500",
        "1:02:03.000",
        "-0:01.250",
    ]


def test_values_in_each_unit() -> None:
    assert [value_words(1811, 15, unit, Scale()) for unit in ("counts", "us", "percent")] == [
        "1811",
        "2011.9",
        "+100.0",
    ]
    assert [value_words(state, 16, "us", Scale()) for state in (0, 1)] == ["off", "on"]


def test_names_are_cut_by_cells_and_control_characters_are_written_out() -> None:
    assert fit("left elevator", 12) == "left elevat…"
    assert fit("翼翼翼翼", 6) == "翼翼 …"
    assert sanitize("a\x1b[2Jb") == "a\\x1b[2Jb"


@pytest.mark.parametrize(
    ("text", "lines"),
    [
        ("a plain line of words", ["a plain", "  line of", "  words"]),
        ("方向舵 is stalled", ["方向舵 is", "  stalled"]),
        ("方向舵と補助翼の長い", ["方向舵と", "  補助翼の", "  長い"]),
        ("e\u0301" * 4 + " " + "e\u0301" * 5, ["e\u0301" * 4 + " " + "e\u0301" * 5]),  # ten cells
    ],
)
def test_lines_are_broken_by_cells(text: str, lines: list[str]) -> None:
    assert wrap(text, 10, indent="  ") == lines


def test_a_wide_character_takes_two_cells_and_a_mark_none() -> None:
    assert by_cells("a方e\u0301b") == ["a", "方", "", "e\u0301", "b"]


@pytest.mark.parametrize(
    ("low_s", "high_s", "words"),
    [
        (0.0, 250e-6, "0 to 250 µs"),
        (0.98e-3, 1.234e-3, "0.98 to 1.23 ms"),
        (24.2e-6, 1.2e-3, "0.0242 to 1.2 ms"),
        (0.5, 1.0, "0.5 to 1 s"),
        (0.0, 0.999, "0 to 999 ms"),
        (0.0, 1e-3, "0 to 1 ms"),
        (0.0, 9.99e-4, "0 to 999 µs"),
    ],
)
def test_a_range_has_one_unit(low_s: float, high_s: float, words: str) -> None:
    assert between(low_s, high_s) == words


def test_lines_side_by_side_begin_at_one_column() -> None:
    left, right = [[("ab", "ink")], [("方", "ink")]], [[("x", "dim")], [], [("y", "dim")]]
    assert beside(left, right, 4) == [
        [("ab", "ink"), ("  ", "ink"), ("x", "dim")],
        [("方", "ink"), ("  ", "ink")],
        [("    ", "ink"), ("y", "dim")],
    ]
    assert beside([[("abcdef", "ink")]], [], 4) == [[("abcdef", "ink"), ("", "ink")]]


def test_a_line_and_a_scale_in_the_usual_notation() -> None:
    assert line_words(LineSettings()) == "100000 8E2 inverted"
    assert line_words(LineSettings(baud=9600, parity="N", stop_bits=1, inverted=False)) == "9600 8N1"
    assert scale_words("us", Scale()) == Scale().describe()
    assert scale_words("percent", Scale()) == "0 at 992 counts, 100 at 1811"
    assert scale_words("counts", Scale()) == "as in the frame, 0 to 2047"


def test_differences_in_each_unit() -> None:
    found = [difference_words(992, 1811, unit, Scale()) for unit in ("counts", "us", "percent")]
    assert found == ["+819", "+511.9", "+100.0"]
    assert difference_words(992, 991, "counts", Scale()) == "-1"
