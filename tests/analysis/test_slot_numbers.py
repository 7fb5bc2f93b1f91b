"""Frames that all come on time are numbered at once, as the long way numbers them."""

from __future__ import annotations

import numpy as np
import pytest

from busbench.analysis import slot_numbers
from busbench.analysis.read_slots import number_reads
from busbench.analysis.slot_numbers import around, number
from busbench.analysis.stats import low_quantile


@pytest.mark.parametrize("late_ns", [0.0, 1e3, 1e5, 4e5, 8e5])
@pytest.mark.parametrize("drift", [0.0, 2e-5, -1e-5])
def test_even_blocks_are_numbered_alike_the_short_way(
    monkeypatch: pytest.MonkeyPatch, late_ns: float, drift: float
) -> None:
    rng = np.random.default_rng(round(late_ns))
    for count in (2, 40, 4352):
        index = np.arange(count, dtype=np.float64)
        t_ns = 7e6 * (1 + drift) * index + rng.uniform(0, late_ns, count)
        short = number(t_ns, None, 7e6)
        with monkeypatch.context() as patch:
            patch.setattr(slot_numbers, "_EVEN", 0.0)
            long = number(t_ns, index, 7e6)
        assert not long.is_even
        assert short.slot.tolist() == long.slot.tolist()
        assert (short.period_ns, short.turns, short.late_run) == (long.period_ns, long.turns, long.late_run)
        assert short.off_ns().tolist() == long.off_ns().tolist()


def test_a_missing_frame_is_no_even_block() -> None:
    index = np.arange(100, dtype=np.float64)
    found = number(7e6 * (index + (index > 50)), None, 7e6)
    assert not found.is_even
    assert found.slot[-1] == 100


@pytest.mark.parametrize("late_ms", [(0, 2, 1, 0), (1, 0, 2, 0), (0, 1, 1, 2), (0, 4, 2, 0)])
def test_the_latest_frame_is_found_in_any_block(late_ms: tuple[int, ...]) -> None:
    rng = np.random.default_rng(3)
    index = np.arange(20_000)
    t_ns = 7_000_000 * index + rng.integers(0, 100_000, index.size)
    for block, late in enumerate(late_ms):
        t_ns[4096 * block + 2000] += late * 1_000_000
    found = number_reads(t_ns, np.zeros(index.size, np.bool_))
    assert found is not None
    assert found.late_most_ns == pytest.approx(max(late_ms) * 1e6, abs=1e5)
    assert (found.gap_row.size, found.doubt) == (0, 0)


def test_a_low_quantile_is_that_of_numpy() -> None:
    rng = np.random.default_rng(1)
    for count in (1, 2, 50, 51, 4096):
        values = rng.normal(size=count)
        assert low_quantile(values, 0.02) == np.quantile(values, 0.02)


@pytest.mark.parametrize("count", [1, 2, 9, 10, 19, 20, 21, 22, 60])
def test_a_moving_mean_takes_the_neighbours_there_are(count: int) -> None:
    values = np.random.default_rng(count).normal(size=count)
    means = [values[max(0, i - 10) : i + 11].mean() for i in range(count)]
    assert around(values, 10) == pytest.approx(np.array(means))
