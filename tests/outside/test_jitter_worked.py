"""Jitter by its standard definitions against an example worked by hand.

Source: definitions of JEDEC JESD65B (attribution from memory) and ITU-T G.810;
periods 7003 7002 6999 7004 6995 6996 7003 6995, nominal 7000, worked by hand.
"""

from __future__ import annotations

import numpy as np
import pytest

from busbench.analysis.mtie import mtie
from busbench.analysis.timing import timing
from busbench.model import Clock, ClockKind
from tests.analysis.adapter import exact

PERIODS = [7003, 7002, 6999, 7004, 6995, 6996, 7003, 6995]


def test_time_errors_and_mtie() -> None:
    error = np.concatenate([[0], np.cumsum(PERIODS)]) - 7000 * np.arange(9)
    assert error.tolist() == [0, 3, 5, 4, 8, 3, -1, 2, -3]
    assert mtie([error.astype(np.int32)]) == [(1, 5), (2, 9), (4, 11), (8, 11)]


def test_jitter_figures() -> None:
    ends = 1000 * np.concatenate([[7000], 7000 + np.cumsum(PERIODS)])
    jitter = timing(exact(ends), clock=Clock(ClockKind.PER_BYTE, 1)).jitter
    assert jitter is not None
    assert jitter.period_pp_s == pytest.approx(9e-6)
    assert jitter.cycle_peak_s == pytest.approx(9e-6)
    assert jitter.cycle_rms_s == pytest.approx(5.73212e-6, rel=1e-6)
    # Against the mean period 6999.625; against the nominal 7000 the peak is 5.
    assert jitter.period_peak_s == pytest.approx(4.625e-6)
