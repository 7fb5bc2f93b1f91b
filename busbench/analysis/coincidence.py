"""Outages of several receivers that listened at the same time: which coincide, and whether by chance.

Receivers that fail for a cause of their own lose frames independently of one another; a common cause (the
transmitter, one antenna, one supply) makes losses coincide. Losses come in bursts, so a test that takes each frame by
itself finds "dependence" everywhere. Here each receiver keeps all its outages as they lie, and the receivers are
shifted against one another in a circle: what coincides then coincides by chance, bursts or no bursts.

Source: circular shifts keep the dependence inside a series and break that between series: the circular block bootstrap
(D. Politis, J. Romano, 1992) with one block of the whole length, here without replacement.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Literal

import numpy as np

from busbench.analysis.binomial import loss_bounds
from busbench.errors import pluralize
from busbench.model import F64, I64

Independent = Literal["yes", "no", "cannot tell"]
JOINED_PERIODS = 10  # outages nearer than that are one burst
NEAR_PERIODS = 1  # bursts nearer than that coincide: the frames of two receivers come at different times
CHANCE = 0.02  # of calling independent receivers dependent
COMMON_MOST = 1 / 3  # "yes" needs the share of common bursts below this, by the 95 % limit
_SHIFTS_MOST, _SHIFTS_LEAST = 999, 99
_LOOKUPS = 4_000_000
_SEED = 20_240_711


@dataclass(frozen=True, slots=True)
class Overlap:
    """A time in which several sources were out at once.

    Args:
        start_s, end_s: from the zero of all times.
        sources: their numbers, from 0.
    """

    start_s: float
    end_s: float
    sources: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Coincidence:
    """How the outages of several sources lie to one another, in the time that all of them recorded.

    Args:
        start_s, end_s: that time, from the zero of all times; of no length where there is none.
        overlaps: when two or more were out, in their order.
        uncovered_s: in which all were out.
        longest_uncovered_s: the longest run of it.
        expected_by_chance_s: as much of it is expected of independent receivers with outages of these lengths.
        independent: "yes" where less than COMMON_MOST of the bursts can be common, "no" where more coincide than
            chance explains, "cannot tell" where too few came.
        bursts: of the receiver of each pair that has fewer, all pairs together.
        coincident: of these, how many coincide with one of the other receiver.
        coincident_by_chance: as many are expected of independent receivers.
        p_value: the chance of so many or more, of independent receivers; 1 without bursts.
        common_ratio_upper95: 95 % upper confidence limit of the share of common bursts.
    """

    start_s: float
    end_s: float
    overlaps: tuple[Overlap, ...]
    uncovered_s: float
    longest_uncovered_s: float
    expected_by_chance_s: float
    independent: Independent
    bursts: int
    coincident: int
    coincident_by_chance: float
    p_value: float
    common_ratio_upper95: float

    @property
    def counts(self) -> str:
        """How many coincide, and how many by chance, in words."""
        verb = "coincides" if self.coincident == 1 else "coincide"
        return (
            f"{self.coincident:,} of {pluralize(self.bursts, 'burst')} {verb},"
            f" {self.coincident_by_chance:.3g} expected by chance"
        )

    def to_json(self) -> dict[str, object]:
        """Plain values with units in the keys."""
        out: dict[str, object] = {name: getattr(self, name) for name in self.__slots__}
        out["overlaps"] = [
            {"start_s": one.start_s, "end_s": one.end_s, "sources": list(one.sources)} for one in self.overlaps
        ]
        return out


def find_coincidence(
    outages: Sequence[I64], spans: Sequence[tuple[int, int]], *, period_ns: float, seed: int = _SEED
) -> Coincidence:
    """Lay the outages of several sources beside one another.

    Args:
        outages: start and end of each outage of each source, int64 (N, 2), in ns from one zero, any order.
        spans: begin and end of each recording, in ns from the same zero.
        period_ns: the longest frame period of the sources.
        seed: of the random shifts; the same gives the same result.
    """
    start, end = max(span[0] for span in spans), min(span[1] for span in spans)
    end = max(start, end)
    sources = [join_spans(_clipped(one, start, end), 0) for one in outages]
    overlaps, uncovered = find_overlaps(sources)
    length = float(end - start)
    shares = [float((one[:, 1] - one[:, 0]).sum()) / length if length else 0.0 for one in sources]
    bursts = [join_spans(one, round(JOINED_PERIODS * period_ns)) - start for one in sources]
    test = _Shifts(bursts, round(length), near_ns=round(NEAR_PERIODS * period_ns), seed=seed).test()
    return Coincidence(
        start / 1e9,
        end / 1e9,
        overlaps,
        uncovered_s=sum(uncovered) / 1e9,
        longest_uncovered_s=max(uncovered, default=0) / 1e9,
        expected_by_chance_s=math.prod(shares) * length / 1e9,
        independent=test.verdict,
        bursts=test.bursts,
        coincident=test.coincident,
        coincident_by_chance=test.mean,
        p_value=test.p_value,
        common_ratio_upper95=test.common_upper,
    )


def _clipped(spans: I64, start: int, end: int) -> I64:
    spans = np.clip(spans.reshape(-1, 2), start, end)
    return spans[spans[:, 1] > spans[:, 0]]


def join_spans(spans: I64, near: int) -> I64:
    """Spans in order; those that are no farther apart than `near` become one, int64 (M, 2)."""
    if not len(spans):
        return spans
    spans = spans[np.argsort(spans[:, 0], kind="stable")]
    ends = np.maximum.accumulate(spans[:, 1])
    first = np.append(True, spans[1:, 0] > ends[:-1] + near)
    last = np.append(first[1:], True)
    return np.column_stack([spans[first, 0], ends[last]])


def find_overlaps(sources: Sequence[I64]) -> tuple[tuple[Overlap, ...], list[int]]:
    """When two or more sources are out at once, and the lengths in ns of the times in which all are.

    Args:
        sources: outages of each, from join_spans, int64 (N, 2), in ns.
    """
    edges = np.concatenate([one.ravel() for one in sources])
    which = np.repeat(np.arange(len(sources)), [one.size for one in sources])
    change = np.concatenate([np.tile([1, -1], len(one)) for one in sources])
    order = np.lexsort((change, edges))
    edges, which, change = edges[order], which[order], change[order]
    found: list[Overlap] = []
    uncovered: list[int] = []
    out: set[int] = set()
    for at, (place, source, step) in enumerate(zip(edges.tolist(), which.tolist(), change.tolist(), strict=True)):
        out = out | {source} if step > 0 else out - {source}
        after = int(edges[at + 1]) if at + 1 < edges.size else place
        if len(out) < 2 or after == place:
            continue
        found.append(Overlap(place / 1e9, after / 1e9, tuple(sorted(out))))
        if len(out) == len(sources):
            uncovered.append(after - place)
    return tuple(found), uncovered


@dataclass(frozen=True, slots=True)
class _Test:
    verdict: Independent
    bursts: int
    coincident: int
    mean: float
    p_value: float
    common_upper: float


class _Shifts:
    """Coincidences of bursts, as they lie and with the sources shifted in a circle.

    Args:
        bursts: of each source, int64 (N, 2), from 0 to the length.
        length: of the time that all recorded, in ns.
        near_ns: bursts nearer than that coincide.
    """

    def __init__(self, bursts: Sequence[I64], length: int, *, near_ns: int, seed: int) -> None:
        self._length, self._near = max(1, length), near_ns
        pairs = [sorted(pair, key=len) for pair in combinations(bursts, 2)]
        self._pairs = [(few, _circle(many, self._length)) for few, many in pairs if len(few)]
        self._bursts = sum(len(few) for few, _ in self._pairs)
        self._random = np.random.default_rng(seed)

    def test(self) -> _Test:
        """Hold what coincides against chance."""
        if not self._bursts:
            return _Test("cannot tell", 0, 0, 0.0, 1.0, 1.0)
        count = int(np.clip(_LOOKUPS // self._bursts, _SHIFTS_LEAST, _SHIFTS_MOST))
        shifts = self._random.integers(0, self._length, (count, len(self._pairs)))
        by_chance = sum(
            (self._coincident(few, circle, shifts[:, i]) for i, (few, circle) in enumerate(self._pairs)),
            start=np.zeros(count),
        )
        unshifted = np.zeros(1, np.int64)
        coincident = int(sum(self._coincident(few, circle, unshifted)[0] for few, circle in self._pairs))
        mean = float(by_chance.mean())
        p_value = (1 + int((by_chance >= coincident).sum())) / (count + 1)
        upper = self._common_upper(coincident, mean, float(by_chance.var()))
        if p_value <= CHANCE:
            return _Test("no", self._bursts, coincident, mean, p_value, upper)
        verdict: Independent = "yes" if upper < COMMON_MOST else "cannot tell"
        return _Test(verdict, self._bursts, coincident, mean, p_value, upper)

    def _coincident(self, few: I64, circle: I64, shifts: I64) -> F64:
        """How many bursts of one source coincide with some of the other, for each shift, (S,)."""
        start = (few[:, 0] + shifts[:, None]) % self._length
        end = start + (few[:, 1] - few[:, 0])
        before = np.searchsorted(circle[:, 0], end + self._near)  # as many begin before its end
        latest = np.append(np.iinfo(np.int64).min, circle[:, 1])[before]
        return np.asarray((latest > start - self._near).sum(axis=1), np.float64)

    def _common_upper(self, coincident: int, mean: float, variance: float) -> float:
        """95 % upper confidence limit of the share of bursts that are common.

        Bursts come in groups too: what varies more by chance than single bursts would counts for fewer of them.
        """
        share = mean / self._bursts
        single = mean * (1 - share)
        group = max(1.0, variance / single) if single > 0 else 1.0
        total = max(1, int(self._bursts / group))
        upper = loss_bounds(min(total, math.ceil(coincident / group)), total).upper_one_sided
        return max(0.0, (upper - share) / (1 - share)) if share < 1 else 1.0


def _circle(spans: I64, length: int) -> I64:
    """Spans three times around, so that one that is shifted over the end finds its neighbours."""
    return np.concatenate([spans - length, spans, spans + length])
