"""Order statistics by counting."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from busbench.analysis.stats import quantiles


@given(st.lists(st.integers(0, 2**31 - 1), min_size=1, max_size=60))
def test_quantiles_are_order_statistics(values: list[int]) -> None:
    ranked = sorted(values)
    expected = [ranked[round(q * (len(values) - 1))] for q in (0.0, 0.01, 0.5, 0.99, 1.0)]
    assert quantiles(np.array(values, np.int32), (0.0, 0.01, 0.5, 0.99, 1.0)) == expected
