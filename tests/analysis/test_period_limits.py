"""When a period is believed, and which frames are missing on it, at the limits."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from busbench.analysis.period import (
    Missing,
    _is_clear,
    _is_read_step,
    explain_doubt,
    find_period,
    is_cut,
    number_frames,
)
from busbench.analysis.read_slots import ReadSlots
from busbench.model import FrameTimes
from tests.analysis.adapter import exact
from tests.analysis.test_period import single_gaps

NONE = np.empty(0, np.int64)
READS = ReadSlots(
    period_ns=7.3e6, gap_row=NONE, gap_count=NONE, blur=0.1, late_most_ns=0.0, by_cut=False, cut_sd_ns=0.0,
    cut_is_mixed=False, is_alone=True, doubt=0,
)  # fmt: skip


def is_clear(gaps: int = 0, *, is_dense: bool = False, **more: Any) -> bool:
    return _is_clear(replace(READS, **more), gaps, 1000, is_dense=is_dense)


@pytest.mark.parametrize(
    ("by_cut", "gaps", "most"),
    [(False, 0, 0.25), (False, 1, 0.15), (True, 0, 0.15), (True, 1, 0.15)],
)
def test_frames_at_any_phase_have_no_period(by_cut: bool, gaps: int, most: float) -> None:
    """Off by a quarter of the period in the mean; less is allowed with losses and among cut frames."""
    assert is_clear(gaps, by_cut=by_cut, blur=most)
    assert not is_clear(gaps, by_cut=by_cut, blur=most + 0.001)


@pytest.mark.parametrize("timer_ms", [4.0, 5.0, 8.0, 10.0, 15.625, 16.0])
def test_a_period_of_a_timer_with_losses_is_not_believed(timer_ms: float) -> None:
    near: dict[str, Any] = {"period_ns": timer_ms * 1e6 * (1 + 1.9e-4), "blur": 0.149}
    assert not is_clear(21, **near)
    assert not is_clear(21, **near | {"period_ns": timer_ms * 1e6 * (1 - 1.9e-4)})
    assert is_clear(20, **near)  # 2 % of the frames
    assert is_clear(21, **near | {"period_ns": timer_ms * 1e6 * (1 + 2.1e-4)})
    assert is_clear(21, **near | {"blur": 0.15})
    assert is_clear(21, is_dense=True, **near)  # nearly all frames are cut: no timer decides which


def test_other_periods_are_those_of_no_timer() -> None:
    assert all(is_clear(100, period_ns=ms * 1e6) for ms in (4.5, 6.0, 7.0, 9.0, 11.0, 12.0, 14.0, 15.0, 20.0, 22.0))


def test_frames_as_near_as_the_line_carries_them_are_no_period() -> None:
    assert not is_clear(period_ns=3.149e6)
    assert is_clear(period_ns=3.15e6)
    assert is_clear(period_ns=3.0e6, is_dense=True)
    assert not is_clear(is_alone=False)


@pytest.mark.parametrize(("gaps", "is_step"), [(8, False), (9, True)])
def test_few_even_losses_are_no_step_of_the_reads(gaps: int, is_step: bool) -> None:
    reads, count = single_gaps(np.full(gaps, 10))
    assert _is_read_step(reads, count) is is_step


def test_even_losses_in_a_part_of_the_recording_are_no_step() -> None:
    reads, count = single_gaps(np.full(40, 10))
    span = 390
    assert _is_read_step(reads, 2 * span)
    assert not _is_read_step(reads, 2 * span + 1)
    doubled = replace(reads, gap_count=np.where(np.arange(40) % 5, 2, 1))
    assert not _is_read_step(doubled, count)  # eight single ones are left


@pytest.mark.parametrize(("spread", "is_step"), [(3, True), (4, False)])
def test_distances_of_losses_that_differ_by_chance(spread: int, is_step: bool) -> None:
    """The median change of the distance against two fifths of the median distance, 10."""
    apart = np.tile([10, 10 + spread, 10, 10 - spread], 20)
    assert _is_read_step(*single_gaps(apart)) is is_step


def test_among_some_frames_the_others_are_missing_too() -> None:
    whole = Missing(np.array([3, 7]), np.array([2, 1]))  # numbers 0 1 2 5 6 7 8 10 11
    number = np.array([0, 1, 2, 5, 6, 7, 8, 10, 11])
    rng = np.random.default_rng(2)
    for _ in range(30):
        rows = np.flatnonzero(rng.random(9) < 0.6)
        found = whole.among(rows)
        gaps = np.diff(number[rows]) - 1
        assert found.row.tolist() == (np.flatnonzero(gaps) + 1).tolist()
        assert found.count.tolist() == gaps[gaps > 0].tolist()
    assert whole.total == 3


def test_without_holes_a_run_of_frames_misses_none() -> None:
    none = Missing.none()
    assert none.among(np.arange(4, 9)) is none
    assert none.among(np.array([4, 6, 7])).row.tolist() == [1]
    assert none.among(NONE).row.size == 0


@pytest.mark.parametrize(
    ("missing", "doubt", "words"),
    [
        (3, 0, ""),
        (1, 1, "1 frame missing, give or take 1: some late and some lost frames look alike"),
        (1200, 20, "1,200 frames missing, give or take 20: some late and some lost frames look alike"),
    ],
)
def test_a_doubt_in_words(missing: int, doubt: int, words: str) -> None:
    assert explain_doubt(missing, doubt) == words


def test_a_frame_is_cut_if_its_end_is_known_to_two_characters() -> None:
    slack = np.array([0, 119_000, 240_000, 240_001, 2**31 - 1], np.int32)
    times = FrameTimes(np.arange(5) * 7_000_000, slack, np.zeros(5, np.uint8))
    assert is_cut(times).tolist() == [True, True, True, False, False]


@pytest.mark.parametrize(("period_ns", "is_found"), [(100e6, True), (100e6 + 1, False)])
def test_no_period_is_longer_than_a_tenth_of_a_second(period_ns: float, is_found: bool) -> None:
    found = find_period(exact(np.arange(40) * round(period_ns)))
    assert found == (pytest.approx(period_ns) if is_found else None)
    one = FrameTimes(np.arange(40) * round(period_ns), np.full(40, 9_000_000, np.int32), np.zeros(40, np.uint8))
    late = find_period(one)
    assert late == (pytest.approx(period_ns) if is_found else None)


@pytest.mark.parametrize("period_ms", [3.05, 4.0, 6.7, 9.1, 14.0, 21.3, 33.0, 49.0, 80.0])
@pytest.mark.parametrize("lost", [0.0, 0.3, 0.5])
def test_the_common_measure_of_exact_steps(period_ms: float, lost: float) -> None:
    rng = np.random.default_rng(round(100 * period_ms))
    number = np.flatnonzero(rng.random(900) >= lost)
    t_ns = np.rint(number * period_ms * 1e6 + rng.normal(0, 0.01 * period_ms * 1e6, number.size)).astype(np.int64)
    found = number_frames(exact(t_ns))
    assert found is not None
    assert found.period_ns == pytest.approx(period_ms * 1e6, rel=2e-4)
    assert found.missing.row.tolist() == (np.flatnonzero(np.diff(number) > 1) + 1).tolist()
    assert found.missing.total == int(number[-1] - number[0]) + 1 - number.size


@pytest.mark.parametrize("at", [(65_535,), (65_536,), (65_537,), (5, 131_072)])
def test_holes_at_the_seams_of_blocks(at: tuple[int, ...]) -> None:
    number = np.delete(np.arange(140_000), at)
    found = number_frames(exact(7_000_000 * number), period_ns=7e6)
    assert found is not None
    assert found.missing.row.tolist() == [row - i for i, row in enumerate(at)]
    assert found.missing.count.tolist() == [1] * len(at)


@pytest.mark.parametrize(
    ("steps", "missing"),
    [
        ([1, 1, 1.49, 0.51, 1, 1], []),  # late by half a period
        ([1, 1, 1.51, 0.49, 1, 1], []),
        ([1, 1, 1.9, 0.1, 1, 1], []),
        ([1, 1, 2, 1, 1], [(3, 1)]),
        ([1, 1, 2.6, 1, 1], [(3, 2)]),  # and half a period late from there on
        ([1, 1, 2.4, 1, 1], [(3, 1)]),
        ([1, 1, 4.9, 0.1, 1, 1], [(3, 3)]),  # the first one after it late
        ([1, 1, 1, 2.8, 0.2, 0.2, 0.8, 2, 1], [(4, 0), (8, 1)]),
    ],
)
def test_a_late_frame_hides_no_loss_and_makes_none(steps: list[float], missing: list[tuple[int, int]]) -> None:
    t_ns = np.rint(7e6 * np.concatenate([[0], np.cumsum(steps)])).astype(np.int64)
    found = number_frames(exact(t_ns), period_ns=7e6)
    assert found is not None
    pairs = list(zip(found.missing.row.tolist(), found.missing.count.tolist(), strict=True))
    assert pairs == [one for one in missing if one[1]]


@pytest.mark.parametrize(("gaps", "change", "is_step"), [(16, 199, True), (16, 201, False), (64, 399, True),
                                                         (64, 401, False)])  # fmt: skip
def test_among_few_losses_less_difference_is_chance(gaps: int, change: int, is_step: bool) -> None:
    """An eightieth for each loss, two fifths at most."""
    apart = np.tile([1000, 1000 + change, 1000, 1000 - change], gaps // 4)
    assert _is_read_step(*single_gaps(apart)) is is_step


@pytest.mark.parametrize("is_cut_by_reads", [False, True])
@pytest.mark.parametrize("period_ms", [5.0, 10.0])
def test_a_period_that_is_known_is_not_sought_again(period_ms: float, is_cut_by_reads: bool) -> None:
    """Frames every 10 ms, of which a period of 5 ms leaves every other place empty."""
    t_ns = 10_000_000 * np.arange(120) + np.arange(120) % 3 * 20_000
    slack = np.full(120, 110_000 if is_cut_by_reads else 5_000_000, np.int32)
    for times in (FrameTimes(t_ns, slack, np.zeros(120, np.uint8)), exact(t_ns)):
        found = number_frames(times, period_ns=period_ms * 1e6)
        assert found is not None
        assert found.period_ns == pytest.approx(period_ms * 1e6, rel=1e-5)
        assert found.missing.total in ((118, 119) if period_ms == 5 else (0,))  # the last one may be late
        assert found.reads is None or found.reads.is_alone
        assert number_frames(times) is number_frames(times)  # what was sought is kept
