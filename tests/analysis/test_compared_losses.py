"""Losses of two recordings by bursts: the interval by its definitions, with the quantiles of scipy."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from busbench.analysis.compared_losses import (
    Bursts,
    bursts_per_group,
    compare_burst_lengths,
    compare_bursts,
    find_bursts,
    poisson_bounds,
)
from tests.analysis.test_loss_ratio import PERIOD_S, outages

CHANCE = 0.008


def even(count: int, *, seconds: float = 600.0) -> Bursts:
    """Bursts of one frame at even distances: no groups."""
    start_s = (np.arange(count) + 0.5) * seconds / max(1, count)
    return Bursts(start_s, np.ones(count, np.int64), np.zeros(count, np.bool_), seconds)


def grouped(*counts: int, seconds: float = 600.0) -> Bursts:
    """So many bursts in each twentieth of the time."""
    start_s = np.repeat((np.arange(20) + 0.5) * seconds / 20, [*counts, *[0] * (20 - len(counts))])
    return Bursts(start_s, np.ones(start_s.size, np.int64), np.zeros(start_s.size, np.bool_), seconds)


def byar(count: float) -> tuple[float, float]:
    """Limits of a Poisson mean by Byar's approximation."""
    z, above = stats.t.ppf(1 - CHANCE / 2, 400), count + 1
    low = count * max(0.0, 1 - 1 / (9 * count) - z / (3 * math.sqrt(count))) ** 3 if count else 0.0
    return low, above * (1 - 1 / (9 * above) + z / (3 * math.sqrt(above))) ** 3


def interval(old: Bursts, new: Bursts, group: float) -> tuple[float, float]:
    """Of the change of the rate, by both rates and by the share of the bursts that are new, the narrower."""
    a, b = old.frames.size / group, new.frames.size / group
    (old_low, old_high), (new_low, new_high) = (
        tuple(60 * group * limit / one.duration_s for limit in byar(count)) for one, count in ((old, a), (new, b))
    )
    low, high = new_low - old_high, new_high - old_low
    total = round(a + b)
    count = min(total, round(b))
    base = (60 * old.frames.size or 60) / old.duration_s
    if total:
        for side, share in (
            ("low", stats.beta.ppf(CHANCE / 2, count, total - count + 1) if count else 0.0),
            ("high", stats.beta.isf(CHANCE / 2, count + 1, total - count) if count < total else 1.0),
        ):
            if share < 1:
                change = base * (share / (1 - share) * old.duration_s / new.duration_s - 1)
                low, high = (max(low, change), high) if side == "low" else (low, min(high, change))
    return low, high


@pytest.mark.parametrize(
    ("old", "new", "seconds"),
    [(0, 0, 600), (3, 0, 600), (0, 3, 600), (1, 1, 300), (7, 20, 600), (20, 7, 1200), (100, 130, 200), (40, 400, 600)],
)
def test_a_change_of_the_rate_lies_between_its_limits(old: int, new: int, seconds: float) -> None:
    one, other = even(old), even(new, seconds=seconds)
    found = compare_bursts(one, other, chance=CHANCE)
    assert (found.old, found.new) == pytest.approx((old / 10, 60 * new / seconds))
    assert found.low is not None
    assert found.high is not None
    assert (found.low, found.high) == pytest.approx(interval(one, other, 1.0), rel=1e-6)
    change = 60 * new / seconds - old / 10
    assert found.floor == pytest.approx(max(found.high - change, change - found.low))
    matters = min(old / 10 / math.sqrt(3) - old / 10, -1.0), max(old / 10 * math.sqrt(3) - old / 10, 1.0)
    assert found.tolerance == pytest.approx(matters)


def test_bursts_in_groups_count_for_fewer() -> None:
    old, new = grouped(6, 0, 0, 5, 0, 4, 9, 1), grouped(0, 12, 9, 0, 0, 7, 0, 0, 14, seconds=300.0)
    group = bursts_per_group((old, new), CHANCE)
    counts = [[6, 0, 0, 5, 0, 4, 9, 1, *[0] * 12], [0, 12, 9, 0, 0, 7, 0, 0, 14, *[0] * 11]]
    factor = sum(np.var(one) * 20 for one in counts) / 19 / sum(map(np.mean, counts))
    quantiles = [stats.t.ppf(1 - CHANCE / 2, freedom) for freedom in (38, 400)]
    assert group == pytest.approx(factor * (quantiles[0] / quantiles[1]) ** 2)
    found = compare_bursts(old, new, chance=CHANCE)
    assert (found.low, found.high) == pytest.approx(interval(old, new, group), rel=1e-6)


