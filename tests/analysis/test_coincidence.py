"""Outages of several receivers: what coincides, and whether by chance."""

from __future__ import annotations

import numpy as np
import pytest
from study_coincidence import KINDS, judge

from busbench.analysis.coincidence import Overlap, find_coincidence
from busbench.analysis.skew import ContentChanges, find_skew
from busbench.model import I64
from busbench.wire.codec import pack_frames
from busbench.wire.table import FrameTable

S = 1_000_000_000
PERIOD_NS = 10_000_000


def spans(*times: tuple[float, float]) -> I64:
    return np.rint(np.array(times, np.float64).reshape(-1, 2) * S).astype(np.int64)


def test_overlaps_and_what_none_covered_as_worked_by_hand() -> None:
    found = find_coincidence(
        [spans((1, 2), (4, 6), (8, 9)), spans((1.5, 3), (5, 7)), spans((0, 1.75), (5.5, 5.8))],
        [(0, 10 * S), (0, 10 * S), (0, 10 * S)],
        period_ns=PERIOD_NS,
    )
    assert found.overlaps == (
        Overlap(1.0, 1.5, (0, 2)),
        Overlap(1.5, 1.75, (0, 1, 2)),
        Overlap(1.75, 2.0, (0, 1)),
        Overlap(5.0, 5.5, (0, 1)),
        Overlap(5.5, 5.8, (0, 1, 2)),
        Overlap(5.8, 6.0, (0, 1)),
    )
    assert found.uncovered_s == pytest.approx(0.55)
    assert found.longest_uncovered_s == pytest.approx(0.3)
    # 4 s, 3.5 s and 2.05 s of 10 s are out: all at once by chance 10 * 0.4 * 0.35 * 0.205 s
    assert found.expected_by_chance_s == pytest.approx(0.287)


def test_only_the_time_that_all_recorded_counts() -> None:
    found = find_coincidence(
        [spans((1, 2), (7, 9)), spans((1, 2), (7, 9))], [(0, 8 * S), (3 * S, 10 * S)], period_ns=PERIOD_NS
    )
    assert (found.start_s, found.end_s) == (3.0, 8.0)
    assert found.overlaps == (Overlap(7.0, 8.0, (0, 1)),)


def test_recordings_without_time_in_common() -> None:
    found = find_coincidence([spans((1, 2)), spans((5, 6))], [(0, 3 * S), (4 * S, 8 * S)], period_ns=PERIOD_NS)
    assert found.start_s == found.end_s
    assert (found.overlaps, found.uncovered_s, found.independent) == ((), 0.0, "cannot tell")


def test_outages_of_one_source_that_touch_are_one() -> None:
    found = find_coincidence(
        [spans((1, 2), (2, 3), (1.2, 1.4)), spans((0, 5))], [(0, 9 * S), (0, 9 * S)], period_ns=PERIOD_NS
    )
    assert found.overlaps == (Overlap(1.0, 3.0, (0, 1)),)


def test_few_outages_tell_nothing() -> None:
    found = find_coincidence([spans((1, 2)), spans((5, 6))], [(0, 100 * S)] * 2, period_ns=PERIOD_NS)
    assert (found.independent, found.bursts, found.coincident) == ("cannot tell", 1, 0)
    assert found.common_ratio_upper95 > 0.9


def test_a_common_cause_is_found_and_named_by_its_chance() -> None:
    at = np.arange(20) * 50.0 + 3
    common = np.column_stack([at, at + 0.1])
    found = find_coincidence([spans(*common), spans(*(common + 0.004))], [(0, 1000 * S)] * 2, period_ns=PERIOD_NS)
    assert (found.independent, found.bursts, found.coincident) == ("no", 20, 20)
    assert found.p_value < 0.02


@pytest.mark.parametrize("name", ["in storms", "in storms, half common"])
def test_bursts_do_not_make_receivers_dependent(name: str) -> None:
    kind = KINDS[name]
    assert judge(kind, pairs=8, seed=3)[kind.truth] >= 7


def changes(t_ns: I64, values: list[int], *, flags: int = 0) -> ContentChanges:
    counts = np.repeat(np.array(values, np.int64)[:, None], 16, axis=1)
    raw = pack_frames(counts, np.full(len(values), flags))
    size = len(values)
    made = ContentChanges()
    for part in (slice(0, 7), slice(7, size)):  # the split must not matter
        made.feed(
            FrameTable(
                t_ns[part], np.zeros(size, np.int32)[part], np.arange(size)[part] * 25, raw[part],
                np.zeros(size, np.uint8)[part],
            )
        )  # fmt: skip
    return made


def test_skew_is_that_of_the_contents_and_not_of_the_frames() -> None:
    t_ns = np.arange(40, dtype=np.int64) * PERIOD_NS
    values = [500 + number // 2 for number in range(40)]
    first = changes(t_ns, values)
    later = changes(t_ns + 3_000_000, [499, 499, *values[:-2]])  # the same two periods later
    found = find_skew(first, later, sources=(0, 1))
    assert (found.median_s, found.low_s, found.high_s, found.matches) == (0.023, 0.023, 0.023, 18)
    assert find_skew(first, later, sources=(0, 1), shift_ns=1_000_000).median_s == 0.024


def test_still_sticks_and_repeated_moves_give_no_skew() -> None:
    t_ns = np.arange(40, dtype=np.int64) * PERIOD_NS
    still, to_and_fro = changes(t_ns, [992] * 40), changes(t_ns, [992, 1000] * 20)
    assert find_skew(still, still, sources=(0, 1)).median_s is None
    assert find_skew(to_and_fro, to_and_fro, sources=(0, 1)).median_s is None
    flagged = changes(t_ns, list(range(500, 540)), flags=8)
    assert find_skew(flagged, flagged, sources=(0, 1)).matches == 0
