import math
from decimal import Decimal

import pytest

from busbench.analysis.binomial import _deviance, _stirling_error, loss_bounds


def test_no_losses_still_leave_an_upper_bound() -> None:
    bounds = loss_bounds(0, 300)
    assert bounds.ratio == 0.0
    assert bounds.lower == 0.0
    assert bounds.upper_one_sided == pytest.approx(1 - 0.05 ** (1 / 300), rel=1e-14)
    assert bounds.upper == pytest.approx(1 - 0.025 ** (1 / 300), rel=1e-14)


def test_all_lost() -> None:
    bounds = loss_bounds(300, 300)
    assert bounds.ratio == 1.0
    assert bounds.lower == pytest.approx(0.025 ** (1 / 300), rel=1e-14)
    assert bounds.upper == bounds.upper_one_sided == 1.0


def test_nothing_expected_says_nothing() -> None:
    bounds = loss_bounds(0, 0)
    assert (bounds.ratio, bounds.lower, bounds.upper, bounds.upper_one_sided) == (None, 0.0, 1.0, 1.0)


def test_one_of_one_hundred_million() -> None:
    # (1 - p)^n + n p (1 - p)^(n - 1) = 0.025, solved by hand in its logarithm.
    total = 10**8
    p = loss_bounds(1, total).upper
    tail = math.exp((total - 1) * math.log1p(-p)) * (1 + (total - 1) * p)
    assert tail == pytest.approx(0.025, rel=1e-12)


def test_the_two_ends_mirror_each_other() -> None:
    few, many = loss_bounds(7, 50), loss_bounds(43, 50)
    assert few.lower == pytest.approx(1 - many.upper, rel=1e-13)
    assert few.upper == pytest.approx(1 - many.lower, rel=1e-13)


@pytest.mark.parametrize(("lost", "total"), [(-1, 5), (6, 5), (1, 0)])
def test_an_impossible_count_is_refused(lost: int, total: int) -> None:
    with pytest.raises(ValueError, match=f"lost is {lost}, not within 0 to {total}"):
        loss_bounds(lost, total)


@pytest.mark.parametrize("confidence", [0.3, 1.0, 95.0])
def test_confidence_is_a_fraction(confidence: float) -> None:
    with pytest.raises(ValueError, match="confidence"):
        loss_bounds(1, 5, confidence=confidence)


@pytest.mark.parametrize("n", [1, 2, 15, 16, 17, 20, 40, 170])
def test_the_error_of_stirlings_formula(n: int) -> None:
    exact = math.log(math.factorial(n)) - (n + 0.5) * math.log(n) + n - 0.5 * math.log(2 * math.pi)
    assert _stirling_error(n) == pytest.approx(exact, abs=2e-14 * max(1, n / 4))


@pytest.mark.parametrize("mean", [50.0, 89.9, 90.0, 99.0, 100.0, 101.0, 110.0, 111.2, 200.0])
def test_a_deviance_is_exact_far_from_the_mean_and_near(mean: float) -> None:
    exact = 100 * (Decimal(100) / Decimal(mean)).ln() + Decimal(mean) - 100
    assert _deviance(100.0, mean) == pytest.approx(float(exact), rel=2e-13, abs=1e-300)