def test_even_bursts_are_no_group() -> None:
    assert bursts_per_group([even(40)], CHANCE) == bursts_per_group([even(0)], CHANCE) == 1.0
    # 21 bursts of which two are in one part: variance over mean is below 1
    assert bursts_per_group([grouped(2, *[1] * 19)], CHANCE) == 1.0


def test_limits_of_a_poisson_mean_never_fall_below_nothing() -> None:
    assert poisson_bounds(0.05, CHANCE)[0] == 0.0
    for count in (0.0, 0.4, 1.0, 7.0):
        assert poisson_bounds(count, CHANCE) == pytest.approx(byar(count))


@pytest.mark.parametrize(("gap_s", "bursts"), [(0.1, 1), (0.1001, 2)])
def test_outages_are_one_burst_within_ten_periods(gap_s: float, bursts: int) -> None:
    """An outage of two frames, from 1 s to 1.02 s, and one of three frames after it."""
    found = find_bursts(outages([(1.0, 2), (1.02 + gap_s, 3)], expected=1000))
    assert found is not None
    assert found.frames.tolist() == ([5] if bursts == 1 else [2, 3])
    assert found.start_s.tolist() == ([1.0] if bursts == 1 else [1.0, 1.02 + gap_s])
    assert found.duration_s == 10.0
    assert found.rate == pytest.approx(6.0 * bursts)


def test_a_short_outage_inside_a_long_one_does_not_end_its_burst() -> None:
    found = find_bursts(outages([(1.0, 100), (1.5, 1), (2.05, 1)], expected=1000))
    assert found is not None
    assert found.frames.tolist() == [102]


def test_a_burst_has_failsafe_if_one_of_its_outages_has() -> None:
    made = outages([(1.0, 2), (1.05, 1), (5.0, 1)], expected=1000)
    events = tuple(replace(one, kind="failsafe") if at == 1 else one for at, one in enumerate(made.events))
    found = find_bursts(replace(made, events=events[::-1]))
    assert found is not None
    assert (found.frames.tolist(), found.has_failsafe.tolist()) == ([3, 1], [True, False])


def test_without_period_or_duration_there_are_no_bursts() -> None:
    made = outages([(1.0, 2)], expected=1000)
    assert find_bursts(replace(made, period_s=None)) is None
    assert find_bursts(replace(made, duration_s=None)) is None
    assert find_bursts(replace(made, duration_s=0.0)) is None
    none = find_bursts(outages([], expected=1000))
    assert none is not None
    assert (none.frames.size, none.rate, none.duration_s) == (0, 0.0, 1000 * PERIOD_S)
    timeless = replace(made, events=tuple(replace(one, start_s=None, end_s=None) for one in made.events))
    found = find_bursts(timeless)
    assert found is not None
    assert found.frames.size == 0


def lengths(*frames: int, failsafe: int = 0) -> Bursts:
    flags = np.arange(len(frames) + failsafe) >= len(frames)
    return Bursts(np.arange(flags.size, dtype=np.float64) * 10, np.array([*frames, *[500] * failsafe]), flags, 600.0)


def test_lengths_of_bursts_are_compared_as_geometric_means() -> None:
    old, new = (1, 2, 2, 3, 5, 1), (4, 9, 3, 7, 5)
    found = compare_burst_lengths(lengths(*old, failsafe=3), lengths(*new), chance=CHANCE)
    assert found is not None
    before, after = stats.gmean(old), stats.gmean(new)
    assert (found.old, found.new) == pytest.approx((before, after))
    errors = [stats.sem(np.log(one)) for one in (old, new)]
    freedom = math.floor(stats.ttest_ind(np.log(old), np.log(new), equal_var=False).df)
    width = stats.t.ppf(1 - CHANCE / 2, freedom) * math.hypot(*errors)
    low, high = after * math.exp(-width) - before, after * math.exp(width) - before
    assert (found.low, found.high) == pytest.approx((low, high))
    assert found.floor == pytest.approx(high - (after - before))  # the longer side of the two
    assert found.tolerance == pytest.approx((before / math.sqrt(3) - before, before * math.sqrt(3) - before))
    assert (found.name, found.unit) == ("frames missed per burst", "frames")


@pytest.mark.parametrize(("count", "is_known"), [(4, False), (5, True)])
def test_lengths_of_few_bursts_are_not_compared(count: int, is_known: bool) -> None:
    few, many = lengths(*range(1, count + 1), failsafe=3), lengths(*range(1, 10))
    assert (compare_burst_lengths(few, many, chance=CHANCE) is not None) is is_known
    assert (compare_burst_lengths(many, few, chance=CHANCE) is not None) is is_known
    assert compare_burst_lengths(lengths(), many, chance=CHANCE) is None
