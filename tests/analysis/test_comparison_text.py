"""A comparison in words: what is listed, why the rest cannot be judged, and the verdict."""

from __future__ import annotations

from dataclasses import replace

import pytest

from busbench.analysis.change import Figure
from busbench.analysis.comparison import Comparison
from busbench.analysis.comparison_text import Bar, bar_of, interval_of, sentences, to_list, unit_of, unlisted, values_of

PERIOD = Figure("period", "s", 0.007, 0.007, 1.2e-6, -1.2e-6, 1.2e-6, (-3.5e-6, 3.5e-6))
JITTER = Figure("period jitter rms", "s", 2e-5, 2e-5, 4e-4, -4e-4, 4e-4, (-3.6e-6, 4.4e-6))
MOVED = Figure("endpoint low", "counts", 173.0, 190.0, 6.0, 11.0, 23.0, (-4.1, 4.1), "ch2", "right aileron")
ONCE = Figure("endpoint high", "counts", 1811.0, 1811.0, None, None, None, (-4.1, 4.1), "ch1")
ONCE_MOVED = Figure("endpoint high", "counts", 1811.0, 1434.0, None, None, None, (-4.1, 4.1), "ch5")
GONE = Figure("failsafe delay", "s", 0.615, None, None, None, None, (0.0, 0.0))


def said(*figures: Figure) -> str:
    return sentences(Comparison(figures))[-1]


@pytest.mark.parametrize(
    ("figures", "words"),
    [
        ((PERIOD, PERIOD), "same: 2 figures"),
        ((PERIOD, JITTER, ONCE), "cannot tell: no difference found; 2 of 3 figures cannot be judged, 1 is the same"),
        (
            (PERIOD, JITTER, ONCE_MOVED),
            "cannot tell: nothing is surely different; 1 of 3 figures may be, 1 more cannot be judged, 1 is the same",
        ),
        ((PERIOD, MOVED, ONCE), "different: 1 of 3 figures; 1 is the same, 1 cannot be judged"),
        ((MOVED,), "different: 1 of 1 figure"),
        ((), "cannot tell: no figure is in both recordings"),
    ],
)
def test_the_verdict_in_words(figures: tuple[Figure, ...], words: str) -> None:
    assert said(*figures) == words


def test_why_figures_cannot_be_judged_and_what_helps() -> None:
    assert sentences(Comparison((PERIOD, JITTER, MOVED, ONCE, ONCE_MOVED, GONE)))[:-1] == [
        "in one of the recordings only: failsafe delay",
        "no floor, as seen too few times: endpoint high (ch1 ch5)",
        "below the floor: period jitter rms",
        "to judge more of them, for both recordings: move each control to both ends three times or more;"
        " record with a logic analyser",
    ]


def test_what_is_different_or_looks_so_is_listed() -> None:
    assert to_list(Comparison((PERIOD, JITTER, MOVED, ONCE, ONCE_MOVED, GONE))) == [MOVED, ONCE_MOVED, GONE]


@pytest.mark.parametrize(
    ("figures", "words"),
    [
        (
            (PERIOD, JITTER, MOVED, ONCE),
            "3 figures (--all lists them): 1 changed too little to matter, 2 cannot be judged",
        ),
        ((PERIOD, PERIOD), "2 figures (--all lists them): 2 changed too little to matter"),
        ((ONCE, GONE), "1 figure (--all lists them): 1 cannot be judged"),
        ((MOVED, ONCE_MOVED), None),
    ],
)
def test_what_is_not_listed_is_counted_by_its_reason(figures: tuple[Figure, ...], words: str | None) -> None:
    found = Comparison(figures)
    assert unlisted(found, to_list(found)) == ([] if words is None else [f"not listed: {words}"])
    assert unlisted(found, found.figures) == []


def test_cells_have_the_digits_that_the_floor_leaves_room_for() -> None:
    assert (unit_of(PERIOD), values_of(PERIOD)) == ("ms", ("7.0000", "7.0000", "0.0012"))
    assert values_of(replace(PERIOD, floor=1e-9)) == ("7.0000", "7.0000", "0.0001")
    assert (MOVED.name, unit_of(MOVED)) == ("endpoint low, ch2 right aileron", "counts")
    assert values_of(MOVED) == ("173.0", "190.0", "6.0")
    assert values_of(GONE) == ("615.0", "-", "-")


def test_a_bar_is_in_parts_of_what_matters() -> None:
    assert bar_of(Figure("x", "s", 1.0, 3.0, 3.0, -1.0, 5.0, (-2.0, 4.0))) == Bar(-0.5, 0.5, 1.25)
    assert bar_of(ONCE) is None


