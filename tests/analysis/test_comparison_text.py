"""A comparison in words: what is listed, why the rest cannot be judged, and the verdict."""

from __future__ import annotations

from dataclasses import replace

import pytest

from busbench.analysis.change import Figure
from busbench.analysis.comparison import Comparison
from busbench.analysis.comparison_text import Bar, bar_of, sentences, to_list, unit_of, values_of

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


def test_cells_have_the_digits_that_the_floor_leaves_room_for() -> None:
    assert (unit_of(PERIOD), values_of(PERIOD)) == ("ms", ("7.0000", "7.0000", "0.0012"))
    assert values_of(replace(PERIOD, floor=1e-9)) == ("7.0000", "7.0000", "0.0001")
    assert (MOVED.name, unit_of(MOVED)) == ("endpoint low, ch2 right aileron", "counts")
    assert values_of(MOVED) == ("173.0", "190.0", "6.0")
    assert values_of(GONE) == ("615.0", "-", "-")


def test_a_bar_is_in_parts_of_what_matters() -> None:
    assert bar_of(Figure("x", "s", 1.0, 3.0, 3.0, -1.0, 5.0, (-2.0, 4.0))) == Bar(-0.5, 0.5, 1.25)
    assert bar_of(ONCE) is None
