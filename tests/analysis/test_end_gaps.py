"""Frames missing at the ends of a recording, beside Bayes' rule place by place."""

from __future__ import annotations

import math

import numpy as np
import pytest

from busbench.analysis.end_gaps import EndGap, EndLosses, end_gap
from busbench.model import F64

NEAR, EARLY, MOST = 0.15, 0.35, 64


def plain(excess: F64, late: F64, losses: EndLosses, *, is_start: bool) -> EndGap:
    """As many frames may be lost at one place as leave every read neither early nor later than any other was."""
    if not excess.size:
        return EndGap(0, 0)
    worst = max([0.0, *late.tolist()]) + NEAR
    low, high = (EARLY, worst) if is_start else (worst, EARLY)
    first = max(0, math.ceil(max(excess.tolist()) - low))
    last = max(first, math.floor(float(excess[-1]) + high))
    weights = []
    for count in range(first, last + 1):
        prior = losses.per_frame * (1 - losses.follow) * losses.follow ** (count - 1) if count else 1.0
        fits = []
        for place in range(excess.size if count else 1):
            shares = []
            for at, value in enumerate(excess.tolist()):
                so_late = value - count * (at >= place)
                so_late = -so_late if is_start else so_late
                near = sum(so_late - NEAR <= one < so_late + NEAR for one in late.tolist())
                shares.append(0.0 if so_late < -EARLY else (near + 0.5) / (late.size + 1))
            fits.append(min(shares))
        weights.append(prior * sum(fits))
    best = int(np.argmax(weights))
    is_sure = sum(weights) - weights[best] <= 0.04 * sum(weights)
    return EndGap(first + best, 0 if is_sure or first == last else max(best, last - first - best))


@pytest.mark.parametrize("is_start", [False, True])
@pytest.mark.parametrize("size", [1, 2, 5, 12])
def test_the_likeliest_number_by_every_place_of_the_loss(size: int, is_start: bool) -> None:
    rng = np.random.default_rng([size, is_start])
    doubts = set()
    for turn in range(60):
        late = rng.choice([0.3, 1.0, 2.5]) * rng.random(int(rng.integers(0, 40)))
        lost = int(rng.integers(0, 4)) * (np.arange(size) >= rng.integers(0, size))
        own = rng.choice([0.1, 1.0, 2.2]) * rng.random(size)
        excess = lost - own if is_start else lost + own
        losses = EndLosses.of(int(rng.integers(0, 60)), int(rng.integers(60, 200)), 2000)
        found = end_gap(excess, late, losses, is_start=is_start)
        assert found == plain(excess, late, losses, is_start=is_start), turn
        doubts.add(found.doubt)
    assert len(doubts) > 1


@pytest.mark.parametrize(
    ("gaps", "missing", "frames", "per_frame", "follow"),
    [(0, 0, 1000, 0.5 / 1000, 0.5), (1, 1, 999, 1 / 1000, 1 / 3), (10, 30, 970, 10 / 1000, 1 - 11 / 32)],
)
def test_loss_statistics(gaps: int, missing: int, frames: int, per_frame: float, follow: float) -> None:
    assert EndLosses.of(gaps, missing, frames) == pytest.approx((per_frame, follow))


@pytest.mark.parametrize(
    ("size", "gaps", "found"),
    [(65, 0, (0, 0)), (65, 1, (0, 1)), (65, 100, (0, 1)), (64, 0, (0, 0))],
)
def test_of_many_frames_nothing_is_weighed(size: int, gaps: int, found: tuple[int, int]) -> None:
    """They are taken as complete where a loss among so many is unlikely: 4 %."""
    late = np.full(50, 0.9)
    losses = EndLosses.of(gaps, gaps, 1000)
    assert end_gap(np.full(size, 0.9), late, losses, is_start=False) == found


def test_a_gap_that_is_sure_among_many_frames() -> None:
    losses = EndLosses.of(0, 0, 1000)
    assert end_gap(np.full(70, 3.0), np.zeros(50), losses, is_start=False) == (3, 0)
    assert end_gap(np.full(70, 3.0), np.full(50, 0.9), losses, is_start=False) == (2, 1)  # at least two, or three


def test_as_many_missing_as_cannot_be_weighed() -> None:
    losses = EndLosses.of(5, 5, 1000)
    wide = end_gap(np.array([90.0]), np.full(50, 63.8), losses, is_start=False)
    assert wide == (27, 63)  # from 27 on 64 numbers
    assert end_gap(np.array([90.0]), np.full(50, 62.8), losses, is_start=False).frames >= 28
