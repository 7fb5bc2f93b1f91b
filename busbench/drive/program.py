"""A program: which channel does what and when, with which faults, within which limits."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np

from busbench.drive.limits import ChannelLimit, Limits
from busbench.drive.shapes import Shape
from busbench.errors import DriveError
from busbench.model import F64
from busbench.wire.frame_spec import ALL_CHANNELS, CHANNELS, COUNTS_MAX, END_BYTES, END_PLAIN
from busbench.wire.scale import Scale

FaultKind = Literal["lost", "failsafe", "gap", "flips"]
Order = Literal["together", "in turn"]
FRAME_PERIOD_S = 0.007  # common practice, no source; 14 or 15 ms are also in use
FRAME_PERIODS_S = (0.004, 1.0)  # 25 characters take 3.0 ms
PROGRAM_MAX_S = 7 * 86_400.0
RATE_PCT_PER_S = 100.0  # end to end in two seconds, about six times slower than a servo
TRAVEL_PCT = 100.0


@dataclass(frozen=True, slots=True, eq=False)
class Part:
    """One shape on one channel."""

    channel: int  # 0-17
    shape: Shape
    start_s: float  # start, in seconds from the start of the program

    @property
    def end_s(self) -> float:
        """The end of it, in seconds."""
        return self.start_s + self.shape.duration_s


@dataclass(frozen=True, slots=True)
class FrameFault:
    """An intentional fault."""

    kind: FaultKind  # frame-lost flag, failsafe flag, frames not sent, or bits flipped
    start_s: float  # start_s, duration_s: seconds from the start of the program
    duration_s: float
    flips: float = 0.0  # probability that a byte has one of its bits flipped (flips only)
    seed: int = 0


@dataclass(frozen=True, slots=True, eq=False)
class Program:
    """All that is to be sent."""

    name: str
    parts: tuple[Part, ...]  # in any order; no two on one channel overlap
    limits: Limits  # how far, how fast, and what stays locked
    scale: Scale  # counts against microseconds, for people
    period_s: float = FRAME_PERIOD_S  # time from frame to frame
    end_bytes: tuple[int, ...] = (END_PLAIN,)  # byte 24 of the frames, in turn
    faults: tuple[FrameFault, ...] = ()  # as many as wanted; they may overlap
    repeat: int = 1  # how often the parts are run through
    channel_names: tuple[tuple[int, str], ...] = ()  # names by channel (0-17), for people
    # stated_rests, stated_travels: channels (0-17) of which it states rest or travel limits by themselves; those of all
    # others are what is usual and yield to a plan
    stated_rests: frozenset[int] = frozenset()
    stated_travels: frozenset[int] = frozenset()
    _spans_s: F64 = field(init=False, repr=False)  # begin and end of each part, (2, parts)

    def __post_init__(self) -> None:
        spans_s = [[part.start_s for part in self.parts], [part.end_s for part in self.parts]]
        object.__setattr__(self, "_spans_s", np.array(spans_s, np.float64))
        if not FRAME_PERIODS_S[0] <= self.period_s <= FRAME_PERIODS_S[1]:
            low, high = FRAME_PERIODS_S
            raise DriveError(f"frame period: {self.period_s:g} s is out of range", hint=f"give {low:g} to {high:g} s")
        if not self.end_bytes or any(end not in END_BYTES for end in self.end_bytes):
            raise DriveError(
                f"end bytes: {self.end_bytes} is not an end byte", hint="give 0x00, 0x04, 0x14, 0x24, 0x34"
            )
        if not self.duration_s <= PROGRAM_MAX_S:
            raise DriveError(
                f"{self.name}: lasts {self.duration_s:,.0f} s", hint=f"keep it to {PROGRAM_MAX_S:,.0f} s (7 days)"
            )

    @property
    def round_s(self) -> float:
        """Duration of one run through all parts."""
        return float(self._spans_s[1].max(initial=0.0))

    @property
    def duration_s(self) -> float:
        """Duration of the whole program, or of its faults if they last longer; noise adds no frames."""
        ends_s = (fault.start_s + fault.duration_s for fault in self.faults if fault.kind != "flips")
        return max([self.round_s * self.repeat, *ends_s])

    @property
    def slots(self) -> int:
        """Number of frames of the whole program."""
        return max(1, math.ceil(self.duration_s / self.period_s - 1e-6))

    def wanted(self, slot: int, count: int) -> F64:
        """The targets of the parts, one row per frame.

        Args:
            slot: the first frame, from 0.
            count: how many.

        Returns:
            Counts of channels 1-16 and levels of 17 and 18, float64 (count, 18),
            NaN where no part has a target: the channel rests.
        """
        t_s = np.arange(slot, slot + count, dtype=np.float64) * self.period_s
        if self.repeat > 1:
            lap = np.floor((t_s + 1e-9) / self.round_s)
            t_s = np.where(lap < self.repeat, np.maximum(t_s - lap * self.round_s, 0.0), np.inf)
        rows = np.full((count, ALL_CHANNELS), np.nan)
        starts_s, ends_s = self._spans_s - 1e-9
        for index in np.flatnonzero((starts_s <= t_s.max(initial=-1.0)) & (ends_s > t_s.min(initial=np.inf))).tolist():
            part = self.parts[index]
            # One nanosecond assigns a frame on the boundary of two parts to the later one.
            inside = (t_s >= part.start_s - 1e-9) & (t_s < part.end_s - 1e-9)
            if inside.any():
                since = np.maximum(t_s[inside] - part.start_s, 0.0)
                rows[inside, part.channel] = part.shape.counts(since)
        return rows

    def named(self, channel: int) -> str:
        """Number and name of a channel (0-17), for example "channel 1 (left aileron)"."""
        name = dict(self.channel_names).get(channel, "")
        return f"channel {channel + 1} ({name})" if name else f"channel {channel + 1}"


def arrange(parts: Sequence[tuple[Sequence[int], float, Callable[[int], Shape]]], *, order: Order) -> tuple[Part, ...]:
    """Arrange parts in time.

    Args:
        parts: channels (0-17), delay in seconds, and the shape for each channel.
        order: "together": all channels begin at once, each with its own parts one
            after another; "in turn": each part begins at the end of the one before.
    """
    free = dict.fromkeys(range(ALL_CHANNELS), 0.0)
    placed: list[Part] = []
    for channels, delay_s, shape_of in parts:
        done = max(free.values())
        for channel in channels:
            start_s = (done if order == "in turn" else free[channel]) + delay_s
            placed.append(Part(channel, shape_of(channel), start_s))
            free[channel] = placed[-1].end_s
    return tuple(placed)


def default_limits(scale: Scale) -> Limits:
    """The default limits: full travel, slow, rest in the middle."""
    low, rest, high = (round(level_counts(pct, "%", scale)) for pct in (-TRAVEL_PCT, 0.0, TRAVEL_PCT))
    rate = rate_counts(RATE_PCT_PER_S, "%", scale)
    return Limits((ChannelLimit(max(0, low), min(COUNTS_MAX, high), rest, rate),) * CHANNELS)


def lock(limits: Limits, *, channel: int, rest: int | None = None) -> Limits:
    """The same limits with one channel (0-17) locked, at given counts (0 and 1 on 16 and 17) or at its rest."""
    if channel >= CHANNELS:
        at = channel - CHANNELS
        locked = tuple(is_locked or i == at for i, is_locked in enumerate(limits.switches_locked))
        states = tuple(
            bool(rest) if i == at and rest is not None else state for i, state in enumerate(limits.switches_rest)
        )
        return replace(limits, switches_locked=locked, switches_rest=states)
    channels = list(limits.channels)
    old = channels[channel]
    channels[channel] = replace(old, is_locked=True, rest=old.rest if rest is None else rest)
    return replace(limits, channels=tuple(channels))


Unit = Literal["%", "us", "counts"]


def level_counts(value: float, unit: Unit, scale: Scale) -> float:
    """Counts of a level in a unit."""
    match unit:
        case "%":
            return float(scale.from_percent(value))
        case "us":
            return float(scale.to_counts(value))
        case "counts":
            return value


def rate_counts(value: float, unit: Unit, scale: Scale) -> float:
    """Counts per second from a rate in a unit per second."""
    return abs(level_counts(value, unit, scale) - level_counts(0.0, unit, scale))
