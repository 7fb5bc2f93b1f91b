"""The period is found by itself and missing frames are counted rightly."""

from __future__ import annotations

import numpy as np
import pytest

from busbench.analysis.period import Missing, _is_read_step, find_period, number_frames
from busbench.analysis.read_slots import ReadSlots
from busbench.model import I64, FrameTimes
from tests.analysis.adapter import exact, receiver, through_adapter, through_pty, without


def find_missing(times: FrameTimes, period_ns: float) -> Missing:
    found = number_frames(times, period_ns=period_ns)
    assert found is not None
    assert found.is_clear
    return found.missing


PERIODS_NS = [4e6, 7e6, 9e6, 14e6, 15e6, 22.5e6]


@pytest.mark.parametrize("period_ns", PERIODS_NS)
@pytest.mark.parametrize("jitter_ns", [0, 300_000])
def test_period_of_a_steady_receiver(period_ns: float, jitter_ns: float) -> None:
    rng = np.random.default_rng(1)
    found = find_period(exact(receiver(2000, period_ns=period_ns, jitter_ns=jitter_ns, rng=rng)))
    assert found == pytest.approx(period_ns, rel=1e-4)


@pytest.mark.parametrize("period_ns", PERIODS_NS)
@pytest.mark.parametrize("share", [0.05, 0.3])
def test_period_and_count_with_losses(period_ns: float, share: float) -> None:
    rng = np.random.default_rng(2)
    times = exact(receiver(3000, period_ns=period_ns, jitter_ns=50_000, rng=rng))
    lost = np.flatnonzero(rng.random(3000) < share)
    lost = lost[(lost > 0) & (lost < 2999)]
    seen = without(times, lost)
    found = find_period(seen)
    assert found == pytest.approx(period_ns, rel=1e-4)
    assert find_missing(seen, found or 0).total == lost.size


def test_missing_frames_across_an_hour() -> None:
    ends = receiver(1_000_000, period_ns=7_000_123.0, jitter_ns=20_000, rng=np.random.default_rng(3))
    seen = without(exact(ends), slice(200_000, 714_286))
    found = find_period(seen)
    assert found == pytest.approx(7_000_123, rel=1e-7)
    missing = find_missing(seen, found or 0)
    assert missing.row.tolist() == [200_000]
    assert missing.count.tolist() == [514_286]


@pytest.mark.parametrize("silence", [514_286, 1_000_000_000_000])
def test_a_silence_longer_than_the_frames_does_not_make_the_period(silence: int) -> None:
    ends = receiver(20_000, period_ns=7_000_123.0, jitter_ns=20_000, rng=np.random.default_rng(8))
    ends[10_000:] += silence * 7_000_123
    found = find_period(exact(ends))
    assert found == pytest.approx(7_000_123, rel=1e-6)


def test_frames_missing_here_and_there() -> None:
    t_ns = 7_000_000 * np.array([0, 1, 2, 5, 6, 8])
    missing = find_missing(exact(t_ns), 7e6)
    assert (missing.row.tolist(), missing.count.tolist()) == ([3, 5], [2, 1])


def test_a_late_stamp_is_no_missing_frame() -> None:
    t_ns = 7_000_000 * np.arange(20)
    t_ns[7] += 5_000_000  # late by most of a period
    t_ns[12] = t_ns[13] = t_ns[14]  # three frames in one late read
    assert find_missing(exact(t_ns), 7e6).total == 0


@pytest.mark.parametrize("latency_ns", [1_000_000, 16_000_000])
@pytest.mark.parametrize("period_ns", [7e6, 14e6, 15_000_300.0])
@pytest.mark.parametrize("late", ["idle", "busy"])
def test_an_adapter_hides_neither_period_nor_losses(latency_ns: int, period_ns: float, late: str) -> None:
    rng = np.random.default_rng(4)
    ends = receiver(3000, period_ns=period_ns, jitter_ns=30_000, rng=rng)
    whole = through_adapter(ends, latency_ns=latency_ns, late=late, rng=rng)
    found = find_period(whole)
    assert found == pytest.approx(period_ns, rel=1e-4)
    assert find_missing(whole, found or 0).total == 0
    gone = np.concatenate([ends[:1000], ends[1010:2000], ends[2100:]])
    seen = through_adapter(gone, latency_ns=latency_ns, late=late, rng=rng)
    assert find_period(seen) == pytest.approx(period_ns, rel=1e-4)
    assert find_missing(seen, period_ns).total == 110


