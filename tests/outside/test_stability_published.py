"""Cycle-to-cycle jitter and MTIE against NIST SP 1065 and the reference library allantools.

The change between two adjacent periods is the second difference of the time errors,
so its rms is the square root of 2 times tau times the Allan deviation at one period
(SP 1065, 5.2.1).
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from busbench.analysis.jitter import Jitter
from busbench.analysis.mtie import mtie
from busbench.analysis.timing import timing
from busbench.model import I64, Clock, ClockKind
from tests.analysis.adapter import exact

# W. J. Riley, Handbook of Frequency Stability Analysis, NIST SP 1065, tables 30 and 31: points and ADEV at m = 1.
NINE, NINE_ADEV = [892, 809, 823, 798, 671, 644, 883, 903, 677], 91.22945
THOUSAND_ADEV = 0.2922319
SCALE = 1_000_000  # ns for each unit of the thousand points, which lie between 0 and 1


def thousand() -> list[float]:
    n, points = 1234567890, []
    for _ in range(1000):
        points.append(n / 2147483647)
        n = 16807 * n % 2147483647
    return points


def jitter_of(ends_ns: I64) -> Jitter:
    jitter = timing(exact(ends_ns), clock=Clock(ClockKind.PER_BYTE, 1)).jitter
    assert jitter is not None
    return jitter


def test_the_thousand_points_are_those_published() -> None:
    assert [round(y * 2147483647) for y in thousand()[:4]] == [1234567890, 395529916, 1209410747, 633705974]


@pytest.mark.parametrize(
    ("points", "unit_ns", "adev"), [(NINE, 1, NINE_ADEV), (thousand(), SCALE, THOUSAND_ADEV)], ids=["nine", "thousand"]
)
def test_cycle_jitter_is_the_published_deviation(points: list[float], unit_ns: int, adev: float) -> None:
    periods_ns = 14_000_000 + np.rint(np.multiply(points, unit_ns)).astype(np.int64)
    found = jitter_of(np.concatenate([[0], np.cumsum(periods_ns)]))
    assert found.cycle_rms_s == pytest.approx(math.sqrt(2) * adev * unit_ns * 1e-9, rel=1e-6)


def test_timing_against_allantools() -> None:
    """The figures of `timing`, its time errors taken against numpy's own line of least squares."""
    import allantools

    rng = np.random.default_rng(1)
    ends_ns = np.cumsum(7_000_000 + rng.integers(-40_000, 40_001, 501))
    found, tau_s = jitter_of(ends_ns), float(np.diff(ends_ns).mean()) * 1e-9
    _, (adev,), *_ = allantools.adev(ends_ns * 1e-9, rate=1 / tau_s, data_type="phase", taus=[tau_s])
    assert found.cycle_rms_s == pytest.approx(math.sqrt(2) * tau_s * float(adev), rel=1e-6)
    slots = np.arange(ends_ns.size)
    error_ns = ends_ns - np.polyval(np.polyfit(slots, ends_ns, 1), slots)
    windows = [1, 2, 4, 8, 16, 32, 64, 128]
    _, wanted_ns, *_ = allantools.mtie(error_ns, rate=1.0, data_type="phase", taus=windows)
    assert [tau for tau, _ in found.mtie_s[:8]] == pytest.approx([n * tau_s for n in windows], rel=1e-6)
    assert [value for _, value in found.mtie_s[:8]] == pytest.approx(wanted_ns * 1e-9, abs=2e-9)


def test_mtie_against_allantools() -> None:
    import allantools

    x = np.random.default_rng(2).integers(-5000, 5000, 700)
    theirs = allantools.mtie(x.astype(float), rate=1.0, data_type="phase", taus=[1, 2, 4, 8, 16, 32, 64, 128, 256])
    assert dict(mtie([x.astype(np.int32)])) == {
        **dict(zip(theirs[0].astype(int).tolist(), theirs[1].tolist(), strict=True)),
        512: int(max(np.ptp(x[k : k + 513]) for k in range(700 - 512))),
    }


def test_mtie_of_long_windows_is_bounded_by_the_definition() -> None:
    """Windows beyond 1024 are up to 16 longer than said (ITU-T G.810 by brute force)."""
    x = np.cumsum(np.random.default_rng(3).integers(-50, 51, 9000)).astype(np.int32)

    def brute(n: int) -> int:
        return int(max(np.ptp(x[k : k + n + 1]) for k in range(x.size - n)))

    for n, value in mtie([x.copy()]):
        if n <= 1024:
            assert value == brute(n)
        else:
            assert brute(n - 16) <= value <= brute(n + 16)
