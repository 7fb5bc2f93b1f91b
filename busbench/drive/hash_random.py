"""Random numbers by index: they depend only on seed and index, so blocks may be cut anywhere."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from busbench.model import F64, I64

_MULTIPLIERS = ((30, 0xBF58476D1CE4E5B9), (27, 0x94D049BB133111EB))


def hash_uint64(place: I64, *, seed: int) -> NDArray[np.uint64]:
    """64 random bits per index.

    Args:
        place: the indices, int64.
        seed: 0 to 2**63 - 1.

    Source: the finaliser of the SplitMix64 generator (Steele, Lea, Flood 2014), constants from memory.
    """
    x = place.astype(np.uint64) + np.uint64((seed + 1) * 0x9E3779B97F4A7C15 % 2**64)
    for shift, factor in _MULTIPLIERS:
        x = (x ^ (x >> np.uint64(shift))) * np.uint64(factor)
    return x ^ (x >> np.uint64(31))


def hash_unit(place: I64, *, seed: int) -> F64:
    """A number in [0, 1) per index, float64; see hash_uint64."""
    return (hash_uint64(place, seed=seed) >> np.uint64(11)).astype(np.float64) / 2.0**53
