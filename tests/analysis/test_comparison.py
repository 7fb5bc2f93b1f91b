"""Two recordings compared: what is found, what is not, and how often chance is taken for a change."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import stats
from study_comparison import CHANGES, LIKE, READ, State, judge

from busbench.analysis.change import Figure, Sample, change_of, student, trimmed_sample_of
from busbench.analysis.compared_losses import Bursts, compare_bursts
from busbench.analysis.comparison import CHANCE, compare


def figure(low: float | None, high: float | None) -> Figure:
    return Figure("period", "s", 1.0, 1.0, 0.1, low, high, (-1.0, 1.0))


@pytest.mark.parametrize(
    ("low", "high", "verdict"),
    [
        (-0.9, 0.9, "same"),
        (0.1, 0.9, "same"),  # certain, but too small to matter
        (0.1, 1.1, "different"),
        (-1.1, -0.1, "different"),
        (-0.1, 1.1, "cannot tell"),
        (None, None, "cannot tell"),
    ],
)
def test_a_verdict_is_of_the_interval_and_the_tolerance(low: float | None, high: float | None, verdict: str) -> None:
    assert figure(low, high).verdict == verdict


@pytest.mark.parametrize("freedom", [1, 2, 3, 8, 22, 61])
def test_students_t_is_that_of_scipy(freedom: int) -> None:
    # outside check: scipy.stats
    for chance in (0.05, 0.01, 1e-4):
        assert student(chance, freedom) == pytest.approx(stats.t.ppf(1 - chance / 2, freedom), rel=1e-6)


def test_a_difference_of_means_is_that_of_welch() -> None:
    # outside check: scipy.stats, whose degrees of freedom are no whole number
    old, new = np.array([3.0, 4.0, 6.0, 7.0, 5.5]), np.array([9.0, 8.0, 10.5, 9.5, 7.0, 12.0])
    samples = [Sample(float(v.mean()), float(v.std(ddof=1)) / math.sqrt(v.size), v.size - 1) for v in (old, new)]
    found = change_of("x", "s", *samples, chance=0.05, tolerance=1.0)
    low, high = stats.ttest_ind(new, old, equal_var=False).confidence_interval(0.95)
    assert found.verdict == "different"
    assert found.low == pytest.approx(low, abs=0.05)
    assert found.high == pytest.approx(high, abs=0.05)


def test_a_trimmed_mean_is_that_of_scipy() -> None:
    values = np.array([5.0, 6, 7, 7, 8, 9, 9, 9, 11, 500])
    found = trimmed_sample_of(values)
    assert found is not None
    # outside check: scipy.stats
    assert found.mean == pytest.approx(stats.trim_mean(values, 0.2))
    low, high = stats.ttest_1samp(values, 0).confidence_interval(0.95)
    assert found.error < (high - low) / 20  # the outlier does not widen it


def bursts(count: int, seconds: float = 600.0) -> Bursts:
    start_s = (np.arange(count) + 0.5) * seconds / max(1, count)
    return Bursts(start_s, np.full(count, 3), np.zeros(count, np.bool_), seconds)


@pytest.mark.parametrize(
    ("old", "new", "verdict"),
    [(0, 0, "same"), (40, 120, "different"), (120, 40, "different"), (0, 30, "different"), (30, 0, "different"),
     (1, 1, "same"), (2, 6, "cannot tell"), (20, 30, "cannot tell"), (400, 420, "same")],
)  # fmt: skip
def test_losses_are_counted_by_bursts(old: int, new: int, verdict: str) -> None:
    found = compare_bursts(bursts(old), bursts(new), chance=0.012)
    assert found.verdict == verdict
    assert found.low is not None
    assert found.high is not None
    assert found.low <= new / 10 - old / 10 <= found.high


def test_bursts_that_come_in_storms_count_for_fewer() -> None:
    storm = Bursts(np.linspace(100, 110, 120), np.full(120, 3), np.zeros(120, np.bool_), 600.0)
    assert compare_bursts(bursts(40), bursts(120), chance=0.012).verdict == "different"
    assert compare_bursts(bursts(40), storm, chance=0.012).verdict == "cannot tell"


def test_the_shares_of_chance_leave_some_of_five_in_a_hundred() -> None:
    assert pytest.approx(0.046) == CHANCE


def test_what_was_seen_once_is_shown_and_not_judged() -> None:
    once, often = Sample(1660.0, 0.0, 0), Sample(1500.0, 1.0, 20)
    found = change_of("endpoint high, ch1", "counts", once, often, chance=0.001, tolerance=4.0)
    assert (found.old, found.new, found.floor, found.verdict) == (1660.0, 1500.0, None, "cannot tell")


def test_a_failsafe_that_is_gone_is_listed() -> None:
    rng = np.random.default_rng(5)
    with_one, without = State().record(rng), State().record(rng)
    keep = (without.frames.flags & 8) == 0
    without = type(without)(without.info, without.span, without.frames[keep], without.rejects)
    delay = {one.name: one for one in compare(with_one, without).figures}["failsafe delay"]
    assert delay.old == pytest.approx(0.5, abs=0.05)
    assert (delay.new, delay.verdict) == (None, "cannot tell")


def test_a_value_that_may_be_held_is_no_failsafe_value() -> None:
    rng = np.random.default_rng(6)
    names = {one.name for one in compare(State().record(rng), State().record(rng)).figures}
    assert {f"failsafe value, ch{channel}" for channel in range(1, 5)} & names == {
        "failsafe value, ch1",
        "failsafe value, ch2",
    }


@pytest.mark.parametrize("name", CHANGES)
def test_changes_are_found(name: str) -> None:
    assert judge(CHANGES[name], pairs=2, seed=7)["found"] == 2


def test_like_recordings_are_not_different() -> None:
    kinds = [*LIKE.values(), *(replace(kind, states=(State(seconds=20),)) for kind in READ.values())]
    assert [judge(kind, pairs=1, seed=9)["different"] for kind in kinds] == [0] * len(kinds)
