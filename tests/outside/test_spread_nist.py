"""Mean, standard deviation and lag-1 against certified values.

Source: NIST Statistical Reference Datasets, univariate summary statistics,
NumAcc1-4: certified mean, sd and lag-1 autocorrelation; the generators equal
the published data.
"""

from __future__ import annotations

import numpy as np
import pytest

from busbench.analysis.stats import spread


def digits(value: float, certified: float) -> float:
    """Log relative error: correct digits."""
    return 15.0 if value == certified else -np.log10(abs(value - certified) / abs(certified))


def alternating(first: float, low: float, high: float) -> np.ndarray:
    return np.array([first, *[low, high] * 500])


def test_numacc1_in_integers() -> None:
    found = spread(np.array([10000001, 10000003, 10000002]))
    assert (found.mean, found.sd, found.lag1) == (10000002, 1, -0.5)


@pytest.mark.parametrize(
    ("data", "mean", "at_least"),
    [
        (alternating(1.2, 1.1, 1.3), 1.2, 13.0),
        # The inputs are rounded to float64: sd holds 9.5 and 8.3 digits at best.
        (alternating(1000000.2, 1000000.1, 1000000.3), 1000000.2, 9.4),
        (alternating(10000000.2, 10000000.1, 10000000.3), 10000000.2, 8.2),
    ],
    ids=["NumAcc2", "NumAcc3", "NumAcc4"],
)
def test_numacc2_to_4(data: np.ndarray, mean: float, at_least: float) -> None:
    found = spread(data)
    assert digits(found.mean, mean) >= 13.9
    assert digits(found.sd, 0.1) >= at_least
    assert found.lag1 == pytest.approx(-0.999, abs=1e-9)


@pytest.mark.parametrize("base", [12, 10_000_002, 100_000_002])
def test_numacc_in_tenths_as_integers_has_no_such_floor(base: int) -> None:
    found = spread(np.array([base, *[base - 1, base + 1] * 500]))
    assert found.mean == base
    assert digits(found.sd, 1.0) >= 14.5
    assert found.lag1 == pytest.approx(-0.999, abs=1e-12)