@pytest.mark.parametrize(
    ("figure", "words"),
    [
        (PERIOD, "-0.0012 to +0.0012"),
        (MOVED, "+11.0 to +23.0"),
        (replace(MOVED, floor=25.0), "+11 to +23"),
        (replace(MOVED, floor=0.0), "+11 to +23"),
        (replace(MOVED, floor=0.0004), "+11.0000 to +23.0000"),
        (replace(MOVED, low=None), "-"),
        (replace(MOVED, high=None), "-"),
        (replace(MOVED, floor=None), "-"),
        (ONCE, "-"),
    ],
)
def test_an_interval_in_words(figure: Figure, words: str) -> None:
    assert interval_of(figure) == words


@pytest.mark.parametrize(
    ("floor", "cells"),
    [
        (None, ("173.0", "190.0", "-")),
        (0.0, ("173", "190", "0")),
        (9.99, ("173.0", "190.0", "10.0")),
        (10.0, ("173", "190", "10")),
        (0.5, ("173.00", "190.00", "0.50")),
        (0.00001, ("173.0000", "190.0000", "0.0001")),
    ],
)
def test_decimals_follow_the_floor(floor: float | None, cells: tuple[str, str, str]) -> None:
    assert values_of(replace(MOVED, floor=floor)) == cells


@pytest.mark.parametrize(
    ("figure", "remedy"),
    [
        (replace(ONCE, what="endpoint low"), "move each control to both ends three times or more"),
        (replace(ONCE, what="centre"), "move each control to both ends three times or more"),
        (replace(GONE, new=0.5), "switch the transmitter off twice or more"),
        (replace(ONCE, what="bursts of outages"), "record for longer"),
        (replace(ONCE, what="frames missed per burst"), "record for longer"),
        (replace(ONCE, what="noise at rest"), "record for longer"),
        (replace(ONCE, what="latency"), "move the control of each pulse output both ways, by jerks"),
        (JITTER, "record with a logic analyser"),
        (GONE, ""),
        (replace(ONCE, what="failsafe value"), ""),
    ],
)
def test_what_would_help(figure: Figure, remedy: str) -> None:
    lines = [line for line in sentences(Comparison((figure,))) if line.startswith("to judge more of them")]
    assert lines == ([f"to judge more of them, for both recordings: {remedy}"] if remedy else [])


@pytest.mark.parametrize(
    ("figures", "words"),
    [
        ((MOVED, MOVED), "different: 2 of 2 figures"),
        ((MOVED, PERIOD, PERIOD), "different: 1 of 3 figures; 2 are the same"),
        ((MOVED, ONCE), "different: 1 of 2 figures; 1 cannot be judged"),
        ((JITTER, PERIOD, PERIOD), "cannot tell: no difference found; 1 of 3 figures cannot be judged, 2 are the same"),
        ((JITTER,), "cannot tell: no difference found; 1 of 1 figure cannot be judged"),
        ((ONCE_MOVED,), "cannot tell: nothing is surely different; 1 of 1 figure may be, 0 more cannot be judged"),
        ((PERIOD,), "same: 1 figure"),
    ],
)
def test_the_verdict_with_its_counts(figures: tuple[Figure, ...], words: str) -> None:
    assert said(*figures) == words


def test_a_bar_below_and_above_nothing() -> None:
    figure = Figure("x", "s", 1.0, None, 3.0, -1.0, 5.0, (-2.0, 4.0))
    assert bar_of(figure) == Bar(-0.5, None, 1.25)
    assert bar_of(replace(figure, low=None)) is None
    assert bar_of(replace(figure, tolerance=(0.0, 0.0))) == Bar(-1.0, None, 5.0)
    assert bar_of(replace(figure, new=1.0)) == Bar(-0.5, 0.0, 1.25)


@pytest.mark.parametrize(
    ("low", "high", "bar"),
    [
        (-0.5, 0.5, (-0.25, 0.125)),
        (0.001, 0.002, (0.00025, 0.0005)),
        (-6.0, -2.0, (-3.0, -1.0)),
        (0.0, 4.0, (0.0, 1.0)),
    ],
)
def test_each_side_of_a_bar_has_its_own_tolerance(low: float, high: float, bar: tuple[float, float]) -> None:
    found = bar_of(Figure("x", "s", 1.0, 1.0, 3.0, low, high, (-2.0, 4.0)))
    assert found == Bar(bar[0], 0.0, bar[1])
