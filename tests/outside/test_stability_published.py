"""MTIE and the Allan family against NIST SP 1065 and the reference library allantools."""

from __future__ import annotations

from collections.abc import Sequence

import allantools
import numpy as np
import pytest

from busbench.analysis.stability import adev, mdev, mtie, oadev, tdev

# W. J. Riley, Handbook of Frequency Stability Analysis, NIST SP 1065, tables 30 and 31.
NINE = [892, 809, 823, 798, 671, 644, 883, 903, 677]
NINE_M1_M2 = {
    adev: (91.22945, 115.8082),
    oadev: (91.22945, 85.95287),
    mdev: (91.22945, 74.78849),
    tdev: (52.67135, 86.35831),
}
THOUSAND_M1_M10_M100 = {
    adev: (0.2922319, 0.09965736, 0.03897804),
    oadev: (0.2922319, 0.09159953, 0.03241343),
    tdev: (0.1687202, 0.3563623, 1.253382),
}


def phase(frequency: Sequence[float]) -> np.ndarray:
    return np.concatenate([[0.0], np.cumsum(frequency)])


def thousand() -> list[float]:
    n, points = 1234567890, []
    for _ in range(1000):
        points.append(n / 2147483647)
        n = 16807 * n % 2147483647
    return points


def test_the_thousand_points_are_those_published() -> None:
    assert [round(y * 2147483647) for y in thousand()[:4]] == [1234567890, 395529916, 1209410747, 633705974]


@pytest.mark.parametrize("deviation", NINE_M1_M2, ids=lambda f: f.__name__)
def test_nine_points(deviation) -> None:  # type: ignore[no-untyped-def]
    for m, published in zip((1, 2), NINE_M1_M2[deviation], strict=True):
        assert deviation(phase(NINE), tau=1.0, m=m) == pytest.approx(published, rel=1e-6)


@pytest.mark.parametrize("deviation", THOUSAND_M1_M10_M100, ids=lambda f: f.__name__)
def test_thousand_points(deviation) -> None:  # type: ignore[no-untyped-def]
    for m, published in zip((1, 10, 100), THOUSAND_M1_M10_M100[deviation], strict=True):
        assert deviation(phase(thousand()), tau=1.0, m=m) == pytest.approx(published, rel=1e-6)


@pytest.mark.parametrize("ours", [adev, oadev, mdev, tdev], ids=lambda f: f.__name__)
def test_against_allantools(ours) -> None:  # type: ignore[no-untyped-def]
    x = np.cumsum(np.random.default_rng(1).normal(size=500)) * 1e-6
    theirs = getattr(allantools, ours.__name__)(x, rate=1 / 0.007, data_type="phase", taus=[0.007 * 8])
    assert ours(x, tau=0.007, m=8) == pytest.approx(float(theirs[1][0]), rel=1e-9)


def test_mtie_against_allantools() -> None:
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
