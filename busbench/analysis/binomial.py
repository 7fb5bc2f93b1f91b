"""Confidence bounds of a loss ratio.

The bounds are the exact ones of Clopper and Pearson, so they hold at zero losses
too. They assume that frames are lost independently of their neighbours; losses that
come in bursts make them too narrow.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

_HALF_LOG_TAU = 0.5 * math.log(2.0 * math.pi)
_STEPS = 200  # max iterations; bisection alone needs about 60


@dataclass(frozen=True, slots=True)
class LossBounds:
    """A loss ratio and its bounds.

    Args:
        lost, total: the counts.
        confidence: probability that such an interval contains the true ratio.
        ratio: lost / total, None if nothing was expected.
        lower, upper: bounds of the true ratio, two-sided.
        upper_one_sided: upper confidence limit, one-sided, at the same confidence.
    """

    lost: int
    total: int
    confidence: float
    ratio: float | None
    lower: float
    upper: float
    upper_one_sided: float


def loss_bounds(lost: int, total: int, *, confidence: float = 0.95) -> LossBounds:
    """Bound the true loss ratio, given a count.

    Args:
        lost: frames lost, 0 to total.
        total: frames expected; with none, the bounds are 0 and 1.
        confidence: 0.5 or more, below 1.

    Returns:
        The ratio and its bounds.

    Raises:
        ValueError: lost is not within 0 to total, or confidence is out of range.

    Source: C. Clopper, E. Pearson, Biometrika 26 (1934) 404: each bound is the
    ratio at which a count so far off has the chance that is left over.
    """
    if not 0 <= lost <= total:
        raise ValueError(f"lost is {lost}, not within 0 to {total}")
    if not 0.5 <= confidence < 1.0:
        raise ValueError(f"confidence is {confidence}, not within 0.5 to 1")
    rest = 1.0 - confidence
    return LossBounds(
        lost,
        total,
        confidence,
        lost / total if total else None,
        _lower(lost, total, rest / 2.0),
        _upper(lost, total, rest / 2.0),
        _upper(lost, total, rest),
    )


def _lower(count: int, total: int, chance: float) -> float:
    """The ratio at which `count` or more losses have the given probability."""
    if count == 0:
        return 0.0
    if count == total:
        return math.exp(math.log(chance) / total)
    return _solve(count, total, chance, is_lower=True)


def _upper(count: int, total: int, chance: float) -> float:
    """The ratio at which `count` or fewer losses have the given probability."""
    if count == total:
        return 1.0
    if count == 0:
        return -math.expm1(math.log(chance) / total)
    return _solve(count, total, chance, is_lower=False)


def _solve(count: int, total: int, chance: float, *, is_lower: bool) -> float:
    """Newton's method on the logarithm of the tail, bracketed by bisection.

    At count / total the tail is at least one half, so the root is beyond it.
    """
    ratio = count / total
    low, high = (0.0, ratio) if is_lower else (ratio, 1.0)
    aim = math.log(chance)
    for _ in range(_STEPS):
        terms = _tail_terms(count, total, ratio, is_lower=is_lower)
        excess = _log_mass(count, total, ratio) + math.log(terms) - aim
        if (excess > 0.0) is is_lower:
            high = ratio
        else:
            low = ratio
        slope = count / ratio / terms if is_lower else -(total - count) / (1.0 - ratio) / terms
        guess = ratio - excess / slope
        if not low < guess < high:
            guess = 0.5 * (low + high)
        if abs(guess - ratio) <= 2e-16 * guess:
            break
        ratio = guess
    return ratio


def _tail_terms(count: int, total: int, ratio: float, *, is_lower: bool) -> float:
    """The binomial tail from count, upwards (is_lower) or downwards, relative to its first term.

    All terms are positive, and they decrease fast because count lies in the tail:
    about ten standard deviations of them are needed.
    """
    odds = ratio / (1.0 - ratio)
    term = tail = 1.0
    if is_lower:
        for k in range(count, total):
            term *= (total - k) / (k + 1) * odds
            tail += term
            if term < 1e-17 * tail:
                break
    else:
        for k in range(count, 0, -1):
            term *= k / (total - k + 1) / odds
            tail += term
            if term < 1e-17 * tail:
                break
    return tail


def _log_mass(count: int, total: int, ratio: float) -> float:
    """Logarithm of the binomial probability of a count, 0 < count < total.

    Source: C. Loader, Fast and accurate computation of binomial probabilities
    (2000): deviances, so that no large numbers cancel. From memory.
    """
    rest = total - count
    return (
        _stirling_error(total)
        - _stirling_error(count)
        - _stirling_error(rest)
        - _deviance(count, total * ratio)
        - _deviance(rest, total * (1.0 - ratio))
        + 0.5 * (math.log(total) - math.log(count) - math.log(rest))
        - _HALF_LOG_TAU
    )


def _stirling_error(n: int) -> float:
    """log n! minus Stirling's formula."""
    if n < 16:
        return math.lgamma(n + 1.0) - (n + 0.5) * math.log(n) + n - _HALF_LOG_TAU
    square = float(n) * n
    return (1 / 12 - (1 / 360 - (1 / 1260 - (1 / 1680 - 1 / 1188 / square) / square) / square) / square) / n


def _deviance(count: float, mean: float) -> float:
    """count log(count / mean) + mean - count, also exact near count = mean."""
    far, both = count - mean, count + mean
    if abs(far) >= 0.1 * both:
        return count * math.log(count / mean) - far
    v = far / both
    result, term, k = far * v, 2.0 * count * v, 1
    while True:
        term *= v * v
        k += 2
        more = result + term / k
        if more == result:
            return result
        result = more
