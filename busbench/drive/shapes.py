"""Shapes: what a channel does over time, each a closed form.

A shape maps seconds since its own start to counts. It does not know frames,
rates or limits. Levels are counts as floats; a switch channel reads 0.5 and
above as on.
"""

from __future__ import annotations

import abc
from dataclasses import dataclass
from typing import Literal

import numpy as np

from busbench.drive.hash_random import hash_unit
from busbench.errors import pluralize
from busbench.model import F64

WaveKind = Literal["ramp", "triangle", "sine", "sweep", "square"]


class Shape(abc.ABC):
    """One channel's movement from 0 s to `duration_s`."""

    @property
    @abc.abstractmethod
    def duration_s(self) -> float:
        """Duration of the shape."""

    @abc.abstractmethod
    def counts(self, t_s: F64) -> F64:
        """Counts, float64 (N,), not rounded, at times in s from the shape's start, from 0 up to the duration."""

    @property
    @abc.abstractmethod
    def reach(self) -> tuple[float, float]:
        """The min and max counts."""

    @abc.abstractmethod
    def words(self) -> str:
        """A description without levels, for example "sine, 3 cycles of 4 s"."""


@dataclass(frozen=True, slots=True)
class TimeSpan:
    """The levels of a wave: its full deflections, and its centre."""

    low: float  # low, centre, high: counts, rising
    centre: float
    high: float

    def at(self, wave: F64) -> F64:
        """Levels of a wave of -1 to 1; each half is scaled to its side of the centre."""
        return self.centre + wave * np.where(wave < 0, self.centre - self.low, self.high - self.centre)


@dataclass(frozen=True, slots=True)
class Cycle:
    """Number of cycles, period and phase."""

    period_s: float
    cycles: float = 1.0  # number of cycles; may be a fraction
    phase_deg: float = 0.0  # start within the cycle

    @property
    def duration_s(self) -> float:
        """Time of all cycles."""
        return self.period_s * self.cycles

    def turn(self, t_s: F64) -> F64:
        """The phase at each time, in [0, 1)."""
        return np.mod(t_s / self.period_s + self.phase_deg / 360.0, 1.0)

    def words(self) -> str:
        """For example "3 cycles of 4 s"."""
        phase = f" from {self.phase_deg:g} degrees" if self.phase_deg else ""
        return f"{self.cycles:g} cycle{'' if self.cycles == 1 else 's'} of {self.period_s:g} s{phase}"


def wave(kind: WaveKind, turn: F64) -> F64:
    """One cycle of a wave of -1 to 1.

    Args:
        kind: ramp rises from -1 and falls back at once; triangle and sine begin
            at 0, rising; square is high for half a cycle, then low.
        turn: phase in [0, 1), float64 (N,).
    """
    match kind:
        case "ramp":
            return 2.0 * turn - 1.0
        case "triangle":
            return 1.0 - np.abs(4.0 * np.mod(turn + 0.25, 1.0) - 2.0)
        case "sine" | "sweep":
            return np.sin(2.0 * np.pi * turn)
        case "square":
            return np.where(turn < 0.5, 1.0, -1.0)


@dataclass(frozen=True, slots=True)
class Hold(Shape):
    """One constant level."""

    level: float
    seconds: float

    @property
    def duration_s(self) -> float:
        """Duration of the level."""
        return self.seconds

    def counts(self, t_s: F64) -> F64:
        """The level."""
        return np.full(t_s.shape, self.level)

    @property
    def reach(self) -> tuple[float, float]:
        """See Shape."""
        return self.level, self.level

    def words(self) -> str:
        """For example "hold for 2 s"."""
        return f"hold for {self.seconds:g} s"


class CycleShape(Shape):
    """A periodic shape between the ends of its span."""

    span: TimeSpan
    cycle: Cycle

    @property
    def duration_s(self) -> float:
        """Time of all cycles."""
        return self.cycle.duration_s

    @property
    def reach(self) -> tuple[float, float]:
        """See Shape."""
        return self.span.low, self.span.high


@dataclass(frozen=True, slots=True)
class Wave(CycleShape):
    """A ramp, triangle, sine (or sweep, its other name) or square."""

    kind: WaveKind
    span: TimeSpan
    cycle: Cycle

    def counts(self, t_s: F64) -> F64:
        """The wave on its span."""
        return self.span.at(wave(self.kind, self.cycle.turn(t_s)))

    def words(self) -> str:
        """For example "sine, 3 cycles of 4 s"."""
        return f"{self.kind}, {self.cycle.words()}"


