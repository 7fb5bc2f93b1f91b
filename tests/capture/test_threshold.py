"""Thresholds of voltages: which samples find them, spikes, hysteresis, very long files."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest

from busbench.capture.threshold import Thresholds
from busbench.model import F64


def column(volts: Sequence[float] | F64) -> F64:
    return np.asarray(volts, np.float64)[:, None]


def found(*blocks: Sequence[float] | F64) -> tuple[float, float]:
    """Threshold and swing of one signal."""
    one = Thresholds.of(map(column, blocks), ("rx",))
    return float(one.middle[0]), float(one.swing[0])


@pytest.mark.parametrize(
    ("blocks", "middle", "swing"),
    [
        ([], 0, 0),
        ([[1.25]], 1.25, 0),
        ([[1.25, 1.25]], 1.25, 0),
        ([[1, 3]], 2, 2),
        ([[1], [3]], 2, 2),
        ([[-3, -1, -1]], -2, 2),
        # of 16, 15.4, 13.1, 11.375, 9.8 the third after the first: 14, 16, 20, 32 are above it, twelve samples in all
        ([[0, 0, 0, 0, 0, 0, 6, 12, 14, 16, 20, 32]], (82 / 4 + 18 / 8) / 2, 82 / 4 - 18 / 8),
    ],
    ids=["none", "one", "still", "two", "two blocks", "below zero", "three steps"],
)
def test_the_threshold_is_between_the_means_of_what_is_above_and_below(
    blocks: list[list[float]], middle: float, swing: float
) -> None:
    assert found(*blocks) == (middle, swing)


@pytest.mark.parametrize("sign", [1, -1])
@pytest.mark.parametrize(
    ("zeros", "fours", "spikes", "middle"),
    [
        (10, 9, 1, 48 / 10 / 2),  # one of 20 samples is ignored at first
        (9, 9, 1, (12 + 36 / 18) / 2),  # none of 19
        (20, 17, 2, (12 + 68 / 37) / 2),  # two of 39 are one too many
        (20, 18, 2, 96 / 20 / 2),
        (120, 110, 10, 560 / 120 / 2),  # ten at most
        (120, 109, 11, (12 + 436 / 229) / 2),
    ],
)
def test_spikes_of_a_twentieth_of_the_samples_or_of_ten_hide_no_threshold(
    sign: int, zeros: int, fours: int, spikes: int, middle: float
) -> None:
    volts = [0.0] * zeros + [4.0] * fours + [12.0] * spikes
    assert found([sign * one for one in volts])[0] == pytest.approx(sign * middle, rel=1e-12)


def test_signals_have_thresholds_of_their_own() -> None:
    volts = np.array([[0, 10, 5], [4, 30, 5], [0, 10, 5.0]])
    both = Thresholds.of([volts], ("a", "b", "still"))
    assert (both.middle.tolist(), both.swing.tolist()) == ([2, 20, 5], [4, 20, 0])
    assert both.levels(volts).tolist() == [[0, 0, 0], [1, 1, 0], [0, 0, 0]]


def test_of_more_than_200_000_samples_every_second_or_fourth_is_used() -> None:
    """What is left out here is marked by a voltage of its own."""
    few = np.tile([0.0, 4.0], 100_000)
    assert found(few) == (2, 4)
    many = np.append(few, 0.0)
    many[1::2], many[2::4] = 90, 4  # every second sample is 0 or 4
    middle, swing = found(many)
    assert [middle, swing] == pytest.approx([2, 4], rel=1e-12)
    assert found(many, [6.0, 90.0] * 5)[1] == pytest.approx((4 * 50_000 + 6 * 5) / 50_005)
    more = np.full(400_004, 90.0)
    more[::8], more[4::8] = 0, 4  # every fourth
    assert found(more) == (2, 4)


@pytest.mark.parametrize(
    ("volts", "levels"),
    [
        ([4, 3.5, -3.5, -4], [1, 1, 0, 0]),
        ([4, -3, -2, -3.5, 3, 2, 3.5], [1, 1, 1, 0, 0, 0, 1]),  # 3 is 15 % of the swing: it is not beyond
        ([2, 0, -2], [0, 0, 0]),
        ([], []),
    ],
)
def test_a_level_changes_beyond_15_percent_of_the_swing(volts: list[float], levels: list[int]) -> None:
    one = Thresholds(("rx",), np.array([0.0]), np.array([20.0]))
    assert one.levels(column(volts))[:, 0].tolist() == levels


def test_a_level_lasts_from_block_to_block() -> None:
    one = Thresholds(("rx",), np.array([1.0]), np.array([2.0]))
    blocks = [[0.0, 2.0], [1.1], [], [1.0, 0.0, 0.9], [0.95]]
    assert [one.levels(column(block))[:, 0].tolist() for block in blocks] == [[0, 1], [1], [], [1, 0, 0], [0]]


def test_the_threshold_of_one_signal_is_noted_and_of_several_none() -> None:
    long = "a" * 41
    both = Thresholds(("rx\x1b", long), np.array([1.6549, 2.0]), np.array([3.0, 3.0]))
    assert both.notes(["rx\x1b"]) == ['"rx\\x1b" holds voltages: the threshold is 1.65']
    assert both.notes([long]) == [f'"{long[:39]}…" holds voltages: the threshold is 2']
    assert both.notes([]) == []
    assert both.notes(both.names) == []
