"""Pulse outputs: widths, the channel that each follows, and the scale."""

from __future__ import annotations

import heron
import numpy as np
import pytest

from busbench.analysis.pulses import find_pulses
from busbench.wire.edges import Edges
from busbench.wire.scale import Scale
from tests.verify.rounds import RIG

ODD = Scale(1024, 1520, 0.61)


def part(first: int, stop: int) -> heron.Round:
    """Some frames of a good round: the elevator moves from 740, the rudder from 1013, the motor from 1843."""
    flown = heron.fly_round(RIG)
    rows = slice(first, stop)
    return heron.Round(flown.t_ns[rows], flown.counts[rows], flown.flags[rows], flown.is_sent[rows], ())


def test_each_line_is_measured_and_its_channel_found() -> None:
    lines = heron.pulse_lines(part(700, 1250), channels={"a": 6, "b": 5, "c": 9}, scale=ODD)
    found = find_pulses(lines)
    assert found is not None
    assert (found.bus, found.frames, found.resolution_us) == ("bus", 550, 0.001)
    rudder, elevator, still = found.lines
    assert (rudder.name, rudder.pulses, rudder.is_inverted, rudder.note) == ("a", 550, False, "")
    assert rudder.width_us.min == pytest.approx(1520 + 0.61 * (123 - 1024), abs=0.001)
    assert rudder.width_us.max == pytest.approx(1520 + 0.61 * (1925 - 1024), abs=0.001)
    assert rudder.period_s.mean == pytest.approx(0.015, abs=1e-6)
    assert rudder.fit is not None
    assert (rudder.fit.channel, rudder.fit.also, rudder.fit.lag_frames, rudder.fit.outliers) == (6, (), 0, 0)
    assert rudder.fit.us_per_count == pytest.approx(0.61, abs=1e-6)
    assert rudder.fit.centre_us == pytest.approx(1520 - 32 * 0.61, abs=0.001)
    assert rudder.fit.residual_us < 0.001
    assert elevator.fit is not None
    assert elevator.fit.channel == 5
    assert still.fit is None
    assert still.note == "it follows no channel that moved"


def test_pulses_on_a_beat_of_their_own_are_followed_too() -> None:
    lines = heron.pulse_lines(part(700, 1250), channels={"a": 6}, scale=ODD, period_ns=20_000_000)
    found = find_pulses(lines)
    assert found is not None
    (line,) = found.lines
    assert line.period_s.mean == pytest.approx(0.02)
    assert line.fit is not None
    assert (line.fit.channel, round(line.fit.us_per_count, 5)) == (6, 0.61)


def test_a_late_output_shows_its_lag() -> None:
    flown = part(700, 1250)
    lines = heron.pulse_lines(flown, channels={"a": 6}, scale=ODD)
    late = Edges(lines["a"].t_ns + 30_000_000, 0, 0, lines["a"].end_ns + 30_000_000)
    found = find_pulses({"bus": lines["bus"], "a": late})
    assert found is not None
    assert found.lines[0].fit is not None
    assert (found.lines[0].fit.channel, found.lines[0].fit.lag_frames) == (6, 2)


@pytest.mark.parametrize("lag", [3, 4, 5, 9, 12])
def test_the_search_goes_on_where_the_best_lag_is_its_last(lag: int) -> None:
    """A lag of 3 frames was the last that was tried, and longer ones came out as 3."""
    lines = heron.pulse_lines(part(700, 1250), channels={"a": 6}, scale=ODD)
    late = Edges(lines["a"].t_ns + lag * 15_000_000, 0, 0, lines["a"].end_ns + lag * 15_000_000)
    found = find_pulses({"bus": lines["bus"], "a": late})
    assert found is not None
    assert found.lines[0].fit is not None
    assert (found.lines[0].fit.channel, found.lines[0].fit.lag_frames) == (6, lag)
    assert found.lines[0].fit.us_per_count == pytest.approx(0.61, abs=1e-6)


def test_a_lag_beyond_the_search_gives_no_scale_and_says_so() -> None:
    lines = heron.pulse_lines(part(700, 1250), channels={"a": 6}, scale=ODD)
    late = Edges(lines["a"].t_ns + 240_000_000, 0, 0, lines["a"].end_ns + 240_000_000)
    found = find_pulses({"bus": lines["bus"], "a": late})
    assert found is not None
    assert found.lines[0].fit is None
    assert found.lines[0].note == "it follows channel 6 by 0.2 s or more: later is not searched"


