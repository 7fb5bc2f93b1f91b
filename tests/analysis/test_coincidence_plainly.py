"""What coincides of several receivers beside plain computations: every burst against every other."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from scipy import stats

from busbench.analysis import coincidence
from busbench.analysis.coincidence import Coincidence, find_coincidence, join_spans
from busbench.model import F64, I64
from tests.analysis.test_coincidence import S, spans

PERIOD_NS = 10_000_000
MS = 1_000_000
Spans = list[tuple[int, int]]
Outages = list[tuple[float, float]]


def beside(*sources: Outages, length_s: float = 100.0) -> Coincidence:
    made = [spans(*one) for one in sources]
    return find_coincidence(made, [(0, round(length_s * S))] * len(made), period_ns=PERIOD_NS)


@pytest.mark.parametrize(("gap_ms", "bursts"), [(100, 1), (101, 2)])
def test_outages_within_ten_periods_are_one_burst(gap_ms: float, bursts: int) -> None:
    made = beside([(10.0, 10.05), (10.05 + gap_ms / 1e3, 10.2)], [(30.0, 30.1), (50.0, 50.1), (70.0, 70.1)])
    assert made.bursts == bursts


@pytest.mark.parametrize(("gap_ms", "coincident"), [(9, 1), (10, 0), (-9, 1), (-10, 0), (-200, 0)])
def test_bursts_nearer_than_a_period_coincide(gap_ms: float, coincident: int) -> None:
    """One ends at 20.1 s, the other begins there, or the other way about."""
    first, other = (20.0, 20.1), (20.1 + gap_ms / 1e3, 20.3)
    if gap_ms < 0:
        first, other = (20.1 - gap_ms / 1e3, 20.3), (20.0, 20.1)
    assert beside([first], [other, (60.0, 60.2)]).coincident == coincident


def test_the_verdict_needs_bursts_and_names_pairs_once() -> None:
    none = beside([], [(1.0, 2.0)])
    assert (none.independent, none.bursts, none.coincident, none.p_value) == ("cannot tell", 0, 0, 1.0)
    assert (none.coincident_by_chance, none.common_ratio_upper95) == (0.0, 1.0)
    three = beside([(1.0, 1.1)], [(1.0, 1.1), (5.0, 5.1)], [(1.0, 1.1), (7.0, 7.1), (9.0, 9.1)])
    assert (three.bursts, three.coincident) == (1 + 1 + 2, 3)  # of each pair the receiver with fewer


def random_bursts(seed: int, count: int, *, length_s: float = 100.0, widest_s: float = 0.4) -> Outages:
    """At least a second apart from begin to begin."""
    rng = np.random.default_rng(seed)
    starts = np.sort(rng.uniform(0, length_s - count - 1, count)) + np.arange(count)
    return [(float(at), float(at + rng.uniform(0.01, widest_s))) for at in starts]


@pytest.mark.parametrize(("few", "many"), [(6, 30), (15, 15), (40, 60)])
def test_as_many_coincide_by_chance_as_the_circle_is_covered(few: int, many: int) -> None:
    """A burst that is shifted anywhere meets another with the chance of its length, both margins and theirs."""
    one, other = random_bursts(1, few), random_bursts(2, many)
    found = beside(one, other)
    margin = 2 * PERIOD_NS / S
    expected = 0.0
    for begin, end in one:
        reach = [(b - (end - begin) - margin / 2, e + margin / 2) for b, e in other]
        covered, upto = 0.0, -math.inf
        for b, e in sorted(reach):
            covered += max(0.0, e - max(b, upto))
            upto = max(upto, e)
        expected += covered / 100.0
    assert found.coincident_by_chance == pytest.approx(expected, abs=4 * math.sqrt(expected / 999))
    met = sum(any(b < end + margin / 2 and e > begin - margin / 2 for b, e in other) for begin, end in one)
    assert found.coincident == met


def met_by_shift(one: Outages, other: Outages, length_s: float) -> F64:
    """How many bursts of one meet some of the other, for each of many shifts in a circle."""
    a, b = np.array(one), np.array(other)
    met = []
    for shift in np.arange(1500) * length_s / 1500:
        begin = (a[:, :1] + shift) % length_s
        end = begin + (a[:, 1:] - a[:, :1])
        around = [((b[:, 0] + turn < end + 0.01) & (b[:, 1] + turn > begin - 0.01)).any(axis=1)
                  for turn in (-length_s, 0.0, length_s)]  # fmt: skip
        met.append(np.count_nonzero(around[0] | around[1] | around[2]))
    return np.array(met, np.float64)


def limit(found: Coincidence, by_chance: F64) -> float:
    """95 % limit of the share of common bursts; what varies more by chance than single bursts counts for fewer."""
    share = float(by_chance.mean()) / found.bursts
    group = max(1.0, float(by_chance.var()) / (float(by_chance.mean()) * (1 - share)))
    total = max(1, int(found.bursts / group))
    count = min(total, math.ceil(found.coincident / group))
    upper = 1.0 if count == total else float(stats.beta.isf(0.05, count + 1, total - count))
    return max(0.0, (upper - share) / (1 - share))


STORMS = [100.0 * storm + 0.3 * k for storm in range(1, 10) for k in range(10)]


@pytest.mark.parametrize(
    ("one", "other"),
    [
        (random_bursts(3, 40, length_s=1000.0), random_bursts(4, 60, length_s=1000.0)),
        (random_bursts(5, 12, length_s=1000.0), random_bursts(6, 200, length_s=1000.0)),
        ([(t, t + 0.1) for t in STORMS], [(t + 37.0, t + 37.1) for t in STORMS]),
        ([(t, t + 0.1) for t in STORMS[:40]], [(t + 0.05, t + 0.15) for t in STORMS[20:]]),
    ],
)
def test_the_share_of_common_bursts_has_its_limit(one: Outages, other: Outages) -> None:
    found, by_chance = beside(one, other, length_s=1000.0), met_by_shift(one, other, 1000.0)
    assert found.coincident_by_chance == pytest.approx(by_chance.mean(), abs=4 * by_chance.std() / math.sqrt(999))
    assert found.common_ratio_upper95 == pytest.approx(limit(found, by_chance), rel=0.2)
    chance = float((by_chance >= found.coincident).mean())
    assert found.p_value == pytest.approx((1 + 999 * chance) / 1000, abs=4 * math.sqrt(chance / 999) + 1e-9)
    rejected = "no" if found.p_value <= 0.02 else "yes" if found.common_ratio_upper95 < 1 / 3 else "cannot tell"
    assert found.independent == rejected


def test_with_many_bursts_they_are_shifted_less_often(monkeypatch: pytest.MonkeyPatch) -> None:
    """The smallest chance that can be found is that of one more than all shifts."""
    at = [2.0 * k + 0.001 * k * k for k in range(40)]
    one, other = [(t, t + 0.02) for t in at], [(t, t + 0.03) for t in at]
    for lookups, p_value in ((4_000_000, 0.001), (40 * 500, 1 / 501), (40 * 100, 1 / 101), (40, 0.01)):
        monkeypatch.setattr(coincidence, "_LOOKUPS", lookups)
        assert beside(one, other, length_s=1e5).p_value == pytest.approx(p_value)


@pytest.mark.parametrize("near", [0, 5 * MS])
def test_spans_that_touch_are_joined_as_one_by_one(near: int) -> None:
    rng = np.random.default_rng(6)
    for _ in range(60):
        begin = rng.integers(0, 60, 12) * MS
        made: I64 = np.column_stack([begin, begin + rng.integers(1, 12, 12) * MS])
        plain: Spans = []
        for low, high in sorted(made.tolist()):
            if plain and low <= plain[-1][1] + near:
                plain[-1] = (plain[-1][0], max(plain[-1][1], high))
            else:
                plain.append((low, high))
        assert [tuple(one) for one in join_spans(made, near).tolist()] == plain
    assert join_spans(np.empty((0, 2), np.int64), near).size == 0


def test_all_times_at_which_two_are_out_are_found() -> None:
    rng = np.random.default_rng(8)
    for _ in range(20):
        sources = [random_bursts(int(rng.integers(1 << 30)), 30, widest_s=0.95) for _ in range(3)]
        found = beside(*sources)
        edges = sorted({round(t * S) for one in sources for span in one for t in span})
        uncovered: Spans = []
        wanted = []
        for low, high in itertools.pairwise(edges):
            middle = (low + high) / 2 / S
            out = tuple(i for i, one in enumerate(sources) if any(b < middle < e for b, e in one))
            if len(out) >= 2:
                wanted.append((low / S, high / S, out))
            if len(out) == 3:
                uncovered.append((low, high))
        assert [(one.start_s, one.end_s, one.sources) for one in found.overlaps] == wanted
        assert found.uncovered_s == pytest.approx(sum(high - low for low, high in uncovered) / S)
        assert found.longest_uncovered_s == pytest.approx(max((h - low for low, h in uncovered), default=0) / S)
        lengths = [sum(e - b for b, e in one) / 100 for one in sources]
        assert found.expected_by_chance_s == pytest.approx(math.prod(lengths) * 100)
