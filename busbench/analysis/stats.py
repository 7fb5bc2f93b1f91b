"""Mean, standard deviation and lag-1 autocorrelation of a long column, without long temporaries."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from busbench.model import F64, I64

BLOCK = 1 << 16  # values per block: as many as fit in a processor's cache


def dot(a: F64, b: F64) -> float:
    """Inner product of short columns, float64 (N,), without the linear algebra library, whose threads cost more."""
    return float(np.einsum("i,i", a, b))


def block_steps(values: I64) -> Iterator[tuple[int, I64]]:
    """The steps between neighbours of a long column, block by block, with the index of each block's first."""
    for at in range(0, values.size - 1, BLOCK):
        yield at, np.diff(values[at : at + BLOCK + 1])


def low_quantile(values: F64, share: float) -> float:
    """np.quantile for a share below one half, from the two values it needs."""
    low, part = divmod((values.size - 1) * share, 1)
    at = int(low) + 1
    found = np.partition(values, min(at, values.size - 1))
    first, second = float(found[:at].max()), float(found[min(at, values.size - 1)])
    step = second - first
    return first + step * part if part < 0.5 else second - step * (1 - part)


@dataclass(frozen=True, slots=True)
class Spread:
    """Spread of a column."""

    count: int
    mean: float
    sd: float  # standard deviation with count - 1
    low: float
    high: float
    lag1: float | None  # autocorrelation at lag 1, None if the column does not vary

    @property
    def rms(self) -> float:
        """Root of the mean square deviation from the mean."""
        return self.sd * math.sqrt((self.count - 1) / self.count)


def spread(values: NDArray[np.number]) -> Spread:
    """Calculate the spread of a column.

    Args:
        values: (N,), N > 0. Integers are summed exactly.

    Source: NIST StRD, univariate summary statistics: sample mean, standard
    deviation with N - 1, lag-1 autocorrelation over deviations from the mean.
    """
    count = values.size
    total = sum(values[at : at + BLOCK].sum(dtype=_sum_type(values)).item() for at in range(0, count, BLOCK))
    # Deviations from a value near the mean stay small; the remainder is subtracted at the end.
    base = values.dtype.type(round(total / count)) if values.dtype.kind in "iu" else np.float64(total / count)
    off = (total - count * base.item()) / count
    squares = products = 0.0
    for at in range(0, count, BLOCK):
        part = (values[at : at + BLOCK + 1] - base).astype(np.float64) - off
        inside = part[:BLOCK]
        squares += dot(inside, inside)
        products += dot(part[:-1], part[1:])
    return Spread(
        count,
        base.item() + off,
        math.sqrt(squares / (count - 1)) if count > 1 else 0.0,
        values.min().item(),
        values.max().item(),
        products / squares if squares else None,
    )


def _sum_type(values: NDArray[np.number]) -> type:
    return np.int64 if values.dtype.kind in "iu" else np.float64


def quantiles(values: NDArray[np.int32], at: Sequence[float]) -> list[int]:
    """Order statistics of a long column, by counting: value number round(q (N - 1)) for each q from 0 to 1."""
    low, high = int(values.min()), int(values.max())
    shift = max(0, (high - low).bit_length() - 16)
    counts = np.zeros((high - low >> shift) + 1, np.int64)
    for start in range(0, values.size, BLOCK):
        part = values[start : start + BLOCK].astype(np.int64)
        part -= low
        counts += np.bincount(part >> shift, minlength=counts.size)
    upto = np.cumsum(counts)
    found = []
    for rank in (round(q * (values.size - 1)) for q in at):
        cell = int(np.searchsorted(upto, rank, "right"))
        base = low + (cell << shift)
        inside = np.sort(values[(values >= base) & (values <= base + (1 << shift) - 1)])
        found.append(int(inside[rank - (int(upto[cell - 1]) if cell else 0)]))
    return found


def ranks_s(values_ns: I64 | F64) -> dict[str, float]:
    """Smallest, median, 99th percentile and largest of values in ns, (N,), in seconds."""
    ranks = {"min": 0.0, "median": 0.5, "p99": 0.99, "max": 1.0}
    values = np.quantile(values_ns, list(ranks.values()), method="inverted_cdf")
    return {name: float(value) / 1e9 for name, value in zip(ranks, values, strict=True)}
