"""What reads show of period, losses and jitter, and what they cannot: no figure that the adapter made."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest

from busbench.analysis.end_gaps import EndLosses, end_gap
from busbench.analysis.outages import find_outages
from busbench.analysis.read_grid import find_grid
from busbench.analysis.read_slots import latest_ends
from busbench.analysis.timing import Timing, timing
from busbench.line import WAKE_EDGES_US, WakeUps
from busbench.model import Clock, ClockKind, FrameTimes, Rejects
from tests.analysis.adapter_kinds import KINDS, Sent, draw, seen, send

PER_READ = Clock(ClockKind.PER_READ, 1)
UNKNOWN = (
    "late frames and lost frames look alike here: no count, no jitter; record with a logic analyser, or with an"
    " adapter whose latency timer is short"
)


def sent(period_us: float, *, count: int = 1500, shape: str = "even", size_us: float = 0.0, lost: float = 0.0) -> Sent:
    rng = np.random.default_rng(7)
    return send(rng, count=count, period_us=period_us, shape=shape, size_us=size_us, lost=lost)


def measured(what: Sent, kind: str, *, wakes: Sequence[WakeUps] = ()) -> Timing:
    return timing(seen(np.random.default_rng(8), what, kind), clock=PER_READ, wakes=wakes)


def range_us(result: Timing) -> tuple[str, float, float, float]:
    j = result.jitter
    assert j is not None
    return j.kind, round(1e6 * j.period_low_s), round(1e6 * j.period_rms_s), round(1e6 * j.period_high_s)


@pytest.mark.parametrize("kind", KINDS)
def test_the_truth_lies_in_what_is_claimed(kind: str) -> None:
    inside = claims = 0
    for seed in range(8):
        rng = np.random.default_rng([seed, 17])
        what = draw(rng, count=800)
        jitter = timing(seen(rng, what, kind), clock=PER_READ).jitter
        if jitter is not None:
            claims += 1
            low, high = 1e6 * jitter.period_low_s, 1e6 * jitter.period_high_s
            inside += low - 0.01 <= what.period_jitter_us <= high + 0.01
    assert inside >= claims - 1
    assert claims >= 4


@pytest.mark.parametrize(
    "kind", ["whole, calm", "whole, 0-2 ms", "grid 1 ms", "grid 4 ms", "polled 1 ms", "timer 1 ms"]
)
@pytest.mark.parametrize("period_us", [7000.21, 14300.0])
@pytest.mark.parametrize("lost", [0.0, 0.1, 0.3])
def test_period_and_losses_behind_an_adapter(kind: str, period_us: float, lost: float) -> None:
    what = sent(period_us, shape="bell", size_us=50, lost=lost)
    result = measured(what, kind)
    assert result.period_mean_s == pytest.approx(period_us / 1e6, rel=5e-5)
    assert result.missing == what.missing


def test_an_even_beat_on_a_grid_of_a_millisecond_has_no_jitter_of_its_own() -> None:
    kind, low, rms, high = range_us(result := measured(sent(14300.0), "grid 1 ms"))
    assert (kind, low) == ("at most", 0)
    assert 440 < rms < 480 < high < 520
    assert result.note.startswith(
        "period jitter is at most 0.48 ms rms: reads come every 1 ms, which adds to the jitter"
    )


def test_a_host_that_is_late_by_up_to_two_milliseconds_makes_an_upper_bound() -> None:
    kind, low, rms, high = range_us(result := measured(sent(15000.11), "whole, 0-2 ms"))
    assert (kind, low) == ("at most", 0)
    assert 780 < rms < high < 900
    words = "ms rms: each read held a whole frame, so the computer's share is unknown"
    assert result.note.endswith(words)


def test_a_grid_is_not_taken_for_the_period() -> None:
    result = measured(sent(14300.0), "grid 4 ms")
    assert result.period_mean_s == pytest.approx(0.0143, rel=1e-4)
    assert result.missing == 0


def test_a_grid_in_step_with_the_period_can_hide_jitter() -> None:
    """Each frame ends in the middle between two polls of 2 ms, a tenth of a millisecond early or late."""
    number = np.arange(1000)
    error = np.zeros(1000)
    ticks = 14_000_000 * number + 1_000_000
    grid = find_grid(ticks, np.full(999, 14e6), error, mean_ns=14e6)
    assert (grid.step_ns, grid.hides_ns, grid.may_hide_ns) == (0, 0, 500_000)


@pytest.mark.parametrize("period_us", [7000.21, 14000.37, 22000.5])
@pytest.mark.parametrize("kind", ["timer 16 ms", "timer 16 ms, busy", "polled 15.6 ms", "whole, 0-5 ms"])
def test_a_recording_that_ends_with_a_late_read_has_no_gap_there(period_us: float, kind: str) -> None:
    for seed in range(10):
        rng = np.random.default_rng([seed, 3])
        what = send(rng, count=700, period_us=period_us, shape="even", size_us=0, lost=0)
        times = seen(rng, what, kind)
        silent_ns = 15_000_000 if "timer" in kind else 8_000_000  # its timer runs on
        end_ns = int(times.t_ns[-1]) + silent_ns
        found = find_outages(times, Rejects.empty(), first_offset=0, clock=PER_READ, end_t_ns=end_ns)
        assert (seed, found.missing, len(found.events)) == (seed, 0, 0)


def test_silence_at_the_end_counts_where_no_read_was_ever_so_late() -> None:
    times = seen(np.random.default_rng(8), sent(7000.21, count=500), "whole, calm")
    end_ns = int(times.t_ns[-1]) + 700_000_000
    found = find_outages(times, Rejects.empty(), first_offset=0, clock=PER_READ, end_t_ns=end_ns)
    assert [(event.kind, event.frames) for event in found.events] == [("gap", 99)]


def test_where_late_and_lost_look_alike_nothing_is_claimed() -> None:
    """A 9 ms period with losses on a grid of 8 ms: its reads fit a period of 8 ms with more losses as well."""
    result = measured(sent(9000.13, lost=0.3), "grid 8 ms")
    assert (result.missing, result.period_mean_s, result.jitter, result.kind) == (None, None, None, "unknown")
    assert result.note == UNKNOWN
    found = find_outages(
        seen(np.random.default_rng(8), sent(9000.13, lost=0.3), "grid 8 ms"),
        Rejects.empty(),
        first_offset=0,
        clock=PER_READ,
    )
    assert (found.period_s, found.missing, len(found.events)) == (None, 0, 0)


def test_frames_nearer_than_the_line_carries_them_were_batched() -> None:
    """Three frames in one read at 30 ms: they ended by 24, 27 and 30 ms."""
    assert latest_ends(np.array([10, 30, 30, 30]) * 1_000_000).tolist() == [
        10_000_000,
        24_000_000,
        27_000_000,
        30_000_000,
    ]


def test_frames_that_are_far_enough_apart_ended_as_stamped() -> None:
    t_ns = np.array([10, 13, 19, 30]) * 1_000_000
    assert latest_ends(t_ns) is t_ns


def test_two_reads_in_a_frame_bound_the_jitter_from_below() -> None:
    kind, low, _, high = range_us(measured(what := sent(14000.37, shape="bell", size_us=700), "polled 1 ms"))
    assert kind == "figure"
    assert 600 < low < what.period_jitter_us < high < 850


def log_of(times_s: int, late_us: float) -> list[WakeUps]:
    counts = [0] * (len(WAKE_EDGES_US) + 1)
    counts[int(np.searchsorted(WAKE_EDGES_US, late_us, "right"))] = 50
    return [WakeUps(round(1e9 * second), tuple(counts)) for second in range(times_s + 2)]


def test_a_calm_computer_makes_a_figure_of_whole_frames() -> None:
    """The recorder's own log says that the computer woke within 0.1 ms."""
    what = sent(14000.37, shape="bell", size_us=1000)
    kind, low, rms, high = range_us(result := measured(what, "whole, calm", wakes=log_of(22, 90.0)))
    assert kind == "figure"
    assert low < what.period_jitter_us < high
    assert 0.85 * rms < low < high < 1.1 * rms
    assert result.note.startswith("period jitter 0.9")
    assert result.note.endswith("the computer woke at most 0.1 ms late while recording")