def test_channels_that_move_alike_leave_a_doubt_but_the_scale_is_sure() -> None:
    found = find_pulses(heron.pulse_lines(part(180, 500), channels={"a": 1}, scale=ODD))
    assert found is not None
    (line,) = found.lines
    assert line.fit is not None
    assert {line.fit.channel, *line.fit.also} == {1, 2}
    assert line.fit.us_per_count == pytest.approx(0.61, abs=1e-6)
    assert "moved alike" in line.note


def test_low_pulses_are_told_from_high_ones() -> None:
    lines = heron.pulse_lines(part(1000, 1250), channels={"a": 6}, scale=ODD)
    low = Edges(lines["a"].t_ns, 1, 0, lines["a"].end_ns)
    found = find_pulses({"bus": lines["bus"], "low": low})
    assert found is not None
    assert found.lines[0].is_inverted
    assert found.lines[0].fit is not None
    assert found.lines[0].fit.us_per_count == pytest.approx(0.61, abs=1e-6)


def test_an_output_that_runs_against_its_channel() -> None:
    lines = heron.pulse_lines(part(1000, 1250), channels={"a": 6}, scale=ODD)
    t = lines["a"].t_ns.copy()
    t[1::2] = t[::2] + 3_040_000 - (t[1::2] - t[::2])  # mirrored about 1520 µs
    found = find_pulses({"bus": lines["bus"], "a": Edges(t, 0, 0, lines["a"].end_ns)})
    assert found is not None
    fit = found.lines[0].fit
    assert fit is not None
    assert (fit.channel, round(fit.us_per_count, 5), fit.scale) == (6, -0.61, None)


def test_noise_of_widths_is_the_residual_and_a_few_false_ones_are_left_out() -> None:
    lines = heron.pulse_lines(part(1000, 1250), channels={"a": 6}, scale=ODD)
    t = lines["a"].t_ns.copy()
    t[1::2] += np.random.default_rng(4).normal(0, 500, t.size // 2).astype(np.int64)
    t[101] += 300_000
    found = find_pulses({"bus": lines["bus"], "a": Edges(t, 0, 0, lines["a"].end_ns)})
    assert found is not None
    fit = found.lines[0].fit
    assert fit is not None
    assert (fit.channel, fit.outliers) == (6, 1)
    assert fit.residual_us == pytest.approx(0.5, abs=0.05)
    assert abs(fit.us_per_count - 0.61) < 4 * fit.us_per_count_se
    assert 1e-5 < fit.us_per_count_se < 1e-4


def test_frames_without_link_do_not_count() -> None:
    flown = part(1000, 1250)
    lines = heron.pulse_lines(flown, channels={"a": 6}, scale=ODD)
    counts, flags = flown.counts.copy(), flown.flags.copy()
    counts[60:90, 5], flags[60:90] = 200, 0x0C  # the output went on as it was
    bus = heron.pulse_lines(heron.Round(flown.t_ns, counts, flags, flown.is_sent, ()), channels={}, scale=ODD)
    found = find_pulses({**bus, "a": lines["a"]})
    assert found is not None
    fit = found.lines[0].fit
    assert fit is not None
    assert (fit.channel, fit.outliers, round(fit.us_per_count, 5)) == (6, 0, 0.61)


def test_one_jump_is_no_move_to_tell_a_channel_by() -> None:
    flown = part(0, 180)
    counts = flown.counts.copy()
    counts[:, 9] = 992 + np.arange(180) % 2
    lines = heron.pulse_lines(heron.Round(flown.t_ns, counts, flown.flags, flown.is_sent, ()), channels={"a": 10},
                              scale=ODD)  # fmt: skip
    counts = counts.copy()
    counts[90, 9] = 1300
    bus = heron.pulse_lines(heron.Round(flown.t_ns, counts, flown.flags, flown.is_sent, ()), channels={}, scale=ODD)
    found = find_pulses({**bus, "a": lines["a"]})
    assert found is not None
    assert found.lines[0].fit is None


def test_signals_that_are_no_pulses_are_named() -> None:
    lines = heron.pulse_lines(part(1000, 1100), channels={}, scale=ODD)
    clock = Edges(np.arange(0, 1_000_000_000, 5_000), 0, 0, 1_000_000_000)
    dead = Edges(np.empty(0, np.int64), 0, 0, 1_000_000_000)
    found = find_pulses({"clock": clock, **lines, "dead": dead})
    assert found is not None
    assert (found.bus, found.lines, found.idle) == ("bus", (), ("clock", "dead"))
    assert find_pulses({"clock": clock, "dead": dead}) is None
