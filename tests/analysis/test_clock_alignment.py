"""An adapter's recording beside a logic analyser's: offset, drift and lateness come back; still sticks show nothing."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import make_captures
import numpy as np
import pytest
from study_clocks import run, trial

from busbench.analysis.clock_alignment import STILL, Lateness, align_clocks
from busbench.analysis.frame_match import _first_line, match_frames
from busbench.analysis.recording import read_recording
from busbench.analysis.timing import timing
from busbench.errors import CaptureError
from busbench.model import I64, U8
from busbench.sim.stick_motion import Hand
from busbench.wire.codec import pack_frames
from busbench.wire.table import FrameTable

CAPTURES = Path(__file__).resolve().parents[2] / "captures"
LATE, OUTPUTS = CAPTURES / "heron-late.pcapng", CAPTURES / "heron-outputs.vcd"
PERIOD_NS = 7_000_000


def table(t_ns: I64, raw: U8) -> FrameTable:
    count = len(t_ns)
    return FrameTable(t_ns, np.zeros(count, np.int32), 25 * np.arange(count), raw, np.zeros(count, np.uint8))


def test_the_truth_is_in_the_intervals_and_no_frame_is_mistaken() -> None:
    """The full study, 1,000 trials, is in tools/study_clocks.md; the intervals hold in 95 %."""
    scores, _ = run(15, seed=20)
    assert sum(one.trials for one in scores.values()) == 15
    assert sum(one.unknown + one.wrong_frames for one in scores.values()) == 0
    assert sum(one.right for one in scores.values()) >= 14


@pytest.mark.parametrize("most_ns", [0.0, 1e6, 16e6])
def test_lateness_comes_back(most_ns: float) -> None:
    made = trial("even", np.random.default_rng(3), most_ns=most_ns)
    found = made.align().lateness
    assert found is not None
    assert np.abs(found.late_ns - made.late_ns[found.row]).max() < 2_000 + most_ns / 500
    assert found.row.size > 0.9 * min(len(made.adapter), len(made.analyser))
    assert list(found.to_json()) == ["min", "median", "p99", "max"]
    assert found.to_json()["median"] == pytest.approx(most_ns / 2e9, abs=most_ns / 30e9 + 2e-6)


def test_still_sticks_show_nothing() -> None:
    for seed in range(3):
        made = trial("even", np.random.default_rng(seed), hand=Hand.STILL)
        raw = np.repeat(made.analyser.raw[:1], len(made.analyser), axis=0)
        still = [replace(one, raw=raw[: len(one)]) for one in (made.adapter, made.analyser)]
        found = replace(made, adapter=still[0], analyser=still[1]).align()
        assert (found.frames, found.offset_s, found.drift_ppm, found.lateness, found.note) == (
            0,
            None,
            None,
            None,
            STILL,
        )


def test_another_flight_shows_nothing() -> None:
    one, two = (trial("even", np.random.default_rng(seed)) for seed in (1, 2))
    found = replace(one, analyser=two.analyser).align()
    assert (found.offset_s, found.note) == (None, STILL)
    found = align_clocks(FrameTable.empty(), two.analyser, starts_ns=(0, 0), resolution_ns=2, character_ns=120_000)
    assert (found.frames, found.note) == (0, STILL)


def test_a_lost_frame_is_not_taken_for_its_like_beside_it() -> None:
    """A change came at frame 60 and held; frame 60 was lost, and 61 looks the same."""
    rng = np.random.default_rng(4)
    counts = np.full((200, 16), 992, np.uint16)
    counts[:, 0] = rng.integers(200, 1800, 200)
    counts[60:64, 0] = counts[60, 0]
    raw, t_ns = pack_frames(counts), np.arange(200) * PERIOD_NS
    kept = np.delete(np.arange(200), 60)
    prompt = match_frames(table(t_ns[kept] + 1_000_000, raw[kept]), table(t_ns, raw))
    assert (kept[prompt.first] == prompt.second).all()
    assert len(prompt) == 199  # by the time
    late = rng.integers(0, 16_000_000, 199)
    hidden = match_frames(table(np.maximum.accumulate(t_ns[kept] + late), raw[kept]), table(t_ns, raw))
    assert (kept[hidden.first] == hidden.second).all()
    assert 190 <= len(hidden) < 199  # and where the time does not show it, it is left out


def test_frames_at_rest_are_matched_between_those_that_move() -> None:
    counts = np.full((300, 16), 992, np.uint16)
    counts[:40, 3] = counts[260:, 3] = np.arange(300, 700, 10)
    raw, t_ns = pack_frames(counts), np.arange(300) * PERIOD_NS
    late = np.random.default_rng(5).integers(0, 16_000_000, 300)
    found = match_frames(table(np.maximum.accumulate(t_ns + late), raw), table(t_ns, raw))
    assert (found.first == found.second).all()
    assert len(found) >= 295


def test_timing_is_that_of_the_analyser_on_the_clock_of_the_adapter() -> None:
    late, outputs = read_recording(LATE), read_recording(OUTPUTS)
    alone, against, exact = late.timing(), late.timing(against=outputs), outputs.timing()
    assert alone.jitter is not None
    assert against.jitter is not None
    assert exact.jitter is not None
    assert alone.against is None
    assert alone.jitter.floor_s > 50e-6
    assert (against.frames, against.missing, against.kind) == (240, 0, "figure")
    assert against.jitter.floor_s < 2e-9
    assert against.jitter.period_rms_s == pytest.approx(exact.jitter.period_rms_s, rel=2e-4)
    assert against.period_mean_s == pytest.approx(0.01500007 * (1 + 85e-6), rel=2e-5)
    assert against.note == "each frame has the exact time of a logic analyser"
    found = against.to_json()["against"]
    assert found["drift_low_ppm"] < make_captures.LATE_PPM < found["drift_high_ppm"]
    # The first read came at 8.0 ms and what the computer took, the analyser's first bit at 1 ms.
    first_read_ms = 8 + (make_captures.LATE_WOKE_NS + 7919 % 97 * 2_000) / 1e6
    early_ms = make_captures.LATE_WOKE_NS / 1e6  # all reads are as late at least
    assert found["offset_low"] < (1 - first_read_ms + early_ms) / 1e3 < found["offset_high"]
    assert 0.004 < found["lateness_s"]["max"] < 0.008


def test_what_the_adapter_lost_is_counted() -> None:
    late, outputs = read_recording(LATE), read_recording(OUTPUTS)
    kept = np.ones(240, np.bool_)
    kept[[50, 51, 120]] = False
    found = replace(late, frames=late.frames[kept]).timing(against=outputs)
    assert (found.frames, found.missing) == (237, 3)


def test_the_times_must_be_of_the_right_kind() -> None:
    late, outputs = read_recording(LATE), read_recording(OUTPUTS)
    with pytest.raises(CaptureError, match=r"heron-outputs\.vcd: has a time for each byte, so nothing to measure"):
        outputs.timing(against=outputs)
    with pytest.raises(CaptureError, match=r"heron-late\.pcapng: has no time for each byte: name a recording of a"):
        late.timing(against=late)
    with pytest.raises(CaptureError, match=r"heron-noisy\.raw: has no times"):
        read_recording(CAPTURES / "heron-noisy.raw").timing(against=outputs)


def test_frames_that_the_analyser_did_not_show_are_not_missing() -> None:
    late, outputs = read_recording(LATE), read_recording(OUTPUTS)
    found = late.timing(against=outputs).against
    assert found is not None
    assert found.lateness is not None
    kept = np.ones(240, np.bool_)
    kept[[30, 31, 90, 91, 92]] = False
    some = Lateness(found.lateness.row[kept], found.lateness.late_ns[kept], found.lateness.resolution_ns)
    less = timing(late.times, clock=late.clock, against=replace(found, lateness=some))
    assert (less.frames, less.missing) == (235, 0)
    assert less.note == "each frame has the exact time of a logic analyser; 5 without it were left out"


def test_a_run_that_repeats_is_not_taken_for_the_one_before() -> None:
    """A switch goes to and fro by frames 50 to 57, of which the analyser missed 51: the first run has no like then."""
    rng = np.random.default_rng(6)
    counts = np.full((200, 16), 992, np.uint16)
    counts[:, 0] = rng.integers(200, 1800, 200)
    counts[50:58, 0] = [300, 1700] * 4
    raw, t_ns, late = pack_frames(counts), np.arange(200) * PERIOD_NS, rng.integers(0, 16_000_000, 200)
    late[48:58] = 6_000_000
    kept = np.delete(np.arange(200), 51)
    found = match_frames(table(np.maximum.accumulate(t_ns + late), raw), table(t_ns[kept], raw[kept]))
    assert (found.first == kept[found.second]).all()
    assert len(found) >= 190


def test_reads_that_move_slowly_against_the_frames_widen_the_intervals() -> None:
    """Lateness that rises and falls within half a minute looks like drift for a while."""
    rng = np.random.default_rng(7)
    counts = np.full((3000, 16), 992, np.uint16)
    counts[:, 0] = rng.integers(200, 1800, 3000)
    raw, t_ns = pack_frames(counts), np.arange(3000) * PERIOD_NS
    late = 500_000 * (1 + np.sin(t_ns / 5e9)) + rng.exponential(10_000, 3000)
    seen = table(t_ns + late.astype(np.int64), raw)
    found = align_clocks(seen, table(t_ns - 120_000, raw), starts_ns=(0, 0), resolution_ns=2, character_ns=120_000)
    assert found.drift_ppm is not None
    assert found.drift_ppm.low < 0 < found.drift_ppm.high


@pytest.mark.parametrize(("size", "is_found"), [(7, False), (8, True), (3000, True)])
def test_a_first_line_needs_eight_matches(size: int, is_found: bool) -> None:
    rng = np.random.default_rng(size)
    second = np.sort(rng.uniform(-3e10, 3e10, size))
    first = second * (1 + 4e-4) + 5e9 + rng.uniform(0, 16e6, size)
    found = _first_line(first, second)
    assert (found is not None) is is_found
    if found is not None:
        level, slope = found
        assert level == pytest.approx(5.008e9, abs=8e6)
        assert slope == pytest.approx(4e-4, abs=3e-4 if size < 9 else 1e-5)


@pytest.mark.parametrize(("right", "is_found"), [(49, False), (50, True)])
def test_half_of_the_matches_must_agree(right: int, is_found: bool) -> None:
    """The others differ by seconds, each by another time."""
    rng = np.random.default_rng(1)
    second = np.sort(rng.uniform(-3e10, 3e10, 100))
    wrong = np.arange(100) >= right
    order = rng.permutation(100)
    off = np.where(wrong, 1e9 + 1e8 * np.arange(100), rng.uniform(0, 1e7, 100))[order]
    assert (_first_line(second + off, second) is not None) is is_found


@pytest.mark.parametrize("drift", [-1.9e-3, 0.0, 1.9e-3])
def test_clocks_may_differ_by_two_thousandths(drift: float) -> None:
    second = np.linspace(-6e10, 6e10, 500)
    found = _first_line(second * (1 + drift) + 7e8, second)
    assert found is not None
    assert found == pytest.approx((7e8, drift), rel=1e-6, abs=1e-9)
    one_time = _first_line(np.full(20, 7e8), np.zeros(20))
    assert one_time is not None
    assert one_time[0] == 7e8
