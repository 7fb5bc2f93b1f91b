"""Periods over time and their histogram, worked out a second time."""

from __future__ import annotations

from dataclasses import fields, replace
from itertools import pairwise

import numpy as np
import pytest

from busbench.model import Clock, ClockKind, FrameTimes
from busbench.tui import timing as module
from busbench.tui.timing import TimingFigures, look_at_timing
from tests.tui.test_timing_view import bell, view_of, view_of_bell


def times_of(count: int, *, seed: int = 3) -> FrameTimes:
    """Frames of 14 ms with jitter, some missing, and a long pause."""
    rng = np.random.default_rng(seed)
    steps = rng.choice([1, 1, 1, 1, 1, 1, 2, 3], count)
    steps[count // 2] = 200
    t_ns = 10**15 + np.cumsum(steps) * 14_000_000 + rng.integers(-40_000, 40_001, count)
    none = np.zeros(count, np.uint8)
    return FrameTimes(t_ns, np.zeros(count, np.int32), none, none)


def look(times: FrameTimes, *, resolution_ns: int = 1_000) -> TimingFigures:
    return look_at_timing(times, clock=Clock(ClockKind.PER_BYTE, resolution_ns), scope="all")


def test_each_moment_has_the_shortest_and_the_longest_period_that_begins_in_it() -> None:
    times = times_of(1_500)
    view = look(times)
    t_ns = times.t_ns.tolist()
    mean_ns = 14_000_000
    lows, highs = [-1] * module.SLOTS, [-1] * module.SLOTS
    edges = [t_ns[0] + at * (t_ns[-1] - t_ns[0]) // module.SLOTS for at in range(module.SLOTS + 1)]
    kept = []
    for first, last in pairwise(t_ns):
        if last - first < 1.5 * mean_ns:
            at = next(at for at in reversed(range(module.SLOTS)) if edges[at] <= first)
            lows[at] = last - first if lows[at] < 0 else min(lows[at], last - first)
            highs[at] = max(highs[at], last - first)
            kept.append(last - first)
    assert view.lows_ns.tolist() == lows
    assert view.highs_ns.tolist() == highs
    assert (view.first_ns, view.last_ns) == (t_ns[0], t_ns[-1])
    assert view.steps == len(kept)
    bins = [(one - view.low_ns) // view.quantum_ns for one in kept]
    assert view.shorter == sum(one < 0 for one in bins)
    assert view.longer == sum(one >= view.counts.size for one in bins)
    assert view.counts.tolist() == [bins.count(at) for at in range(view.counts.size)]


@pytest.mark.parametrize("block", [50, 1_499, 1_500])
def test_many_frames_are_measured_piece_by_piece(block: int, monkeypatch: pytest.MonkeyPatch) -> None:
    times = times_of(1_500)
    whole = look(times)
    monkeypatch.setattr(module, "_BLOCK", block)
    pieces = look(times)
    for field in fields(whole):
        one, other = getattr(whole, field.name), getattr(pieces, field.name)
        assert np.array_equal(one, other) if isinstance(one, np.ndarray) else one == other, field.name


@pytest.mark.parametrize("of_cut", [True, False, None])
def test_where_the_figures_are_of_cut_frames_the_pictures_are(
    of_cut: bool | None, monkeypatch: pytest.MonkeyPatch
) -> None:
    times = times_of(1_500)
    times = replace(times, slack_ns=np.where(np.arange(1_500) % 5 < 2, 5_000_000, 0).astype(np.int32))
    figures = look(times).figures
    assert figures.jitter is not None
    jitter = None if of_cut is None else replace(figures.jitter, of_cut=of_cut)
    monkeypatch.setattr(module, "timing", lambda *_, **__: replace(figures, jitter=jitter))
    view = look(times)
    periods = [(at, one) for at, one in enumerate(np.diff(times.t_ns).tolist()) if one < 21_000_000]
    kept = [one for at, one in periods if not of_cut or (times.slack_ns[at : at + 2] == 0).all()]
    assert view.steps == len(kept)
    assert (view.lows_ns[view.lows_ns >= 0].min(), view.highs_ns.max()) == (min(kept), max(kept))


def test_frames_without_a_period_have_no_figures() -> None:
    view = look(times_of(2))
    assert (view.steps, view.low_ns, view.quantum_ns, view.shorter, view.longer) == (0, 0, 1, 0, 0)
    assert (view.first_ns, view.last_ns, view.counts.size, view.lows_ns.size, view.highs_ns.size) == (0, 0, 0, 0, 0)
    assert view.scope == "all"


@pytest.mark.parametrize("resolution_ns", [1, 1_000, 25_000])
def test_the_histogram_reaches_past_all_but_a_hundredth_and_past_the_floor(resolution_ns: int) -> None:
    figures = view_of_bell(resolution_ns).figures
    assert figures.jitter is not None
    assert figures.period_mean_s is not None
    for jitter in (
        figures.jitter,
        replace(figures.jitter, period_p01_s=figures.period_mean_s - 0.001),
        replace(figures.jitter, period_p99_s=figures.period_mean_s + 0.002),
        replace(figures.jitter, period_high_s=figures.jitter.period_rms_s + 0.0005),
        replace(
            figures.jitter,
            period_p01_s=figures.period_mean_s,
            period_p99_s=figures.period_mean_s,
            period_low_s=figures.jitter.period_rms_s,
            period_high_s=figures.jitter.period_rms_s,
        ),
        None,
    ):
        mean_s = figures.period_mean_s
        if jitter is None:
            reach_s = mean_s / 2
        else:
            away = abs(jitter.period_p01_s - mean_s), abs(jitter.period_p99_s - mean_s)
            reach_s = 1.6 * max(*away, jitter.floor_s, 1e-6)
        start, quantum, count = module._quanta(mean_s, jitter, resolution_ns=resolution_ns)
        low_ns, high_ns = (mean_s - reach_s) * 1e9, (mean_s + reach_s) * 1e9
        assert (start + resolution_ns // 2) % resolution_ns == 0  # edges between the steps of the clock
        assert low_ns - 1.5 * resolution_ns < start <= low_ns
        assert quantum % resolution_ns == 0
        steps = int(high_ns - low_ns) / resolution_ns
        assert steps / 65_536 <= quantum // resolution_ns < steps / 65_536 + 1
        assert start + quantum * (count - 1) < high_ns <= start + quantum * count + 1


def test_a_short_pause_holds_a_missing_frame_and_a_late_frame_does_not() -> None:
    periods = np.full(400, 14_000_000)
    periods[100], periods[200] = 20_990_000, 21_010_000
    view = view_of(periods, resolution_ns=1_000)
    assert view.steps == 399
    assert int(view.highs_ns.max()) == 20_990_000


def test_two_frames_at_one_time_have_a_period_of_nothing() -> None:
    periods = np.full(2_400, 10_000_000)
    periods[1_200:1_203] = 250_000_000, 0, 250_000_000  # alone between two pauses
    view = view_of(periods, resolution_ns=1_000)
    assert [(int(low), int(high)) for low, high in zip(view.lows_ns, view.highs_ns, strict=True) if low == 0] == [
        (0, 0)
    ]
    assert ((view.lows_ns < 0) == (view.highs_ns < 0)).all()


def test_bins_are_joined_by_as_few_as_it_takes() -> None:
    view = view_of(bell(1_000), resolution_ns=1_000)
    for width in (view.counts.size, view.counts.size - 1, view.counts.size // 2, 7, 1):
        edges, counts = view.histogram(width)
        each = -(-view.counts.size // width)
        assert np.diff(edges).tolist() == [each * view.quantum_ns] * counts.size
        assert (int(edges[0]), counts.size) == (view.low_ns, -(-view.counts.size // each))
        assert counts.tolist() == [int(view.counts[at * each : at * each + each].sum()) for at in range(counts.size)]
