"""Jitter, time error, and what is known of the receiver's own."""

from __future__ import annotations

import numpy as np
import pytest

from busbench.analysis.continuity import clock_back, longest_interval
from busbench.analysis.stats import BLOCK
from busbench.analysis.timing import timing
from busbench.model import BACK_NS, NO_CLOCK, Clock, ClockKind
from tests.analysis.adapter import exact, without

PER_BYTE = Clock(ClockKind.PER_BYTE, 100)


def test_figures_of_a_hand_worked_beat() -> None:
    """Periods 7000, 7004, 6996, 7000 µs: all figures by hand."""
    ends = 1000 * np.cumsum([7000, 7000, 7004, 6996, 7000])
    result = timing(exact(ends), clock=PER_BYTE).to_json()
    mtie = result.pop("mtie_s")
    assert result == {
        "frames": 5,
        "missing": 0,
        "period_s": {
            "mean": 0.007,
            "median": 0.007,
            "sd": pytest.approx(np.sqrt(32 / 3) * 1e-6),
            "min": 0.006996,
            "max": 0.007004,
            "p01": 0.006996,
            "p99": 0.007004,
        },
        "period_jitter_s": {
            "rms": pytest.approx(np.sqrt(8) * 1e-6),
            "rms_low": pytest.approx(np.sqrt(8) * 1e-6 - 5e-8),
            "rms_high": pytest.approx(np.sqrt(8) * 1e-6 + 5e-8),
            "kind": "figure",
            "peak": 4e-6,
            "pp": 8e-6,
        },
        "cycle_jitter_s": {"rms": pytest.approx(np.sqrt((16 + 64 + 16) / 3) * 1e-6), "peak": 8e-6},
        # errors 0 0 4 0 0 against the mean frame timing; the best line lies 0.8 µs higher
        "tie_s": {"rms": pytest.approx(1.6e-6), "pp": 4e-6},
        "lag1": pytest.approx(-0.5),
        "clock": {"kind": "per-byte", "resolution_s": 1e-7, "floor_s": pytest.approx(5e-8)},
        "note": "each byte has its own time",
    }
    assert mtie == [[0.007, 4e-6], [0.014, 4e-6], [0.028, 4e-6]]


def test_periods_are_not_taken_across_holes() -> None:
    times = without(exact(7_000_000 * np.arange(100)), [10, 11, 12, 50])
    result = timing(times, clock=PER_BYTE)
    assert result.missing == 4
    assert result.jitter is not None
    assert result.jitter.period_max_s == 0.007
    assert result.jitter.cycle_peak_s == 0
    assert result.jitter.tie_pp_s == 0
    assert result.period_mean_s == 0.007


def test_cycle_jitter_is_not_taken_across_a_hole() -> None:
    """By hand: periods 7000 7002 | 7010 7010 µs, a frame missing at the bar: changes 2 and 0, not 8."""
    ends = 1000 * np.cumsum([7000, 7000, 7002, 14006, 7010, 7010])
    result = timing(exact(ends), clock=PER_BYTE)
    assert result.missing == 1
    assert result.jitter is not None
    assert result.jitter.cycle_peak_s == 2e-6
    assert result.jitter.cycle_rms_s == pytest.approx(np.sqrt(4 / 2) * 1e-6)


def test_lag1_is_not_taken_across_holes() -> None:
    """Periods 7000 7004 | 7004 7000 | 7000 7004 µs: each pair goes from one side of the mean to the other."""
    ends = 1000 * np.cumsum([7000, 7000, 7004, 14000, 7004, 7000, 14000, 7000, 7004])
    result = timing(exact(ends), clock=PER_BYTE)
    assert result.missing == 2
    assert result.jitter is not None
    assert result.jitter.lag1 == pytest.approx(3 * -4 / (6 * 4) * 5 / 3)


def test_two_holes_in_a_row_part_one_pair() -> None:
    """Periods 7000 7004 | (lone frame) | 7010 7004 µs, which are -4.5 -0.5 and 5.5 -0.5 off their mean."""
    ends = 1000 * np.cumsum([7000, 7000, 7004, 14000, 14000, 7010, 7004])
    jitter = timing(exact(ends), clock=PER_BYTE).jitter
    assert jitter is not None
    assert jitter.lag1 == pytest.approx((2.25 - 2.75) / 51 * 3 / 2)


def test_a_hole_behind_the_first_frame_parts_no_pair() -> None:
    ends = 1000 * np.cumsum([7000, 14000, 7000, 7004])
    jitter = timing(exact(ends), clock=PER_BYTE).jitter
    assert jitter is not None
    assert jitter.lag1 == pytest.approx(-0.5)


def test_a_clock_that_goes_back_parts_the_recording() -> None:
    ends = 7_000_000 * np.arange(300)
    ends[200:] -= 900_000_000
    result = timing(exact(ends), clock=PER_BYTE)
    assert result.frames == 300
    assert result.missing == 0
    assert result.period_mean_s == 0.007
    assert result.jitter is not None
    assert result.jitter.period_pp_s == 0
    assert result.note.endswith("; the clock goes back once: figures are of the longest stretch, 200 frames")


def test_a_period_that_changes_is_told() -> None:
    ends = np.cumsum(np.repeat([7_000_000, 9_000_000], 300))
    assert timing(exact(ends), clock=PER_BYTE).note == (
        "each byte has its own time; the period changes, from 7 ms at the start to 9 ms at the end"
    )
    drifting = np.cumsum(np.linspace(7_000_000, 7_050_000, 600).astype(np.int64))
    assert timing(exact(drifting), clock=PER_BYTE).note == "each byte has its own time"


