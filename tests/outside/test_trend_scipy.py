"""Trends and bounds of many recordings beside scipy."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import chi2, theilslopes

from busbench.analysis.compared_losses import poisson_bounds
from busbench.analysis.trend import robust_slope


@pytest.mark.parametrize("count", [8, 10, 30, 200])
@pytest.mark.parametrize("has_ties", [False, True])
@pytest.mark.parametrize("confidence", [0.9, 0.95])
def test_slope_and_interval_are_those_of_theilslopes(count: int, has_ties: bool, confidence: float) -> None:
    rng = np.random.default_rng(count)
    x = np.sort(rng.uniform(0, 100, count))
    y = 0.02 * x + rng.standard_cauchy(count)
    if has_ties:
        x, y = np.round(x / 10) * 10, np.round(y)
    other = theilslopes(y, x, alpha=confidence)
    slope, low, high = robust_slope(x, y, chance=1 - confidence)
    assert (slope, low, high) == pytest.approx((other.slope, other.low_slope, other.high_slope), rel=1e-12)


@pytest.mark.parametrize(("count", "off"), [(1.0, 0.5), (3.0, 0.06), (10.0, 0.01), (250.0, 0.002)])
def test_bounds_of_a_poisson_mean_are_near_the_exact_ones(count: float, off: float) -> None:
    exact = chi2.ppf(0.025, 2 * count) / 2, chi2.ppf(0.975, 2 * count + 2) / 2
    low, high = poisson_bounds(count, 0.05)
    assert low == pytest.approx(exact[0], rel=off)
    assert high == pytest.approx(exact[1], rel=0.01)


def test_bounds_of_a_poisson_mean_without_an_event() -> None:
    low, high = poisson_bounds(0.0, 0.05)
    assert low == 0.0
    assert high == pytest.approx(chi2.ppf(0.975, 2) / 2, rel=0.03)
