"""MTIE over runs of time errors."""

from __future__ import annotations

import numpy as np
import pytest

from busbench.analysis.mtie import mtie


def errors(*values: int) -> np.ndarray:
    return np.array(values, np.int32)


def test_no_window_spans_two_runs() -> None:
    assert mtie([errors(0, 1, 0), errors(1000, 1002)]) == [(1, 2), (2, 1)]


def test_a_ramp_grows_with_the_window() -> None:
    assert mtie([3 * np.arange(9, dtype=np.int32)]) == [(1, 3), (2, 6), (4, 12), (8, 24)]


@pytest.mark.parametrize("values", [(), (5,)])
def test_no_window_fits(values: tuple[int, ...]) -> None:
    assert mtie([errors(*values)]) == []


def test_long_runs_past_the_coarse_step() -> None:
    """One step of 7 in 5000 samples is seen by every window."""
    x = np.zeros(5000, np.int32)
    x[3333:] = 7
    assert mtie([x]) == [(1 << i, 7) for i in range(13)]


def test_time_errors_beyond_32_bits() -> None:
    assert mtie([np.array([0, 6_000_000_000, 0], np.int64)]) == [(1, 6_000_000_000), (2, 6_000_000_000)]