@pytest.mark.parametrize("wakes", [[], log_of(4, 90.0), log_of(22, 60_000.0)])
def test_without_a_log_of_all_of_it_or_with_a_late_one_there_is_no_lower_bound(wakes: list[WakeUps]) -> None:
    what = sent(14000.37, shape="bell", size_us=1000)
    assert range_us(measured(what, "whole, calm", wakes=wakes))[:2] == ("at most", 0)


def test_a_clock_that_is_set_back_makes_no_gap() -> None:
    t_ns = np.arange(600) * 7_000_000 + 90_000
    t_ns[300:] -= 2_000_000_000
    times = FrameTimes(t_ns, np.full(600, 2_000_000, np.int32), np.zeros(600, np.uint8))
    found = find_outages(times, Rejects.empty(), first_offset=0, clock=PER_READ)
    assert found.missing == 0
    assert found.period_s == pytest.approx(0.007, rel=1e-4)


def test_a_frame_lost_beside_an_end_that_reads_hide_is_no_count() -> None:
    """The last frame came two periods after the last one that a read cut; reads are late by up to two periods."""
    losses = EndLosses.of(20, 20, 2000)
    late = np.linspace(0, 1.9, 200)
    assert end_gap(np.array([1.06]), late, losses, is_start=False) == (0, 0)
    assert end_gap(np.array([1.06]), late, EndLosses.of(200, 200, 2000), is_start=False) == (0, 1)
    assert end_gap(np.array([1.06]), late / 3, losses, is_start=False) == (1, 0)
    assert end_gap(np.array([-0.8]), late, EndLosses.of(200, 200, 2000), is_start=True) == (0, 1)
    assert end_gap(np.array([0.9, 0.4]), late / 3, losses, is_start=True) == (1, 0)
    assert end_gap(np.empty(0), late, losses, is_start=True) == (0, 0)


def test_what_cannot_be_counted_is_said_with_its_range() -> None:
    rng = np.random.default_rng(8)
    what = send(rng, count=700, period_us=7000.21, shape="even", size_us=0, lost=0.1)
    results = [timing(seen(rng, what, "timer 16 ms"), clock=PER_READ) for _ in range(12)]
    notes = [one.note for one in results if one.missing is None and one.period_mean_s is not None]
    assert notes
    assert all("missing, give or take 1: some late and some lost frames look alike" in note for note in notes)
    assert {one.missing for one in results} == {None, what.missing}
