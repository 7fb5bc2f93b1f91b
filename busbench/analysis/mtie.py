"""MTIE of a frame period from its time errors, over octaves.

Source: ITU-T G.810.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

import numpy as np
from numpy.typing import NDArray

from busbench.analysis.stats import BLOCK

_COARSE_FROM = 1024  # windows of more samples than this are taken in coarse steps
_COARSE = 16


def mtie(runs: Iterable[NDArray[np.signedinteger]]) -> list[tuple[int, int]]:
    """Maximum time interval error over octave windows.

    For a window of n intervals it is the largest, over all k, of max - min of
    x[k..k+n]. Windows of more than 1024 intervals start and end on every 16th
    sample and take in the samples between, so they are at most 16 longer.

    Args:
        runs: time errors on an even frame period, integers (N,) each; no window spans
            two runs. They are overwritten.

    Returns:
        (n, value) for n = 1, 2, 4 … as far as the samples go.

    Source: ITU-T G.810.
    """
    widest: dict[int, int] = {}
    for x in runs:
        for n, value in _mtie_of_run(x):
            widest[n] = max(widest.get(n, 0), value)
    return sorted(widest.items())


def _mtie_of_run(x: NDArray[np.signedinteger]) -> Iterator[tuple[int, int]]:
    high, low = x, x.copy()  # max and min of the window that starts at each sample
    n = 1
    while n < x.size and n <= _COARSE_FROM:
        size = x.size - n
        _fold(high, max(1, n // 2), size, np.maximum)
        _fold(low, max(1, n // 2), size, np.minimum)
        yield n, _widest(high[:size], low[:size])
        n *= 2
    if n >= x.size:
        return
    size = (x.size - n // 2) // _COARSE * _COARSE
    high, low = high[:size].reshape(-1, _COARSE).max(1), low[:size].reshape(-1, _COARSE).min(1)
    while n < x.size and n // 2 // _COARSE < high.size:
        shift = n // 2 // _COARSE
        high, low = np.maximum(high[:-shift], high[shift:]), np.minimum(low[:-shift], low[shift:])
        yield n, _widest(high, low)
        n *= 2


def _fold(values: NDArray[np.signedinteger], shift: int, size: int, take: np.ufunc) -> None:
    """values[i] = take(values[i], values[i + shift]) for i < size, in place, front to back."""
    for start in range(0, size, BLOCK):
        stop = min(start + BLOCK, size)
        values[start:stop] = take(values[start:stop], values[start + shift : stop + shift])


def _widest(high: NDArray[np.signedinteger], low: NDArray[np.signedinteger]) -> int:
    return max(int((high[at : at + BLOCK] - low[at : at + BLOCK]).max()) for at in range(0, high.size, BLOCK))
