"""The grid of an adapter's reads: its step, and the jitter that it can hide, from made-up polls."""

from __future__ import annotations

import numpy as np
import pytest

from busbench.analysis.read_grid import ReadGrid, find_grid
from busbench.model import F64, I64

MS = 1e6


def polls(
    step_ms: float, period_ms: float, *, count: int = 1200, jitter_ms: float = 0.0, late_us: float = 40.0
) -> tuple[I64, F64, F64]:
    """Whole frames at the next step of a grid and some 0.1 ms later: reads, periods, deviations from an even period."""
    rng = np.random.default_rng(1)
    end = np.arange(1, count + 1) * period_ms * MS + rng.normal(0, jitter_ms * MS, count)
    tick_ns = step_ms * (1 + 13e-6) * MS
    ticks = np.unique(np.ceil(end / tick_ns) * tick_ns)
    read: I64 = np.rint(ticks + rng.normal(85, late_us, ticks.size).clip(45) * 1e3).astype(np.int64)
    number = np.arange(read.size)
    error = read - np.polyval(np.polyfit(number, read.astype(np.float64), 1), number)
    return read, np.diff(read).astype(np.float64), np.asarray(error, np.float64)


def grid(step_ms: float, period_ms: float, **more: float) -> ReadGrid:
    read, periods, error = polls(step_ms, period_ms, **more)  # type: ignore[arg-type]
    return find_grid(read, periods, error, mean_ns=float(periods.mean()))


@pytest.mark.parametrize("step_ms", [1.0, 1.5, 3.7, 4.0, 6.0])
@pytest.mark.parametrize("period_ms", [14.3, 31.7])
@pytest.mark.parametrize("jitter_ms", [0.0, 0.3])
def test_the_step_of_polls_is_found(step_ms: float, period_ms: float, jitter_ms: float) -> None:
    found = grid(step_ms, period_ms, jitter_ms=jitter_ms)
    assert found.step_ns == pytest.approx(step_ms * MS, rel=2e-3)


@pytest.mark.parametrize(
    ("step_ms", "period_ms"),
    [(2.0, 31.7), (3.0, 14.0), (3.7, 22.0), (4.0, 14.0), (4.0, 22.0), (6.0, 9.1), (10.0, 14.0), (20.0, 31.7)],
)
@pytest.mark.parametrize("late_us", [0.0, 10.0])
def test_the_step_of_exact_polls_is_found(step_ms: float, period_ms: float, late_us: float) -> None:
    """Reads that keep to the grid to some 10 us have harmonics up to the shortest step that are as high."""
    found = grid(step_ms, period_ms, late_us=late_us)
    assert found.step_ns == pytest.approx(step_ms * MS, rel=2e-3)


@pytest.mark.parametrize("jitter_ms", [0.02, 0.1, 0.4])
def test_without_a_grid_there_is_no_step(jitter_ms: float) -> None:
    rng = np.random.default_rng(3)
    end = np.arange(1, 1201) * 14.3 * MS + rng.normal(0, jitter_ms * MS, 1200)
    read = np.rint(end).astype(np.int64)
    error = end - np.polyval(np.polyfit(np.arange(1200), end, 1), np.arange(1200))
    assert find_grid(read, np.diff(end), error, mean_ns=14.3 * MS) == ReadGrid()


@pytest.mark.parametrize(("seen", "has_step"), [(63, False), (64, True)])
def test_few_reads_have_no_spectrum(seen: int, has_step: bool) -> None:
    read, _, error = polls(1.0, 14.3, count=80)
    even = np.full(60, 14.3 * MS)
    assert bool(find_grid(read[:seen], even, error, mean_ns=14.3 * MS).step_ns) is has_step


@pytest.mark.parametrize(("step_ms", "is_seen"), [(20.0, True), (21.9, True), (22.1, False), (24.0, False)])
def test_steps_are_those_of_adapters(step_ms: float, is_seen: bool) -> None:
    """Up to 22 ms; of a longer one its half or less is found."""
    read, _, error = polls(step_ms, 31.7, count=600)
    found = find_grid(read, np.full(60, 31.7 * MS), error, mean_ns=31.7 * MS)
    assert (found.step_ns == pytest.approx(step_ms * MS, rel=1e-3)) is is_seen


