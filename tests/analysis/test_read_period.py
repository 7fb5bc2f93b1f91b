"""The search for the period passes over none that it would have chosen."""

from __future__ import annotations

import math

import numpy as np
import pytest

from busbench.analysis import read_period
from busbench.analysis.period import is_cut, number_frames
from busbench.analysis.read_period import choose_period
from busbench.analysis.read_slots import latest_ends
from busbench.model import FrameTimes
from tests.analysis.adapter_kinds import draw, seen

KINDS = ("whole, busy", "network", "grid 4 ms", "polled 1 ms", "timer 16 ms", "restarted 4 ms", "FIFO 8")


@pytest.mark.parametrize("by_cut", [False, True])
@pytest.mark.parametrize("kind", KINDS)
def test_what_is_passed_over_would_cost_more(kind: str, by_cut: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng([3, KINDS.index(kind)])
    recordings = [seen(rng, draw(rng, count=300), kind) for _ in range(3)]

    def choices() -> list[read_period.PeriodChoice | None]:
        return [choose_period(latest_ends(one.t_ns), is_cut(one), by_cut=by_cut) for one in recordings]

    found = choices()
    monkeypatch.setattr(read_period._Window, "least_cost", lambda self, period_ns: -math.inf)
    for one, exhaustive in zip(found, choices(), strict=True):
        assert one is not None
        assert one == pytest.approx(exhaustive, rel=1e-12)


def test_frames_on_their_mean_period_need_no_other(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(read_period, "_lines_of", lambda window: pytest.fail("looked for other periods"))
    t_ns = 14_000_000 * np.arange(200) + np.arange(200) % 3 * 400_000
    found = choose_period(t_ns, np.zeros(200, np.bool_), by_cut=False)
    assert found is not None
    assert found.period_ns == pytest.approx(14e6, rel=1e-5)


def test_a_loss_makes_other_periods_possible() -> None:
    t_ns = np.delete(14_000_000 * np.arange(200), [40, 41, 120])
    found = choose_period(t_ns, np.zeros(t_ns.size, np.bool_), by_cut=False)
    assert found is not None
    assert found.period_ns == pytest.approx(14e6, rel=1e-9)


@pytest.mark.parametrize("by_cut", [False, True])
def test_a_period_that_drifts_is_that_of_the_middle(by_cut: bool) -> None:
    """From 7 ms to a part in 10,000 more: of three windows, at both ends and in the middle, the median is taken."""
    count = 10_000
    period_ns = 7e6 * (1 + 1e-4 * np.arange(count) / count)
    t_ns = np.rint(np.cumsum(period_ns)).astype(np.int64)
    found = choose_period(t_ns, np.full(count, by_cut), by_cut=by_cut)
    assert found is not None
    assert found.period_ns == pytest.approx(7e6 * (1 + 0.5e-4), rel=2e-6)
    assert found.is_alone


@pytest.mark.parametrize(
    ("runs", "silent"),
    [
        ((100, 100), 1_000),
        ((500, 500), 10_000),
        ((40, 100, 20), 10_000),
        ((1_000, 1_000), 10_000),
        ((1_000, 1_000), 257_143),
        ((2_000, 100, 1_900), 10_000),
        ((300,) * 20, 10_000),
    ],
)
def test_a_silence_does_not_change_the_period(runs: tuple[int, ...], silent: int) -> None:
    """A receiver that was off for whole periods of 14 ms, each time; reads are late by up to 0.3 ms."""
    rng = np.random.default_rng(4)
    slot = np.arange(sum(runs)) + silent * np.repeat(np.arange(len(runs)), runs)
    t_ns = 10**18 + 14_000_000 * slot + rng.integers(0, 300_000, slot.size)
    times = FrameTimes(t_ns, np.full(slot.size, 5_000_000, np.int32), np.zeros(slot.size, np.uint8))
    found = number_frames(times)
    assert found is not None
    assert found.is_clear
    assert found.period_ns == pytest.approx(14e6, rel=2e-6)
    assert found.missing.row.tolist() == np.cumsum(runs)[:-1].tolist()
    assert set(found.missing.count.tolist()) == {silent}


def test_silences_among_few_frames_are_losses() -> None:
    """Of 100 frames, 5 came: no run of frames without a silence of 0.5 s is long enough to give the period."""
    rng = np.random.default_rng(1)
    slot = np.flatnonzero(rng.random(2_000) < 0.05)
    t_ns = 14_000_000 * slot + rng.integers(0, 300_000, slot.size)
    found = choose_period(t_ns, np.zeros(slot.size, np.bool_), by_cut=False)
    assert found is not None
    assert found.period_ns == pytest.approx(14e6, rel=1e-5)
