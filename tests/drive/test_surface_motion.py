"""The motion of a station, part by part, and the limits of a walk."""

from __future__ import annotations

from dataclasses import replace

import pytest

from busbench.drive.program import default_limits, lock
from busbench.drive.shapes import Cycle, Hold, Shape, TimeSpan, Wave
from busbench.drive.surface_check import Station
from busbench.drive.surface_motion import hold_program, station_program, walk_limits
from busbench.wire.scale import Scale

SCALE = Scale()
AILERON = Station("left aileron", 0, ("left aileron",), "up", "down", True, 173, 992, 1811)
FLAP = Station("right flap", 15, ("right flap",), "up", "down", False, 500, 1100, 1300)
RELEASE = Station("tow release", 16, ("tow release",), "on", "off", True, 0, 0, 1)
HORN = Station("horn", 17, ("horn",), "off", "on", False, 0, 1, 1)


def triangle(low: float, centre: float, high: float, period_s: float, cycles: float, phase_deg: float) -> Wave:
    return Wave("triangle", TimeSpan(low, centre, high), Cycle(period_s, cycles, phase_deg))


def moved(stop: Station, *, rate_pct_per_s: float = 100.0, period_s: float = 0.015) -> list[tuple[int, float, Shape]]:
    limits = walk_limits([AILERON, FLAP, RELEASE, HORN], scale=SCALE, rate_pct_per_s=rate_pct_per_s)
    program = station_program(stop, limits=limits, scale=SCALE, period_s=period_s)
    assert (program.name, program.period_s, program.scale) == (stop.name, period_s, SCALE)
    assert program.named(stop.channel) == f"channel {stop.channel + 1} ({stop.name})"
    return [(part.channel, part.start_s, part.shape) for part in program.parts]


def test_an_aileron_goes_half_way_both_ways_then_to_its_ends() -> None:
    # 100 % a second are 819 counts a second, of which a motion takes half: 2 s from neutral to an end.
    assert moved(AILERON) == [
        (0, 0.0, triangle(582.5, 992, 1401.5, 4.0, 1.0, 0.0)),
        (0, 4.0, Hold(992, 0.5)),
        (0, 4.5, triangle(173, 992, 1811, 8.0, 0.25, 0.0)),
        (0, 6.5, Hold(1811, 1.0)),
        (0, 7.5, triangle(173, 992, 1811, 8.0, 0.5, 90.0)),
        (0, 11.5, Hold(173, 1.0)),
        (0, 12.5, triangle(173, 992, 1811, 8.0, 0.25, 270.0)),
    ]


@pytest.mark.parametrize(("rate_pct_per_s", "quarter_s"), [(100, 600 / 409.5), (50, 600 / 204.75)])
def test_a_flap_that_falls_first_takes_the_time_of_its_longer_way(rate_pct_per_s: float, quarter_s: float) -> None:
    got = moved(FLAP, rate_pct_per_s=rate_pct_per_s)
    assert [shape for _, _, shape in got] == [
        triangle(800, 1100, 1200, 2 * quarter_s, 1.0, 180.0),
        Hold(1100, 0.5),
        triangle(500, 1100, 1300, 4 * quarter_s, 0.25, 180.0),
        Hold(500, 1.0),
        triangle(500, 1100, 1300, 4 * quarter_s, 0.5, 270.0),
        Hold(1300, 1.0),
        triangle(500, 1100, 1300, 4 * quarter_s, 0.25, 450.0),
    ]
    assert {channel for channel, _, _ in got} == {15}


@pytest.mark.parametrize(("stop", "levels"), [(RELEASE, [1, 0, 1, 0]), (HORN, [0, 1, 0, 1])])
def test_an_on_off_channel_leaves_its_rest_twice_for_2_s(stop: Station, levels: list[float]) -> None:
    assert moved(stop) == [(stop.channel, 2.0 * number, Hold(level, 2.0)) for number, level in enumerate(levels)]


@pytest.mark.parametrize(("rate_pct_per_s", "rate"), [(100.0, 819.0), (50.0, 409.5)])
def test_the_limits_of_a_walk_are_those_of_its_stations(rate_pct_per_s: float, rate: float) -> None:
    limits = walk_limits([AILERON, FLAP, HORN], scale=SCALE, rate_pct_per_s=rate_pct_per_s)
    usual = replace(default_limits(SCALE).channels[0], rate=rate)
    assert limits.channels[0] == replace(usual, low=173, rest=992, high=1811)
    assert limits.channels[15] == replace(usual, low=500, rest=1100, high=1300)
    assert limits.channels[1:15] == (usual,) * 14
    assert (limits.switches_rest, limits.switches_locked) == ((False, True), (False, False))
    assert walk_limits([], scale=SCALE).channels[3].rate == 819.0


@pytest.mark.parametrize("stop", [AILERON, FLAP, RELEASE, HORN, None], ids=lambda stop: stop.name if stop else "none")
def test_all_else_is_locked_where_it_rests(stop: Station | None) -> None:
    limits = lock(walk_limits([AILERON, FLAP, RELEASE, HORN], scale=SCALE), channel=7, rest=173)
    if stop is None:
        program = hold_program(limits=limits, scale=SCALE, period_s=0.02)
        assert (program.duration_s, program.period_s, program.scale) == (3600.0, 0.02, SCALE)
    else:
        program = station_program(stop, limits=limits, scale=SCALE, period_s=0.02)
    held = [channel for channel in range(18) if program.limits.is_locked(channel)]
    assert held == [channel for channel in range(18) if stop is None or channel != stop.channel]
    assert [one.rest for one in program.limits.channels] == [992] * 7 + [173] + [992] * 7 + [1100]
    assert program.limits.switches_rest == (False, True)
