"""The lines between two clocks that no point is below, beside their posterior by brute force on an even grid."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from scipy.special import logsumexp

from busbench.analysis.clock_alignment import _independent, _Lines
from busbench.model import F64

SHAPES, CHANCE = (1.0, 1.5, 2.0, 3.0, 4.0), 0.025


def posterior(x: F64, y: F64, parts: int) -> tuple[F64, F64, F64]:
    """Level, slope and weight of lines on an even grid: Weibull lows of the parts, flat prior."""
    cuts = np.linspace(0, x.size, parts + 1).astype(int)
    # The highest line below all points passes through two of them, on the two sides of x = 0.
    left, right = np.flatnonzero(x < 0), np.flatnonzero(x > 0)
    lift = y[right][None] - (y[right][None] - y[left][:, None]) / (x[right][None] - x[left][:, None]) * x[right][None]
    top = float(lift.min())
    i, j = np.unravel_index(int(lift.argmin()), lift.shape)
    best = (y[right][j] - y[left][i]) / (x[right][j] - x[left][i])
    lowest = np.array([low + int(np.argmin((y - best * x)[low:high])) for low, high in pairwise(cuts.tolist())])
    reach = 6.0 * float((y - best * x)[lowest].mean() - top)
    level = top - reach * (np.arange(220) + 0.5) / 220
    widest = 1.5 * reach / float(np.abs(x).max())
    slope = best + widest * np.linspace(-1, 1, 221)
    above = y[lowest] - level[:, None, None] - slope[:, None] * x[lowest]
    is_below = ((y - level[:, None, None] - slope[:, None] * x) >= 0).all(axis=2)
    logs = np.log(np.maximum(above, 1e-6 * reach))
    fits = [(parts - 1) * np.log(k) + (k - 1) * logs.sum(axis=2) - parts * logsumexp(k * logs, axis=2) for k in SHAPES]
    log = np.asarray(logsumexp(fits, axis=0)) * _independent((y - best * x)[lowest]) / parts
    weight = np.where(is_below, np.exp(log - log[is_below].max()), 0.0)
    levels, slopes = np.broadcast_arrays(level[:, None], slope)
    return levels.ravel(), slopes.ravel(), weight.ravel()


def quantiles(values: F64, weight: F64) -> F64:
    order = np.argsort(values)
    upto = np.cumsum(weight[order])
    return np.asarray(values[order[np.searchsorted(upto, np.array([0.5, CHANCE / 2, 1 - CHANCE / 2]) * upto[-1])]])


@pytest.mark.parametrize("kind", ["even", "prompt", "bell", "steps"])
def test_bounds_are_those_of_the_posterior(kind: str) -> None:
    count = 64
    rng = np.random.default_rng([count, len(kind)])
    x = np.sort(rng.uniform(-1e9, 1e9, count))
    x -= x.mean()
    late = {
        "even": rng.uniform(0, 5e6, count),
        "prompt": rng.exponential(1e6, count),
        "bell": 8e6 * rng.beta(2.5, 4.0, count),
        "steps": 1e6 + 5e5 * np.sin(np.arange(count) / 9) + rng.exponential(5e4, count),
    }[kind]
    y = 3e6 + 4e-5 * x + late
    lines = _Lines.below(x, y)
    level, slope, weight = posterior(x, y, count // 8)
    for name, found, wanted in (
        ("slope", lines.bounds(lines.slope), quantiles(slope, weight)),
        ("level", lines.bounds(lines.level), quantiles(level, weight)),
    ):
        assert np.abs(np.array(found) - wanted).max() < 0.03 * (wanted[2] - wanted[1]), name


@pytest.mark.parametrize("at", [3, 20, 44, 57])
def test_a_frame_far_too_late_does_not_change_the_bounds(at: int) -> None:
    """It tilts the line through all points, but lies far above those that no point is below."""
    rng = np.random.default_rng(7)
    x = np.asarray(7e6 * (np.arange(64) - 31.5), np.float64)
    late = np.asarray(rng.exponential(3e4, 64), np.float64)
    calm = _Lines.below(x, late)
    spiked = _Lines.below(x, np.where(np.arange(64) == at, late + 9e6, late))
    for one, other in ((calm.slope, spiked.slope), (calm.level, spiked.level)):
        before, after = calm.bounds(one), spiked.bounds(other)
        assert list(after) == pytest.approx(list(before), rel=1e-6)


def test_no_line_is_above_a_point() -> None:
    rng = np.random.default_rng(3)
    x = np.sort(rng.uniform(-1e9, 1e9, 600))
    x -= x.mean()
    y = 3e6 + 4e-5 * x + rng.uniform(0, 5e6, 600)
    lines = _Lines.below(x, y)
    heavy = lines.weight > 1e-3
    below = y - lines.level[heavy, None] - lines.slope[heavy, None] * x
    assert below.min() > -1.0


def test_neighbours_that_are_alike_count_for_fewer() -> None:
    """By lag-1 autocorrelation r: n (1 - r) / (1 + r), at least two."""
    off = np.array([1.0, 2, 3, 4, 5, 4, 3, 2, 1, 2, 3, 4])
    away = off - off.mean()
    alike = float((away[1:] * away[:-1]).sum() / (away**2).sum())
    assert _independent(off) == pytest.approx(12 * (1 - alike) / (1 + alike))
    assert _independent(np.array([1.0, 5, 1, 5, 1, 5])) == 6  # against one another: no more than there are
    assert _independent(np.full(9, 3.0)) == 9
    assert _independent(np.arange(100.0) ** 3) == 2
    assert _independent(np.arange(4.0)) == pytest.approx(4 * 0.75 / 1.25)
