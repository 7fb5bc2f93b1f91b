"""Latency from the bus to pulse outputs and skew between outputs: what was simulated comes back to a sample."""

from __future__ import annotations

import numpy as np
import pytest

from busbench.analysis.latency import EVEN_MOVE, EVEN_RAMP
from busbench.analysis.pulses import Pulses, find_pulses
from busbench.model import I64, U16
from busbench.wire.codec import pack_frames
from busbench.wire.edges import Edges
from busbench.wire.frame_spec import FRAME_BYTES
from busbench.wire.scale import Scale
from busbench.wire.uart import encode_line

SCALE = Scale(1024, 1520, 0.61)
CHARACTER_NS = 120_000


def frames(count: int = 600, *, period_ns: int = 7_000_000, seed: int = 3) -> tuple[I64, U16]:
    """Begins of frames with some jitter, and counts that move by small steps: channels 1 and 2 by turns."""
    rng = np.random.default_rng(seed)
    t_ns = np.arange(count) * period_ns + 500_000 + rng.integers(-200_000, 200_000, count)
    counts = np.full((count, 16), 992, np.uint16)
    walk = np.clip(992 + np.cumsum(rng.integers(-60, 61, count)), 200, 1800)
    half = count // 2
    counts[:half, 0], counts[half:, 0] = walk[:half], walk[half - 1]
    counts[half:, 1] = walk[half:]
    return t_ns, counts


def bus(t_ns: I64, counts: U16, *, bit_ns: float = 10_000.0) -> tuple[Edges, I64]:
    """The line, and the end of each frame's last stop bit."""
    starts = t_ns[:, None] + np.rint(np.arange(FRAME_BYTES) * 12 * bit_ns).astype(np.int64)
    return encode_line(pack_frames(counts).reshape(-1), starts.reshape(-1), bit_ns=bit_ns), starts[:, -1] + round(
        12 * bit_ns
    )


def pulses(begin_ns: I64, counts: U16) -> Edges:
    width = np.rint(SCALE.to_us(counts) * 1000).astype(np.int64)
    edges = np.stack([begin_ns, begin_ns + width], axis=1).reshape(-1)
    return Edges(edges, 0, 0, int(edges[-1]) + 1_000_000)


