"""Period and jitter of two recordings: their errors from parts, and intervals, by plain computations."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest
from scipy import stats
from study_comparison import as_recording

from busbench.analysis.change import Sample
from busbench.analysis.compared_timing import MeasuredTiming, compare_jitter, compare_period, measure_timing
from busbench.analysis.jitter import Jitter
from busbench.analysis.recording import Recording
from busbench.analysis.timing import timing
from busbench.model import F64, I64, Clock, ClockKind
from busbench.wire.codec import pack_frames
from tests.analysis.adapter import exact

CHANCE = 0.006


def recorded(t_ns: I64) -> Recording:
    return as_recording(pack_frames(np.full((t_ns.size, 16), 992)), t_ns)


def ends(count: int, *, period_ns: float = 7e6, jitter_ns: float = 2e4, seed: int = 1) -> I64:
    rng = np.random.default_rng(seed)
    made: I64 = np.rint(period_ns * np.arange(count) + rng.normal(0, jitter_ns, count)).astype(np.int64)
    return made


def cut(values: F64 | I64) -> list[F64]:
    """Into twelve even parts."""
    places = np.linspace(0, values.size, 13).round().astype(int).tolist()
    return [values[low:high].astype(np.float64) for low, high in pairwise(places)]


@pytest.mark.parametrize("lost", [0, 40])
def test_errors_are_those_between_parts_of_the_recording(lost: int) -> None:
    number = np.sort(np.random.default_rng(3).choice(np.arange(1, 999), 998 - lost, replace=False))
    number = np.array([0, *number, 999])
    t_ns = ends(1000)[number]
    found = measure_timing(recorded(t_ns).timeline)
    assert found.period is not None
    slopes = [stats.linregress(n, t).slope / 1e9 for n, t in zip(cut(number), cut(t_ns), strict=True)]
    assert found.period.mean == pytest.approx((t_ns[-1] - t_ns[0]) / 999e9)
    assert found.period.error == pytest.approx(stats.sem(slopes), rel=1e-6)
    assert found.period.freedom == 11
    off = t_ns - np.polyval(np.polyfit(number, t_ns, 1), number)
    assert found.period_beside_s == pytest.approx(2 * (np.sqrt((off**2).mean()) + 100) / 999e9, rel=1e-4)
    periods = np.diff(t_ns)[np.diff(number) == 1].astype(float)
    squares = [part.mean() for part in cut((periods - periods.mean()) ** 2)]
    assert found.jitter is not None
    assert found.jitter_log is not None
    assert found.jitter_log.mean == pytest.approx(math.log(np.std(periods) / 1e9))
    assert found.jitter_log.error == pytest.approx(stats.sem(squares) / np.mean(squares) / 2, rel=1e-6)
    assert found.jitter_log.freedom == 11


@pytest.mark.parametrize(("count", "is_known"), [(191, False), (192, True), (193, True)])
def test_fewer_than_six_parts_of_32_have_no_error(count: int, is_known: bool) -> None:
    found = measure_timing(recorded(ends(count)).timeline)
    assert (found.period is not None) is is_known
    assert (found.jitter_log is not None) is (count > 192)  # a period less than frames
    assert found.jitter is not None


def test_an_even_beat_has_no_jitter_to_compare() -> None:
    found = measure_timing(recorded(ends(300, jitter_ns=0.0)).timeline)
    assert found.jitter is not None
    assert found.jitter_log is None
    nothing = measure_timing(recorded(ends(1)).timeline)
    assert nothing == MeasuredTiming(None, 0.0, None, None)


def jitter(rms_s: float, low_s: float, high_s: float) -> Jitter:
    made = timing(exact(np.cumsum([7_000_000, 7_000_000, 7_004_000])), clock=Clock(ClockKind.PER_BYTE, 1)).jitter
    assert made is not None
    values = {name: getattr(made, name) for name in Jitter.__slots__}
    return Jitter(**values | {"period_rms_s": rms_s, "period_low_s": low_s, "period_high_s": high_s})


def test_bounds_of_both_jitters_widen_the_interval() -> None:
    one, other = jitter(2e-5, 1.8e-5, 2.3e-5), jitter(3e-5, 2.6e-5, 3.1e-5)
    logs = Sample(math.log(2e-5), 0.03, 11), Sample(math.log(3e-5), 0.05, 11)
    old, new = (MeasuredTiming(None, 0.0, j, log) for j, log in zip((one, other), logs, strict=True))
    found = compare_jitter(old, new, chance=CHANCE)
    freedom = math.floor((0.03**2 + 0.05**2) ** 2 / ((0.03**4 + 0.05**4) / 11))
    width = float(stats.t.ppf(1 - CHANCE / 2, freedom)) * math.hypot(0.03, 0.05)
    # The true old one is 0.2e-5 lower to 0.3e-5 higher than it was seen, the new one 0.4e-5 lower to 0.1e-5 higher.
    low = 3e-5 * math.exp(-width) - 2e-5 - 0.4e-5 - 0.3e-5
    high = 3e-5 * math.exp(width) - 2e-5 + 0.1e-5 + 0.2e-5
    assert (found.low, found.high) == pytest.approx((low, high))
    assert found.floor == pytest.approx(max(high - 1e-5, 1e-5 - low))
    assert found.tolerance == pytest.approx((2e-5 / 1.22 - 2e-5, 2e-5 * 1.22 - 2e-5))
    assert (found.old, found.new, found.name, found.unit) == (2e-5, 3e-5, "period jitter rms", "s")


def test_the_shorter_side_of_an_interval_is_not_the_floor() -> None:
    one, other = jitter(2e-5, 1.0e-5, 2.0e-5), jitter(2e-5, 2e-5, 6e-5)
    logs = Sample(math.log(2e-5), 0.001, 11)
    old, new = (MeasuredTiming(None, 0.0, j, logs) for j in (one, other))
    found = compare_jitter(old, new, chance=CHANCE)
    assert found.floor == pytest.approx(5e-5, rel=0.01)
    back = compare_jitter(new, old, chance=CHANCE)
    assert back.floor == pytest.approx(5e-5, rel=0.01)


def test_jitter_that_one_recording_does_not_show_is_not_judged() -> None:
    known = MeasuredTiming(None, 0.0, jitter(2e-5, 1e-5, 3e-5), Sample(math.log(2e-5), 0.03, 11))
    none = MeasuredTiming(None, 0.0, None, None)
    few = MeasuredTiming(None, 0.0, jitter(3e-5, 1e-5, 4e-5), None)
    for old, new, values in ((known, none, (2e-5, None)), (none, known, (None, 2e-5)), (none, none, (None, None))):
        found = compare_jitter(old, new, chance=CHANCE)
        assert ((found.old, found.new), found.floor, found.tolerance) == (values, None, (0.0, 0.0))
    for old, new in ((known, few), (few, known)):
        found = compare_jitter(old, new, chance=CHANCE)
        assert (found.floor, found.low, found.high) == (None, None, None)
        assert found.tolerance[0] < 0 < found.tolerance[1]


def test_what_matters_of_a_period() -> None:
    old = MeasuredTiming(Sample(0.007, 1e-9, 11), 3e-9, None, None)
    new = MeasuredTiming(Sample(0.0070001, 1.1e-9, 11), 5e-9, None, None)
    found = compare_period(old, new, chance=0.005)
    assert found.tolerance == pytest.approx((-3.5e-6, 3.5e-6))  # a two thousandth
    assert found.floor == pytest.approx(float(stats.t.ppf(0.9975, 21)) * math.hypot(1e-9, 1.1e-9) + 8e-9)
    assert (found.name, found.unit, found.old, found.new) == ("period", "s", 0.007, 0.0070001)
    none = compare_period(MeasuredTiming(None, 0.0, None, None), new, chance=0.005)
    assert (none.old, none.new, none.floor, none.tolerance) == (None, 0.0070001, None, (0.0, 0.0))
