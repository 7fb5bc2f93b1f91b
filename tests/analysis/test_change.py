"""A figure of two recordings: its verdict at the very limits, and its interval beside scipy."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from busbench.analysis.change import (
    Doubt,
    Figure,
    Sample,
    change_of,
    half_width,
    parts,
    sample_of,
    student,
    trimmed_sample_of,
)
from busbench.analysis.comparison import Comparison

OLD = np.array([12.1, 11.8, 12.6, 12.0, 11.5, 12.9, 12.2, 12.4, 11.9, 12.3, 19.0])
NEW = np.array([13.1, 12.6, 13.9, 12.8, 13.3, 12.2, 14.1, 13.0])


@pytest.mark.parametrize(
    ("low", "high", "verdict"),
    [
        (-1.0, 2.0, "same"),  # up to the tolerance itself
        (-1.001, 2.0, "cannot tell"),
        (-1.0, 2.001, "cannot tell"),
        (0.0, 2.001, "cannot tell"),  # zero is not left out
        (0.001, 2.001, "different"),
        (-1.001, 0.0, "cannot tell"),
        (-1.001, -0.001, "different"),
        (None, 2.0, "cannot tell"),
        (-1.0, None, "cannot tell"),
    ],
)
def test_a_verdict_at_its_limits(low: float | None, high: float | None, verdict: str) -> None:
    assert Figure("x", "s", 1.0, 1.0, 0.1, low, high, (-1.0, 2.0)).verdict == verdict


@pytest.mark.parametrize(
    ("old", "new", "floor", "low", "doubt"),
    [
        (1.0, 1.0, 0.5, -0.5, ""),
        (1.0, None, None, None, "not in both"),
        (None, 1.0, None, None, "not in both"),
        (1.0, 1.0, None, None, "no floor"),
        (1.0, 1.0, 5.0, -5.0, "below the floor"),
    ],
)
def test_a_doubt_has_its_reason(
    old: float | None, new: float | None, floor: float | None, low: float | None, doubt: Doubt
) -> None:
    assert Figure("x", "s", old, new, floor, low, None if low is None else -low, (-1.0, 1.0)).doubt == doubt


@pytest.mark.parametrize(
    ("old", "new", "looks"),
    [(1.0, 0.0, False), (1.0, 3.0, False), (1.0, -0.001, True), (1.0, 3.001, True), (1.0, None, True),
     (None, 1.0, True), (None, None, False)],
)  # fmt: skip
def test_what_looks_changed_is_beyond_what_matters(old: float | None, new: float | None, looks: bool) -> None:
    assert Figure("x", "s", old, new, None, None, None, (-1.0, 2.0)).looks_changed is looks


@pytest.mark.parametrize(
    ("subject", "devices", "name"),
    [("", "", "noise"), ("ch3", "", "noise, ch3"), ("", "flap", "noise, flap"), ("ch3", "flap", "noise, ch3 flap")],
)
def test_a_name_for_people(subject: str, devices: str, name: str) -> None:
    figure = Figure("noise", "counts", 1.0, 1.5, 0.2, 0.3, 0.7, (-1.0, 1.0), subject, devices)
    assert figure.name == name
    assert figure.to_json() == {
        "name": name, "unit": "counts", "old": 1.0, "new": 1.5, "floor": 0.2, "low": 0.3, "high": 0.7,
        "verdict": "same",
    }  # fmt: skip


@pytest.mark.parametrize("chance", [0.2, 0.05, 0.01, 1e-4])
@pytest.mark.parametrize("freedom", [1, 2, 3, 4, 5, 10, 11, 100, 399, 400])
def test_quantiles_of_student_are_those_of_scipy(chance: float, freedom: int) -> None:
    # outside check: scipy.stats
    assert student(chance, freedom) == pytest.approx(stats.t.ppf(1 - chance / 2, freedom), rel=1e-9)


def test_degrees_of_freedom_are_clipped() -> None:
    assert student(0.05, 0) == student(0.05, -3) == student(0.05, 1)
    assert student(0.05, 401) == student(0.05, 10**9) == student(0.05, 400)


@pytest.mark.parametrize("count", [2, 3, 8])
def test_a_sample_is_its_mean_with_the_standard_error_of_scipy(count: int) -> None:
    found = sample_of(NEW[:count])
    assert found is not None
    # outside check: scipy.stats
    assert (found.mean, found.error) == pytest.approx((NEW[:count].mean(), stats.sem(NEW[:count])))
    assert found.freedom == count - 1
    assert sample_of(NEW[:1]) is None
    assert sample_of(NEW[:0]) is None


@pytest.mark.parametrize("sizes", [(11, 8), (5, 8), (11, 4), (9, 6), (10, 7)])
def test_trimmed_means_differ_as_yuen_has_it(sizes: tuple[int, int]) -> None:
    old, new = OLD[-sizes[0] :], NEW[: sizes[1]]
    one, other = trimmed_sample_of(old), trimmed_sample_of(new)
    assert one is not None
    assert other is not None
    # outside check: scipy.stats, Yuen's test
    wanted = stats.ttest_ind(new, old, trim=0.2, equal_var=False)
    assert (other.mean - one.mean) / math.hypot(one.error, other.error) == pytest.approx(wanted.statistic)
    whole = math.floor(wanted.df)
    width = stats.t.ppf(0.995, whole) * math.hypot(one.error, other.error)
    assert half_width(one, other, 0.01) == pytest.approx(width, rel=1e-9)
    assert one.freedom == sizes[0] - 2 * (sizes[0] // 5) - 1


def test_the_fewest_values_with_a_trimmed_mean_are_two() -> None:
    assert trimmed_sample_of(OLD[:1]) is None
    assert trimmed_sample_of(OLD[:2]) == sample_of(OLD[:2])


def test_without_scatter_an_interval_has_no_width() -> None:
    assert half_width(Sample(1.0, 0.0, 4), Sample(2.0, 0.0, 7), 0.01) == 0.0


def test_what_the_measurement_adds_is_added_to_the_floor() -> None:
    old, new = sample_of(OLD), sample_of(NEW)
    assert old is not None
    assert new is not None
    found = change_of("x", "s", old, new, chance=0.05, tolerance=0.3, beside=0.25)
    floor, change = half_width(old, new, 0.05) + 0.25, new.mean - old.mean
    assert (found.old, found.new, found.floor) == (old.mean, new.mean, floor)
    assert (found.low, found.high) == pytest.approx((change - floor, change + floor))
    assert found.tolerance == (-0.3, 0.3)


@pytest.mark.parametrize("missing", [0, 1])
def test_without_an_error_on_one_side_nothing_is_judged(missing: int) -> None:
    for none, mean in ((None, None), (Sample(3.0, 0.0, 0), 3.0)):
        pair: list[Sample | None] = [Sample(1.0, 0.1, 5), Sample(1.0, 0.1, 5)]
        pair[missing] = none
        found = change_of("x", "s", *pair, chance=0.05, tolerance=0.5)
        assert (found.old, found.new) == ((mean, 1.0) if missing == 0 else (1.0, mean))
        assert (found.floor, found.low, found.high, found.tolerance) == (None, None, None, (-0.5, 0.5))


@pytest.mark.parametrize(
    ("count", "least", "sizes"),
    [(23, 4, []), (24, 4, [4] * 6), (47, 4, [4, 4, 5, 4, 4, 4, 5, 4, 4, 4, 5]), (48, 4, [4] * 12), (120, 4, [10] * 12)],
)
def test_parts_are_even_and_a_dozen_at_most(count: int, least: int, sizes: list[int]) -> None:
    made = parts(count, least=least)
    assert sorted(part.stop - part.start for part in made) == sorted(sizes)
    assert [row for part in made for row in range(part.start, part.stop)] == list(range(count if sizes else 0))


@pytest.mark.parametrize(
    ("intervals", "verdict"),
    [
        ([], "cannot tell"),
        ([(-0.5, 0.5)], "same"),
        ([(-0.5, 0.5), (0.5, 3.0)], "different"),
        ([(0.5, 3.0), (-3.0, 3.0)], "different"),
        ([(-0.5, 0.5), (-3.0, 3.0)], "cannot tell"),
        ([(-3.0, 3.0)], "cannot tell"),
    ],
)
def test_the_verdict_of_all_figures(intervals: list[tuple[float, float]], verdict: str) -> None:
    found = Comparison(tuple(Figure("x", "s", 1.0, 1.0, 0.1, low, high, (-1.0, 2.0)) for low, high in intervals))
    assert found.verdict == verdict
    assert found.to_json() == {"verdict": verdict, "figures": [one.to_json() for one in found.figures]}
    each = [one.verdict for one in found.figures]
    assert [found.count(one) for one in ("same", "different", "cannot tell")] == [
        each.count("same"), each.count("different"), each.count("cannot tell"),
    ]  # fmt: skip


@pytest.mark.parametrize("freedom", range(1, 40))
@pytest.mark.parametrize("error", [1e-9, 0.1, 0.3, 7.0])
def test_two_samples_alike_have_the_degrees_of_freedom_of_both(freedom: int, error: float) -> None:
    """Whole ones, that rounding must not take one from."""
    one = Sample(1.0, error, freedom)
    wanted = stats.t.ppf(0.975, 2 * freedom) * error * math.sqrt(2)
    assert half_width(one, one, 0.05) == pytest.approx(wanted, rel=1e-9)
