"""The bounds of a loss ratio against published tables and a reference library."""

import pytest

from busbench.analysis.binomial import loss_bounds


def test_nist_handbook() -> None:
    # NIST/SEMATECH e-Handbook of Statistical Methods, 7.2.4.2: 4 of 20 at 90 %.
    bounds = loss_bounds(4, 20, confidence=0.90)
    # Its worked search stops at 0.401029; the root is 0.4010281.
    assert bounds.lower == pytest.approx(0.071354, abs=1e-6)
    assert bounds.upper == pytest.approx(0.401029, abs=1e-6)


@pytest.mark.parametrize(
    ("lost", "total", "lower", "upper"),
    [(81, 263, 0.2527, 0.3676), (15, 148, 0.0578, 0.1617), (0, 20, 0.0, 0.1684)],
)
def test_newcombe(lost: int, total: int, lower: float, upper: float) -> None:
    # R. Newcombe, Statistics in Medicine 17 (1998) 857, table I, exact method, 95 %.
    bounds = loss_bounds(lost, total)
    assert bounds.lower == pytest.approx(lower, abs=5e-5)
    assert bounds.upper == pytest.approx(upper, abs=5e-5)


def test_zero_losses() -> None:
    # The rule of "three over n": one-sided 95 % at zero of n is 1 - 0.05^(1/n).
    assert loss_bounds(0, 300).upper_one_sided == pytest.approx(0.009936, abs=5e-7)


@pytest.mark.parametrize("confidence", [0.5, 0.95, 0.999])
@pytest.mark.parametrize("total", [1, 2, 7, 148, 5000])
def test_scipy_binomtest(total: int, confidence: float) -> None:
    from scipy.stats import binomtest

    # scipy.stats.binomtest, exact method; its root finder stops at 2e-12.
    for lost in sorted({0, 1, 3, total // 9, total // 2, total - 1, total} & set(range(total + 1))):
        ours = loss_bounds(lost, total, confidence=confidence)
        theirs = binomtest(lost, total).proportion_ci(confidence, "exact")
        assert ours.lower == pytest.approx(theirs.low, abs=1e-11)
        assert ours.upper == pytest.approx(theirs.high, abs=1e-11)
        below = binomtest(lost, total, alternative="less").proportion_ci(confidence, "exact")
        assert ours.upper_one_sided == pytest.approx(below.high, abs=1e-11)


@pytest.mark.parametrize("lost", [1, 5, 300, 1_000_000, 12_339_999])
def test_scipy_beta(lost: int) -> None:
    from scipy.stats import beta

    # scipy.stats.beta, whose quantiles are the bounds; for few of so many it is right to about 1e-10.
    total = 12_340_000
    ours = loss_bounds(lost, total)
    assert ours.lower == pytest.approx(beta.ppf(0.025, lost, total - lost + 1), rel=1e-9)
    assert ours.upper == pytest.approx(beta.isf(0.025, lost + 1, total - lost), rel=1e-9)
    assert ours.upper_one_sided == pytest.approx(beta.isf(0.05, lost + 1, total - lost), rel=1e-9)