@dataclass(frozen=True, slots=True)
class Levels(CycleShape):
    """Levels in turn, each for an equal share of the cycle."""

    name: str
    levels: tuple[float, ...]
    cycle: Cycle

    def counts(self, t_s: F64) -> F64:
        """The current level."""
        # One billionth of a cycle keeps a frame at a step from being assigned to the level before.
        place = np.mod(self.cycle.turn(t_s) + 1e-9, 1.0) * len(self.levels)
        return np.asarray(self.levels)[place.astype(np.int64)]

    @property
    def reach(self) -> tuple[float, float]:
        """See Shape."""
        return min(self.levels), max(self.levels)

    def words(self) -> str:
        """For example "steps through 3 levels, 2 cycles of 6 s"."""
        return f"{self.name} through {pluralize(len(self.levels), 'level')}, {self.cycle.words()}"


def staircase(low: float, high: float, *, stairs: int, cycle: Cycle) -> Levels:
    """`stairs` levels from low to high, and back down."""
    up = np.linspace(low, high, stairs)
    return Levels("staircase", tuple(float(level) for level in (*up, *up[-2:0:-1])), cycle)


@dataclass(frozen=True, slots=True)
class Chirp(CycleShape):
    """A sine whose frequency changes linearly in time.

    The phase is the integral of the frequency: turns = f0 t + (f1 - f0) t^2 / (2 T),
    with T such that it has `cycle.cycles` turns; `cycle.period_s` is the first period.
    """

    span: TimeSpan
    cycle: Cycle
    period_end_s: float

    @property
    def duration_s(self) -> float:
        """Duration: cycles divided by the mean frequency."""
        return 2.0 * self.cycle.cycles / (1.0 / self.cycle.period_s + 1.0 / self.period_end_s)

    def counts(self, t_s: F64) -> F64:
        """The sine of the phase."""
        first, last = 1.0 / self.cycle.period_s, 1.0 / self.period_end_s
        turns = first * t_s + (last - first) * t_s**2 / (2.0 * self.duration_s) + self.cycle.phase_deg / 360.0
        return self.span.at(np.sin(2.0 * np.pi * turns))

    def words(self) -> str:
        """For example "chirp, 10 cycles, periods from 4 s to 0.5 s"."""
        return f"chirp, {self.cycle.cycles:g} cycles, periods from {self.cycle.period_s:g} s to {self.period_end_s:g} s"


@dataclass(frozen=True, slots=True)
class Wander(CycleShape):
    """Smooth moves between seeded random levels, one per period."""

    span: TimeSpan  # range of the levels
    cycle: Cycle  # `cycle.period_s` is the duration of one move, `cycle.cycles` their number
    seed: int  # the same seed gives the same moves
    stream: int = 0  # channels with the same seed move differently

    def counts(self, t_s: F64) -> F64:
        """The moves, eased in and out by 3 x^2 - 2 x^3."""
        place = t_s / self.cycle.period_s + self.cycle.phase_deg / 360.0
        knot = np.floor(place)
        into = place - knot
        before, after = (
            2.0 * hash_unit((knot + step).astype(np.int64), seed=self.seed * 64 + self.stream) - 1.0 for step in (0, 1)
        )
        return self.span.at(before + (after - before) * into**2 * (3.0 - 2.0 * into))

    def words(self) -> str:
        """For example "wander, 30 moves of 2 s, seed 7"."""
        return f"wander, {self.cycle.cycles:g} moves of {self.cycle.period_s:g} s, seed {self.seed}"


@dataclass(frozen=True, slots=True, eq=False)
class Replay(Shape):
    """The values of a recorded channel: each level holds until the next frame."""

    t_s: F64  # times of the frames, float64 (N,), rising from 0
    levels: F64  # counts, float64 (N,)
    seconds: float  # duration; the last level holds after the recording's end
    source: str  # file and channel, for people

    @property
    def duration_s(self) -> float:
        """Duration of the replay."""
        return self.seconds

    def counts(self, t_s: F64) -> F64:
        """The level of the last frame at or before each time."""
        # Half a microsecond keeps a frame at a recorded time from using the value before.
        at = np.searchsorted(self.t_s, t_s + 5e-7, side="right") - 1
        return self.levels[np.maximum(at, 0)]

    @property
    def reach(self) -> tuple[float, float]:
        """See Shape."""
        return float(self.levels.min()), float(self.levels.max())

    def words(self) -> str:
        """For example "replay of heron.pcapng channel 3, 60 s"."""
        return f"replay of {self.source}, {self.seconds:g} s"
