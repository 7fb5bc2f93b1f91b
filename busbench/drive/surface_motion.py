"""The motion of one station of the walk: its channel out and back both ways, then to its limits; all others held."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from busbench.drive.limits import Limits
from busbench.drive.program import RATE_PCT_PER_S, Part, Program, default_limits, lock, rate_counts
from busbench.drive.shapes import Cycle, Hold, Shape, TimeSpan, Wave
from busbench.drive.surface_check import Station
from busbench.wire.frame_spec import ALL_CHANNELS, CHANNELS
from busbench.wire.scale import Scale

REST_S = 0.5  # pause at neutral between the small and the large move
DWELL_S = 1.0  # pause at each end
SWITCH_S = 2.0
SWITCH_CYCLES = 2
HOLD_S = 3600.0  # frames between motions, while questions are answered


def walk_limits(stops: Sequence[Station], *, scale: Scale, rate_pct_per_s: float = RATE_PCT_PER_S) -> Limits:
    """Limits of the whole walk, before those of the plan; its motions take half of the rate."""
    limits = default_limits(scale)
    rate = rate_counts(rate_pct_per_s, "%", scale)
    channels = [replace(limit, rate=rate) for limit in limits.channels]
    switches = list(limits.switches_rest)
    for stop in stops:
        if stop.channel >= CHANNELS:
            switches[stop.channel - CHANNELS] = bool(stop.neutral)
        else:
            channels[stop.channel] = replace(
                channels[stop.channel], low=stop.low, high=stop.high, rest=stop.neutral, rate=rate
            )
    return replace(limits, channels=tuple(channels), switches_rest=tuple(switches))


def station_program(stop: Station, *, limits: Limits, scale: Scale, period_s: float) -> Program:
    """The motion of one station; every other channel is locked at rest."""
    parts, start_s = [], 0.0
    for shape in _shapes(stop, limits):
        parts.append(Part(stop.channel, shape, start_s))
        start_s = parts[-1].end_s
    held = _held(limits, but=stop.channel)
    names = ((stop.channel, stop.name),)
    return Program(stop.name, tuple(parts), held, scale, period_s, channel_names=names)


def hold_program(*, limits: Limits, scale: Scale, period_s: float) -> Program:
    """Every channel locked at rest, for as long as answers may take."""
    held = _held(limits, but=None)
    part = Part(0, Hold(float(limits.channels[0].rest), HOLD_S), 0.0)
    return Program("hold", (part,), held, scale, period_s)


def _held(limits: Limits, *, but: int | None) -> Limits:
    for channel in range(ALL_CHANNELS):
        if channel != but:
            limits = lock(limits, channel=channel)
    return limits


def _shapes(stop: Station, limits: Limits) -> list[Shape]:
    if stop.channel >= CHANNELS:
        on_off: list[Shape] = [Hold(float(level), SWITCH_S) for level in (1 - stop.neutral, stop.neutral)]
        return on_off * SWITCH_CYCLES
    low, neutral, high = float(stop.low), float(stop.neutral), float(stop.high)
    # Half the limit's rate, so that rounding to whole counts per frame never holds the motion back.
    quarter_s = max(high - neutral, neutral - low) / (limits.channels[stop.channel].rate / 2)
    whole, half = TimeSpan(low, neutral, high), TimeSpan((low + neutral) / 2, neutral, (neutral + high) / 2)
    phase = 0.0 if stop.is_high_first else 180.0
    ends = (high, low) if stop.is_high_first else (low, high)

    def piece(cycles: float, turn_deg: float) -> Wave:
        return Wave("triangle", whole, Cycle(4 * quarter_s, cycles, phase + turn_deg))

    return [
        Wave("triangle", half, Cycle(2 * quarter_s, 1.0, phase)),
        Hold(neutral, REST_S),
        piece(0.25, 0.0),
        Hold(ends[0], DWELL_S),
        piece(0.5, 90.0),
        Hold(ends[1], DWELL_S),
        piece(0.25, 270.0),
    ]