def sampled(edges: Edges, step_ns: int) -> Edges:
    """As a logic analyser sees it: a change is seen at the next sample."""
    return Edges(-(-edges.t_ns // step_ns) * step_ns, edges.initial, edges.start_ns, edges.end_ns)


def measured(lines: dict[str, Edges], *, step_ns: int) -> Pulses:
    found = find_pulses({name: sampled(edges, step_ns) for name, edges in lines.items()})
    assert found is not None
    assert found.resolution_us == step_ns / 1e3
    return found


@pytest.mark.parametrize(("step_ns", "seen_counts"), [(40, 2), (1_000, 20)])
@pytest.mark.parametrize("latency_ms", [1, 3, 6.5, 7, 11, 20])
def test_a_locked_output_is_late_by_what_was_simulated(latency_ms: float, step_ns: int, seen_counts: int) -> None:
    t_ns, counts = frames()
    line, end_ns = bus(t_ns, counts)
    output = pulses(end_ns + round(latency_ms * 1e6), counts[:, 0])
    (one,) = measured({"bus": line, "a": output}, step_ns=step_ns).lines
    assert one.latency is not None
    assert np.abs(one.latency.late_ns - latency_ms * 1e6).max() <= step_ns
    moved = np.flatnonzero(np.abs(np.diff(counts[:, 0].astype(int))) >= seen_counts) + 1
    assert one.latency.late_ns.size >= 0.99 * moved.size
    found = one.to_json()["latency_s"]
    assert list(found) == ["min", "median", "p99", "max"]
    assert found["median"] == pytest.approx(latency_ms / 1e3, abs=step_ns / 1e9)


@pytest.mark.parametrize("pulse_period_ms", [2.5, 10, 20])
@pytest.mark.parametrize("latency_ms", [1, 4, 9, 20])
def test_an_output_on_its_own_period_waits_for_its_next_pulse(latency_ms: float, pulse_period_ms: float) -> None:
    t_ns, counts = frames(900)
    line, end_ns = bus(t_ns, counts)
    latency_ns = round(latency_ms * 1e6)
    begin_ns = np.arange(25_000_000, int(end_ns[-1]), round(pulse_period_ms * 1e6))
    row = np.searchsorted(end_ns, begin_ns - latency_ns, "right") - 1
    output = pulses(begin_ns[row >= 0], counts[row[row >= 0], 0])
    (one,) = measured({"bus": line, "a": output}, step_ns=40).lines
    assert one.latency is not None
    shown = np.searchsorted(end_ns, one.latency.end_ns - 100)
    first = np.searchsorted(begin_ns, end_ns[shown] + latency_ns)
    assert np.abs(one.latency.late_ns - (begin_ns[first] - end_ns[shown])).max() <= 40
    assert latency_ns - 40 <= one.latency.late_ns.min()
    assert one.latency.late_ns.max() <= latency_ns + pulse_period_ms * 1e6 + 40
    assert one.latency.late_ns.size > 80


def test_a_control_that_jumps_and_rests_shows_it_too() -> None:
    """Nearly all pulses fit at any delay then."""
    t_ns, counts = frames(900)
    counts[:, 0] = np.repeat(np.random.default_rng(5).integers(300, 1700, 18), 50)
    line, end_ns = bus(t_ns, counts)
    begin_ns = np.arange(25_000_000, int(end_ns[-1]), 20_000_000)
    row = np.searchsorted(end_ns, begin_ns - 9_000_000, "right") - 1
    output = pulses(begin_ns[row >= 0], counts[row[row >= 0], 0])
    (one,) = measured({"bus": line, "a": output}, step_ns=40).lines
    assert one.latency is not None
    shown = np.arange(50, 900, 50)
    assert one.latency.late_ns.size == 17
    assert np.abs(one.latency.end_ns - end_ns[shown]).max() <= 40
    first = np.searchsorted(begin_ns, end_ns[shown] + 9_000_000)
    assert np.abs(one.latency.late_ns - (begin_ns[first] - end_ns[shown])).max() <= 40


def test_pulses_at_rest_do_not_hide_those_that_move() -> None:
    """At rest all widths are alike; those in motion are as exact as the steps of the times."""
    t_ns, counts = frames()
    counts[:450, 1], counts[450:, 1] = 992, np.random.default_rng(2).integers(300, 1700, 150)
    line, end_ns = bus(t_ns, counts)
    (one,) = measured({"bus": line, "a": pulses(end_ns + 3_210_000, counts[:, 1])}, step_ns=1_000).lines
    assert one.latency is not None
    assert one.latency.late_ns.size >= 145
    assert np.abs(one.latency.late_ns - 3_210_000).max() <= 1_000


def test_the_bit_time_of_the_line_counts() -> None:
    """A line that is 1 % slow ends its last character 1.2 µs later."""
    t_ns, counts = frames()
    line, end_ns = bus(t_ns, counts, bit_ns=10_100.0)
    (one,) = measured({"bus": line, "a": pulses(end_ns + 2_000_000, counts[:, 0])}, step_ns=40).lines
    assert one.latency is not None
    assert np.abs(one.latency.late_ns - 2_000_000).max() <= 40


def test_a_pulse_that_is_late_for_once_is_the_largest_latency() -> None:
    t_ns, counts = frames()
    line, end_ns = bus(t_ns, counts)
    begin_ns, shown = end_ns + 2_000_000, counts[:, 0].copy()
    late = np.array([100, 150, 200])
    shown[late] = shown[late - 1]  # the old value once more; the new one never comes
    begin_ns[120] += 1_500_000
    (one,) = measured({"bus": line, "a": pulses(begin_ns, shown)}, step_ns=40).lines
    assert one.latency is not None
    assert one.to_json()["latency_s"]["max"] == pytest.approx(0.0035, abs=4e-8)
    assert one.to_json()["latency_s"]["p99"] == pytest.approx(0.002, abs=4e-8)
    assert not np.isin(end_ns[late], one.latency.end_ns).any()


def test_skew_is_between_pulses_that_show_the_same_frame() -> None:
    """Even where no frame moves both channels, as when one control is moved at a time."""
    t_ns, counts = frames()
    line, end_ns = bus(t_ns, counts)
    lines = {
        "bus": line,
        "a": pulses(end_ns + 2_000_000, counts[:, 0]),
        "b": pulses(end_ns + 5_500_000, counts[:, 1]),
        "c": pulses(end_ns + 10_000_000, counts[:, 1]),
    }
    found = measured(lines, step_ns=40)
    b, c = found.to_json()["skew_s"]
    assert (b["sources"], c["sources"]) == (["a", "b"], ["a", "c"])
    assert b["median"] == pytest.approx(0.0035, abs=4e-8)
    assert (b["low"], b["high"]) == (pytest.approx(0.0035, abs=4e-8), pytest.approx(0.0035, abs=4e-8))
    assert c["median"] == pytest.approx(0.008, abs=4e-8)  # not 1 ms, by the pulse of the frame before
    assert b["matches"] >= 590


def test_a_second_receiver_beside_the_first_is_no_output() -> None:
    t_ns, counts = frames()
    line, end_ns = bus(t_ns, counts)
    other, _ = bus(t_ns + 1_230_000, counts)
    found = measured({"left": line, "a": pulses(end_ns + 2_000_000, counts[:, 0]), "right": other}, step_ns=10)
    assert (found.bus, found.idle) == ("left", ())
    (skew,) = found.to_json()["skew_s"]
    assert skew["sources"] == ["left", "right"]
    assert skew["median"] == pytest.approx(0.00123, abs=1e-8)


def test_even_motion_leaves_latency_and_centre_unknown() -> None:
    """A ramp that is late looks like a ramp at another centre."""
    t_ns, counts = frames(400)
    counts[:, 0] = 300 + np.arange(400) * 3
    line, end_ns = bus(t_ns, counts)
    (one,) = measured({"bus": line, "a": pulses(end_ns + 2_000_000, counts[:, 0])}, step_ns=40).lines
    assert one.latency is None
    assert one.to_json()["latency_s"] is None
    assert one.note == EVEN_RAMP
    assert one.fit is not None
    assert (one.fit.known_centre_us, one.fit.scale, round(one.fit.us_per_count, 4)) == (None, None, 0.61)
    assert one.to_json()["fit"]["centre_us"] is None


def test_a_channel_that_jumps_once_has_a_centre_but_no_latency() -> None:
    """Whatever the delay, its two rests lie on one line."""
    t_ns, counts = frames(400)
    counts[:200, 0], counts[200:, 0] = 700, 1300
    line, end_ns = bus(t_ns, counts)
    (one,) = measured({"bus": line, "a": pulses(end_ns + 2_000_000, counts[:, 0])}, step_ns=40).lines
    assert (one.latency, one.note) == (None, EVEN_MOVE)
    assert one.fit is not None
    assert one.fit.known_centre_us == pytest.approx(1520 - 32 * 0.61, abs=0.05)


def test_a_still_channel_shows_no_latency() -> None:
    t_ns, counts = frames()
    line, end_ns = bus(t_ns, counts)
    (one,) = measured({"bus": line, "a": pulses(end_ns + 2_000_000, counts[:, 5])}, step_ns=40).lines
    assert (one.fit, one.latency, one.note) == (None, None, "it follows no channel that moved")


def test_steps_too_small_to_be_seen_in_one_pulse_show_no_latency() -> None:
    """A slow move of one count at a time is below the noise of the widths."""
    t_ns, counts = frames(800)
    wave = np.abs((np.arange(800) // 2) % 400 - 200)
    counts[:, 0] = 892 + wave
    line, end_ns = bus(t_ns, counts)
    output = pulses(end_ns + 2_000_000, counts[:, 0])
    noise = np.random.default_rng(1).normal(0, 2_000, len(output) // 2).astype(np.int64)
    edges = output.t_ns.copy()
    edges[1::2] += noise
    (one,) = measured({"bus": line, "a": Edges(edges, 0, 0, output.end_ns)}, step_ns=1).lines
    assert one.fit is not None
    assert one.latency is None
    assert one.note.startswith("its latency is unknown: ")


def test_an_output_that_falls_behind_for_a_while_is_late_by_that_much() -> None:
    """For fifty frames it shows the frame two before."""
    t_ns, counts = frames()
    line, end_ns = bus(t_ns, counts)
    shown = counts[:, 0].copy()
    shown[100:150] = counts[98:148, 0]
    (one,) = measured({"bus": line, "a": pulses(end_ns + 2_000_000, shown)}, step_ns=40).lines
    assert one.latency is not None
    row = np.searchsorted(end_ns, one.latency.end_ns - 100)
    behind = (row >= 99) & (row < 148)
    # Two periods of 7 ms more, but where the old value is near the new one by chance.
    assert (np.abs(one.latency.late_ns[behind] - 16_000_000) < 500_000).sum() > 25
    assert np.abs(one.latency.late_ns[(row < 98) | (row > 150)] - 2_000_000).max() <= 40


def test_a_frame_with_a_marked_byte_is_obeyed_by_no_pulse() -> None:
    """An edge in channel 1 comes a bit late: the parity is wrong, and so is the value."""
    t_ns, counts = frames()
    line, end_ns = bus(t_ns, counts)
    edges = line.t_ns.copy()
    byte = np.flatnonzero((edges > t_ns[100] + 120_000) & (edges < t_ns[100] + 220_000))  # in the first byte's data
    at = next(one for one in byte.tolist() if edges[one + 1] - edges[one] >= 20_000)
    edges[at] += 10_000
    output = pulses(end_ns + 2_000_000, counts[:, 0])
    (one,) = measured({"bus": Edges(edges, line.initial, line.start_ns, line.end_ns), "a": output}, step_ns=40).lines
    assert one.fit is not None
    assert one.fit.outliers == 0
    assert one.latency is not None
    assert np.abs(one.latency.end_ns - end_ns[100]).min() > 1_000_000
    assert np.abs(one.latency.late_ns - 2_000_000).max() <= 40
