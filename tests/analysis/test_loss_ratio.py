"""Bounds of the ratio of missed frames by bursts, and the ranking by them."""

from __future__ import annotations

import random
from typing import Any

import pytest

from busbench.analysis.binomial import loss_bounds
from busbench.analysis.loss_ratio import loss_ratio
from busbench.analysis.outages import Outage, Outages
from busbench.analysis.ranking import RANKED_BY, rank

PERIOD_S = 0.01


def outages(bursts: list[tuple[float, int]], *, expected: int) -> Outages:
    """Outages with bursts (start in s, frames)."""
    events = tuple(
        Outage("gap", start, start + frames * PERIOD_S, frames, frames, frames, 0, 0) for start, frames in bursts
    )
    missed = sum(frames for _, frames in bursts)
    return Outages(
        expected - missed, expected, missed, missed, missed, expected * PERIOD_S, PERIOD_S, None, events, {},
        missed / expected, 1.0, True, 0, (), (),
    )  # fmt: skip


def spaced(*frames: int, expected: int) -> Outages:
    """Bursts at even distances."""
    step = expected * PERIOD_S / len(frames)
    return outages([(step * (i + 0.5), count) for i, count in enumerate(frames)], expected=expected)


def test_without_a_loss_the_limit_is_that_of_single_frames() -> None:
    found = loss_ratio(outages([], expected=300))
    assert found is not None
    assert (found.bursts, found.ratio_low) == (0, 0.0)
    assert found.ratio_high == loss_bounds(0, 300).upper == pytest.approx(0.012221, abs=1e-6)


def test_bursts_of_one_frame_are_counted_as_they_come() -> None:
    """10 events: exact limits of a Poisson mean 4.795 … 18.390 (chi-squared tables), in 10,000 frames."""
    found = loss_ratio(spaced(*[1] * 10, expected=10_000))
    assert found is not None
    assert found.bursts == 10
    assert found.ratio_low == pytest.approx(4.795e-4, rel=0.005)
    assert found.ratio_high == pytest.approx(18.390e-4, rel=0.005)


def test_long_bursts_widen_the_limits_as_fewer_events_would() -> None:
    one, ten = (loss_ratio(spaced(*frames, expected=10_000)) for frames in ([1] * 100, [10] * 10))
    assert one is not None
    assert ten is not None
    assert one.ratio_low > ten.ratio_low == pytest.approx(4.795e-3, rel=0.005)
    assert one.ratio_high < ten.ratio_high == pytest.approx(18.390e-3, rel=0.005)
    assert loss_ratio(spaced(5000, expected=5000)).ratio_high == 1.0  # type: ignore[union-attr]


def test_groups_of_bursts_widen_them_more() -> None:
    even = loss_ratio(spaced(*[1] * 40, expected=100_000))
    group = loss_ratio(outages([(20.0 + i, 1) for i in range(40)], expected=100_000))
    assert even is not None
    assert group is not None
    assert group.ratio_low < even.ratio_low / 2
    assert group.ratio_high > 1.5 * even.ratio_high


def test_without_times_or_frames_nothing_is_known() -> None:
    assert (
        loss_ratio(
            outages([], expected=1).__class__(0, 0, 0, 0, 0, None, None, None, (), {}, None, 1.0, False, 0, (), ())
        )
        is None
    )


def test_the_true_ratio_is_inside_in_95_of_100() -> None:
    rng = random.Random(11)
    inside = 0
    for _ in range(300):
        bursts, now = [], 0.0
        while (now := now + rng.expovariate(1 / 25)) < 600:
            bursts.append((now, 1 + int(rng.expovariate(1 / 4))))
        found = loss_ratio(outages(bursts, expected=60_000))
        assert found is not None
        truth = 600 / 25 * 4.52 / 60_000  # 1 + floor of an exponential: mean 1 / (1 - exp(-1/4))
        inside += found.ratio_low <= truth <= found.ratio_high
    assert inside >= 0.94 * 300


def row(path: str, missed: int, expected: int, low: float | None, high: float | None) -> dict[str, Any]:
    values = (path, None, None, None, missed, expected, missed / expected, None, low, high, None)
    return dict(zip(RANKED_BY, values, strict=True))


def test_what_is_certain_comes_first_and_not_the_highest_ratio() -> None:
    rows = [
        row("one of fifty", 1, 50, 0.0005, 0.11),
        row("no times", 5, 100, None, None),
        row("short and clean", 0, 50, 0.0, 0.07),
        row("thousand of a hundred thousand", 1000, 100_000, 0.009, 0.011),
        row("long and clean", 0, 100_000, 0.0, 0.00004),
    ]
    unread = dict.fromkeys(RANKED_BY)
    assert [one.path for one in rank([*rows, unread])] == [
        "thousand of a hundred thousand", "one of fifty", "short and clean", "long and clean", "no times",
    ]  # fmt: skip