@pytest.mark.parametrize(
    ("clusters_ms", "step_ms"),
    [
        ((12.0, 14.0, 16.0), 2.0),
        ((10.5, 14.0, 17.5), 3.5),
        ((14.0,), 0.0),  # one cluster is no grid
        ((13.0, 13.4, 14.0, 14.7, 15.2), 0.0),
    ],
)
def test_periods_in_clusters_show_a_step(clusters_ms: tuple[float, ...], step_ms: float) -> None:
    """Where the rate of the reads is a multiple of that of the frames there is no line in the spectrum."""
    rng = np.random.default_rng(5)
    middle = rng.normal(14.0, 0.004, 2000)
    sides = rng.choice(clusters_ms, 2000) + rng.normal(0, 0.004, 2000)
    period = np.where(rng.random(2000) < 0.1, sides, middle) * MS
    found = find_grid(np.empty(0, np.int64), period, np.zeros(2000), mean_ns=14 * MS)
    assert found.step_ns == pytest.approx(step_ms * MS)


@pytest.mark.parametrize(("others", "has_step"), [(8, False), (9, True)])
def test_a_few_periods_elsewhere_are_no_cluster(others: int, has_step: bool) -> None:
    """More than 4 in 1,000."""
    period = np.full(2000, 14 * MS)
    period[:others] += MS
    assert bool(find_grid(np.empty(0, np.int64), period, np.zeros(9), mean_ns=14 * MS).step_ns) is has_step


@pytest.mark.parametrize(("others", "has_step"), [(8, False), (9, True)])
def test_a_few_late_frames_of_a_short_recording_are_no_cluster(others: int, has_step: bool) -> None:
    """Nine at least: a late frame alone makes a long period and a short one, which are in step with one another."""
    period = np.full(60, 14 * MS)
    period[:others] += MS
    assert bool(find_grid(np.empty(0, np.int64), period, np.zeros(9), mean_ns=14 * MS).step_ns) is has_step


def errors(*phases_ms: float) -> F64:
    return np.tile(np.array(phases_ms), 400) * MS


@pytest.mark.parametrize(
    ("error", "hides_ms"),
    [
        (errors(0.0), 2.0),  # all frames at one phase of the step: a jitter below the step moves no read
        (errors(0.0, 1.0), 1.0),  # at two phases: half
        (errors(0.0, 0.5, 1.0, 1.5), 0.5),
        (errors(0.0, 2 / 3, 4 / 3), 2 / 3),
        (errors(*np.linspace(0, 2, 97, endpoint=False)), 0.0),  # at all
        (errors(0.0, *[0.5] * 2, 1.0, 1.5), 0.5),  # agreement of 0.2 with one phase, of 0.2 with two, of 1 with four
    ],
)
def test_what_a_grid_can_hide(error: F64, hides_ms: float) -> None:
    read, period, _ = polls(2.0, 14.3)
    found = find_grid(read, period, error, mean_ns=14.3 * MS)
    assert found.step_ns == pytest.approx(2 * MS, rel=1e-3)
    assert found.hides_ns == pytest.approx(hides_ms * MS, rel=1e-3)
    assert found.may_hide_ns == found.hides_ns


@pytest.mark.parametrize(
    ("mean_ms", "spread_ms", "hides_ms"),
    [
        (14.0, 0.05, 0.5),  # 7 steps of 2 ms
        (15.0, 0.05, 0.375),  # 10 of 1.5 ms
        (16.0, 0.05, 4.0),
        (8.0, 0.05, 2.0),
        (12.0, 0.05, 1.0),
        (13.0, 0.05, 0.25),
        (14.5, 0.05, 0.0),  # of no common step
        (14.0 * 1.00019, 0.05, 0.5),  # as far as two crystals may differ
        (14.0 * 1.00021, 0.05, 0.0),
        (14.0, 0.5, 0.0),  # frames off by more than the step's phase
    ],
)
def test_reads_in_step_with_the_period_may_hide_jitter(mean_ms: float, spread_ms: float, hides_ms: float) -> None:
    error = np.random.default_rng(4).normal(0, spread_ms * MS, 1000)
    found = find_grid(np.empty(0, np.int64), np.full(999, mean_ms * MS), error, mean_ns=mean_ms * MS)
    assert (found.step_ns, found.hides_ns) == (0.0, 0.0)
    assert found.may_hide_ns == pytest.approx(hides_ms * MS)


def test_the_computers_clock_may_drift_against_the_grid() -> None:
    drift = np.linspace(0, 20 * MS, 1000)
    found = find_grid(np.empty(0, np.int64), np.full(999, 14 * MS), drift, mean_ns=14 * MS)
    assert found.may_hide_ns == pytest.approx(0.5 * MS)
