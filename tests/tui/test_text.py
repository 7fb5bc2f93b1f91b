"""Figures and words as people read them."""

from __future__ import annotations

import pytest

from busbench.errors import sanitize
from busbench.tui.text import between, by_cells, clock_time, duration, fit, percent, value_words, wrap
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
    [(0.0, 250e-6, "0 to 250 µs"), (0.98e-3, 1.234e-3, "0.98 to 1.23 ms"), (24.2e-6, 1.2e-3, "0.0242 to 1.2 ms")],
)
def test_a_range_has_one_unit(low_s: float, high_s: float, words: str) -> None:
    assert between(low_s, high_s) == words