@pytest.mark.parametrize("period_ns", [7_000_210.0, 9_000_050.0, 15_000_110.0])
def test_an_adapter_and_many_single_losses(period_ns: float) -> None:
    """Where reads come every 16 ms and 30 % of the frames are missing, the adapter's period is not taken for theirs."""
    rng = np.random.default_rng(6)
    ends = receiver(3000, period_ns=period_ns, jitter_ns=50_000, rng=rng)
    keep = rng.random(3000) >= 0.3
    keep[[0, -1]] = True
    seen = through_adapter(ends[keep], latency_ns=16_000_000, late="idle", rng=rng)
    found = find_period(seen)
    assert found == pytest.approx(period_ns, rel=1e-3)
    assert find_missing(seen, found or 0).total == pytest.approx(3000 - keep.sum(), rel=0.01)


def test_frames_seconds_apart_have_no_beat() -> None:
    assert find_period(exact(3_600_000_000_000 * np.arange(2))) is None
    assert find_period(exact(250_000_000 * np.arange(50))) is None


def test_a_port_that_hands_over_frame_by_frame() -> None:
    rng = np.random.default_rng(5)
    ends = receiver(3000, period_ns=7e6, jitter_ns=0, rng=rng)
    seen = through_pty(ends, late="busy", rng=rng)
    found = find_period(seen)
    assert found == pytest.approx(7e6, rel=2e-4)
    assert find_missing(seen, found or 0).total == 0


@pytest.mark.parametrize("count", [0, 1])
def test_too_few_frames_have_no_period(count: int) -> None:
    assert find_period(exact(7_000_000 * np.arange(count))) is None


def test_two_frames_have_one() -> None:
    assert find_period(exact(7_000_000 * np.arange(2))) == 7_000_000


def test_a_receiver_that_changes_its_period() -> None:
    ends = np.cumsum(np.concatenate([np.full(3000, 7_000_000), np.full(1000, 14_000_000)]))
    times: FrameTimes = exact(ends)
    found = find_period(times)
    assert found == pytest.approx(7e6, rel=1e-3)
    assert find_missing(times, found or 0).total == 1000


def single_gaps(apart: I64) -> tuple[ReadSlots, int]:
    """Reads with single frames missing after so many others each, and how many frames there are."""
    rows = np.cumsum(apart)
    reads = ReadSlots(
        period_ns=7e6, gap_row=rows, gap_count=np.ones_like(rows), blur=0.01, late_most_ns=0.0,
        by_cut=False, cut_sd_ns=0.0, cut_is_mixed=False, is_alone=True, doubt=0,
    )  # fmt: skip
    return reads, int(rows[-1]) + int(apart[0])


@pytest.mark.parametrize("gaps", [9, 12, 20, 40])
def test_a_few_single_losses_are_not_taken_for_a_step_of_the_reads(gaps: int) -> None:
    """By chance their distances are alike at times: in 1 of 20 recordings with nine losses, if 40 % may differ."""
    rng = np.random.default_rng(gaps)
    draws = (rng.geometric(1e-3, gaps) for _ in range(2000))
    assert sum(_is_read_step(*single_gaps(apart)) for apart in draws) <= 6


@pytest.mark.parametrize(("gaps", "apart"), [(9, 15), (20, 5), (40, 4), (200, 3)])
def test_slots_lost_at_even_steps_are_those_of_the_reads(gaps: int, apart: int) -> None:
    rng = np.random.default_rng(gaps)
    assert _is_read_step(*single_gaps(apart + rng.integers(0, 2, gaps)))
