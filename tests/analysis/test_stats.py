"""Spread and order statistics of long columns, beside numpy's."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from busbench.analysis.stats import BLOCK, low_quantile, quantiles, ranks_s, spread

RANKS = (0.0, 0.01, 0.5, 0.99, 1.0)


@given(st.lists(st.integers(0, 2**31 - 1), min_size=1, max_size=60))
def test_quantiles_are_order_statistics(values: list[int]) -> None:
    ranked = sorted(values)
    expected = [ranked[round(q * (len(values) - 1))] for q in RANKS]
    assert quantiles(np.array(values, np.int32), RANKS) == expected


@pytest.mark.parametrize(("low", "wide"), [(0, 1), (5, 1 << 16), (7, (1 << 16) + 1), (-900, 1 << 20), (3, 2**31 - 4)])
def test_quantiles_of_columns_longer_than_a_block(low: int, wide: int) -> None:
    values = (low + np.random.default_rng(wide).integers(0, wide, BLOCK + 5000)).astype(np.int32)
    ranked = np.sort(values)
    assert quantiles(values, RANKS) == [int(ranked[round(q * (values.size - 1))]) for q in RANKS]


@given(
    st.lists(st.floats(-1e9, 1e9), min_size=1, max_size=40), st.sampled_from([0.0, 0.02, 0.05, 0.1, 0.3, 0.37, 0.499])
)
def test_a_low_quantile_is_that_of_numpy(values: list[float], share: float) -> None:
    column = np.array(values)
    assert low_quantile(column, share) == pytest.approx(np.quantile(column, share), rel=1e-12, abs=1e-6)


@pytest.mark.parametrize("size", [1, 2, 3, BLOCK - 1, BLOCK, BLOCK + 1, 2 * BLOCK, 2 * BLOCK + 1])
@pytest.mark.parametrize("dtype", [np.int32, np.int64, np.float64])
def test_a_spread_is_that_of_the_definitions(size: int, dtype: type) -> None:
    values: np.ndarray = np.cumsum(np.random.default_rng(size).integers(-9, 10, size)).astype(dtype) + 7_000_000
    found, off = spread(values), values.astype(np.float64) - values.mean(dtype=np.float64)
    assert (found.count, found.low, found.high) == (size, values.min(), values.max())
    assert found.mean == pytest.approx(values.mean(dtype=np.float64), rel=1e-13)
    assert found.sd == pytest.approx(np.std(off, ddof=1) if size > 1 else 0.0)
    assert found.rms == pytest.approx(np.std(off))
    square = float((off**2).sum())
    assert found.lag1 == (pytest.approx(float((off[1:] * off[:-1]).sum()) / square) if square else None)


@pytest.mark.parametrize("count", [1, 2, 3, 100, 101, 1000])
def test_ranks_are_values_that_were_seen(count: int) -> None:
    """The smallest value that is not below the share of all."""
    late_ns = np.random.default_rng(count).permutation(count) * 1_000_000 + 5_000_000
    order = np.sort(late_ns) / 1e9
    wanted = [0, -(-count // 2) - 1, -(-count * 99 // 100) - 1, count - 1]
    assert ranks_s(late_ns) == pytest.approx(dict(zip(("min", "median", "p99", "max"), order[wanted], strict=True)))