@pytest.mark.parametrize(("frames", "is_told"), [(199, False), (200, True)])
@pytest.mark.parametrize(("part", "differs"), [(0.021, True), (0.019, False), (-0.021, True), (-0.019, False)])
def test_a_period_changes_by_two_in_a_hundred_or_more(frames: int, part: float, is_told: bool, differs: bool) -> None:
    """A quarter of the frames at the start and at the end are compared, 50 at least; against the shorter period."""
    half = frames // 2
    periods = [7_000_000] * half + [round(7_000_000 * (1 + part))] * (frames - half)
    if part < 0:
        periods = [round(7_000_000 * (1 - part))] * half + [7_000_000] * (frames - half)
    note = timing(exact(np.cumsum(periods)), clock=PER_BYTE).note
    assert ("the period changes" in note) is (is_told and differs)


@pytest.mark.parametrize(("step_ns", "is_told"), [(2_500, False), (10_000, True)])
def test_steps_too_coarse_for_bits_are_told(step_ns: int, is_told: bool) -> None:
    note = timing(exact(7_000_000 * np.arange(100)), clock=Clock(ClockKind.PER_BYTE, step_ns)).note
    words = "times in steps of 10 µs are too coarse for bits of 10 µs: record with shorter steps"
    assert note.endswith(words) == is_told


def test_long_holes_end_a_run_and_short_ones_are_bridged() -> None:
    ends = 7_000_000 * np.arange(400)
    ends[200:] += 143 * 7_000_000 + 3_000  # a second of silence and another phase
    ends[100] += 2_000
    result = timing(exact(ends), clock=PER_BYTE)
    assert result.missing == 143
    assert result.jitter is not None
    assert len(result.jitter.mtie_s) == 8  # windows of 1 … 128 within a run of 200
    assert result.jitter.mtie_s[0][1] == pytest.approx(2e-6, abs=2e-8)


def test_without_a_clock_nothing_is_invented() -> None:
    result = timing(exact(np.zeros(100, np.int64)), clock=NO_CLOCK)
    assert result.jitter is None
    assert result.period_mean_s is None
    assert result.note == "no clock: the recording has bytes but no times"
    figures = result.to_json()
    assert figures["period_s"] == dict.fromkeys(("mean", "median", "sd", "min", "max", "p01", "p99"))
    assert figures["clock"] == {"kind": "none", "resolution_s": None, "floor_s": None}


@pytest.mark.parametrize("count", [0, 1, 2])
def test_few_frames(count: int) -> None:
    """One period has no jitter."""
    result = timing(exact(7_000_000 * np.arange(count)), clock=PER_BYTE)
    assert result.frames == count
    assert result.jitter is None
    assert result.to_json()["period_jitter_s"] == {
        **dict.fromkeys(("rms", "rms_low", "rms_high", "peak", "pp")),
        "kind": "unknown",
    }


@pytest.mark.parametrize(("back_ns", "is_told"), [(0, False), (BACK_NS - 7_000_000, False), (BACK_NS, False),
                                                  (BACK_NS + 1, True)])  # fmt: skip
@pytest.mark.parametrize("row", [1, 40, 199, BLOCK, BLOCK + 1])
def test_a_clock_goes_back_clearly_or_not_at_all(back_ns: int, is_told: bool, row: int) -> None:
    """By the step from the frame before, at the seams of blocks too."""
    count = 200 if row < 200 else BLOCK + 300
    ends = 7_000_000 * np.arange(count)
    ends[row:] -= 7_000_000 + back_ns
    times, note = longest_interval(exact(ends))
    longest = max(row, count - row)
    assert note == (f"the clock goes back once: figures are of the longest stretch, {longest:,} frames" * is_told)
    assert len(times) == (longest if is_told else count)
    assert clock_back(exact(ends)) == "the clock goes back once" * is_told


def test_the_longest_stretch_of_several_is_taken() -> None:
    ends = np.concatenate([10_000_000_000 - 100_000_000 * part + 7_000_000 * np.arange(size)
                           for part, size in enumerate((2, 5, 9, 4))])  # fmt: skip
    times, note = longest_interval(exact(ends))
    assert times.t_ns.tolist() == ends[7:16].tolist()
    assert note == "the clock goes back 3 times: figures are of the longest stretch, 9 frames"
    assert clock_back(exact(ends)) == "the clock goes back 3 times"
    assert clock_back(exact(ends[:2])) == ""


def test_short_holes_hold_the_time_error_before_them_in_mtie() -> None:
    """By brute force over all windows; a hole of more than 64 frames ends a run."""
    rng = np.random.default_rng(4)
    number = np.delete(np.arange(700), [*range(50, 53), 120, *range(300, 364), *range(400, 465)])
    ends = 7_000_000 * number + rng.integers(-90_000, 90_000, number.size)
    jitter = timing(exact(ends), clock=PER_BYTE).jitter
    assert jitter is not None
    error = ends - np.polyval(np.polyfit(number, ends, 1), number)
    runs = []
    for low, high in ((0, 400), (465, 700)):
        inside = (number >= low) & (number < high)
        before = np.maximum.accumulate(np.where(np.isin(np.arange(low, high), number), np.arange(low, high), 0))
        runs.append(error[inside][np.searchsorted(number[inside], before)])
    for window_s, value_s in jitter.mtie_s:
        n = round(window_s / 0.007)
        wanted = max(float(np.ptp(run[at : at + n + 1])) for run in runs for at in range(run.size - n))
        assert value_s == pytest.approx(wanted / 1e9, abs=3e-9)
    assert len(jitter.mtie_s) == 9
