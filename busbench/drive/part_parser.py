"""From the keys of one part to its shape."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import cast

import numpy as np

from busbench.drive.field_reader import Fields
from busbench.drive.program import Unit, level_counts
from busbench.drive.shapes import (
    Chirp,
    Cycle,
    Hold,
    Levels,
    Replay,
    Shape,
    TimeSpan,
    Wander,
    Wave,
    staircase,
)
from busbench.errors import DriveError, quote_value
from busbench.model import F64
from busbench.wire.codec import CHANNELS, COUNTS_MAX
from busbench.wire.frame_spec import ALL_CHANNELS
from busbench.wire.scale import Scale

SHAPES = ("hold", "ramp", "triangle", "sine", "square", "steps", "staircase", "chirp", "wander", "replay")
UNITS = ("%", "us", "counts")
SWITCH_SHAPES = ("hold", "square", "steps")
PERIODS_S = (0.02, 86_400.0)
CYCLES = (1e-3, 1e6)
SEED_MAX = 2**63 - 1
SPAN_PCT = (-50.0, 50.0)  # where a wave goes when nobody says


@dataclass(frozen=True, slots=True, eq=False)
class ReplaySource:
    """What a recording's channels did.

    Args:
        t_s: times of the frames, float64 (N,), rising from 0.
        levels: counts of channels 1-16 and 0 or 1 for 17 and 18, float64 (N, 18).
    """

    t_s: F64
    levels: F64


Loader = Callable[[str], ReplaySource]


@dataclass(frozen=True, slots=True)
class Context:
    """What a part's values mean.

    Args:
        unit: of its levels, where it names none itself.
        scale: counts against microseconds.
        load: reads a recording by its name, for replay.
    """

    unit: Unit
    scale: Scale
    load: Loader


def read_channels(fields: Fields) -> tuple[int, ...]:
    """Channels 0-17 of the key `channel`: one number or a list of numbers 1-18.

    Raises:
        DriveError: there is none, one is none, or one stands there twice.
    """
    value = fields.raw("channel")
    hint = f"give 1 to {ALL_CHANNELS}"
    if value is None:
        raise fields.error("channel", "missing", hint=hint)
    given: list[object] = list(value) if isinstance(value, list | tuple) else [value]
    if not given:
        raise fields.error("channel", "names no channel", hint=hint)
    numbers: list[int] = []
    for number in given:
        if isinstance(number, bool) or not isinstance(number, int) or not 1 <= number <= ALL_CHANNELS:
            raise DriveError(f"{fields.at('channel')}: {quote_value(number)} is not a channel", hint=hint)
        numbers.append(number)
    if len(set(numbers)) != len(numbers):
        raise fields.error("channel", "names a channel twice", hint="name each once")
    return tuple(number - 1 for number in numbers)


def read_part(fields: Fields, *, context: Context) -> tuple[tuple[int, ...], float, Callable[[int], Shape]]:
    """Channels, delay and the shape for each channel of one part.

    Raises:
        DriveError: names place, key and value.
    """
    channels = read_channels(fields)
    word = fields.word("shape", None, choices=SHAPES)
    delay_s = fields.number("delay", 0.0, low=0.0, high=PERIODS_S[1], unit="s")
    unit = cast("Unit", fields.word("unit", context.unit, choices=UNITS))
    reader = _Reader(fields, Context(unit, context.scale, context.load))
    shapes = {channel: reader.shape(word, channel) for channel in channels}
    fields.finish(of=f"a part with shape {word}")
    return channels, delay_s, shapes.__getitem__


class _Reader:
    def __init__(self, fields: Fields, context: Context) -> None:
        self._fields = fields
        self._context = context

    def shape(self, word: str, channel: int) -> Shape:
        if channel >= CHANNELS and word not in (*SWITCH_SHAPES, "replay"):
            hint = f"give {', '.join(SWITCH_SHAPES)} or replay"
            raise self._fields.error("shape", f"does not fit channel {channel + 1}, which is on or off", hint=hint)
        fields = self._fields
        match word:
            case "hold":
                seconds = fields.number("duration", None, low=PERIODS_S[0], high=PERIODS_S[1], unit="s")
                return Hold(self._level("level", channel), seconds)
            case "square" if channel >= CHANNELS:
                return Wave("square", TimeSpan(0.0, 0.5, 1.0), self._beat())
            case "ramp" | "triangle" | "sine" | "square":
                return Wave(word, self._span(channel), self._beat())
            case "steps":
                levels = tuple(self._one(v, "levels", channel) for v in fields.items("levels"))
                return Levels("steps", levels, self._beat())
            case "staircase":
                low, high = self._ends(channel)
                stairs = fields.whole("stairs", 5, low=2, high=COUNTS_MAX)
                return staircase(low, high, stairs=stairs, beat=self._beat())
            case "chirp":
                last = fields.number("period_end", None, low=PERIODS_S[0], high=PERIODS_S[1], unit="s")
                return Chirp(self._span(channel), self._beat(), last)
            case "wander":
                return Wander(self._span(channel), self._beat(), fields.whole("seed", 1, low=0, high=SEED_MAX), channel)
            case "replay":
                return self._replay(channel)
        raise AssertionError(word)

    def _beat(self) -> Cycle:
        fields = self._fields
        return Cycle(
            fields.number("period", None, low=PERIODS_S[0], high=PERIODS_S[1], unit="s"),
            fields.number("cycles", 1.0, low=CYCLES[0], high=CYCLES[1]),
            fields.number("phase", 0.0, low=-360.0, high=360.0, unit="degrees"),
        )

    def _ends(self, channel: int) -> tuple[float, float]:
        low, high = (
            level_counts(pct, "%", self._context.scale) if self._fields.raw(key) is None else self._level(key, channel)
            for key, pct in zip(("low", "high"), SPAN_PCT, strict=True)
        )
        if low > high:
            key, other, side = ("low", "high", "above") if "low" in self._fields else ("high", "low", "below")
            usual = f"{SPAN_PCT[other == 'high']:g} % unless given"
            rest = quote_value(self._fields.raw(other)) if other in self._fields else usual
            raise self._fields.error(key, f"is {side} {other}, which is {rest}", hint="low must not exceed high")
        return low, high

    def _span(self, channel: int) -> TimeSpan:
        low, high = self._ends(channel)
        centre = (low + high) / 2.0 if self._fields.raw("centre") is None else self._level("centre", channel)
        if not low <= centre <= high:
            raise self._fields.error(
                "centre", "is not between low and high", hint="give a level between them, or leave it out"
            )
        return TimeSpan(low, centre, high)

    def _level(self, key: str, channel: int) -> float:
        value = self._fields.raw(key)
        if value is None:
            raise self._fields.error(key, "missing", hint="state where the channel stands")
        return self._one(value, key, channel)

    def _one(self, value: object, key: str, channel: int) -> float:
        at, unit, scale = self._fields.at(key), self._context.unit, self._context.scale
        if channel >= CHANNELS:
            if value not in ("on", "off") and not isinstance(value, bool):
                raise DriveError(
                    f"{at}: {quote_value(value)} is not a state of channel {channel + 1}", hint="give on or off"
                )
            return 1.0 if value in ("on", True) else 0.0
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise DriveError(f"{at}: {quote_value(value)} is not a number", hint=f"give a level in {unit}")
        # Bars NaN and what no float holds before any sum is done with it.
        counts = level_counts(float(value), unit, scale) if abs(value) < 1e9 else np.nan
        if not 0 <= counts <= COUNTS_MAX:
            raise DriveError(f"{at}: {quote_value(value)} {unit} does not fit a frame", hint=_room(unit, scale))
        return counts

    def _replay(self, channel: int) -> Replay:
        fields = self._fields
        name = fields.text("recording", None)
        recorded = self._context.load(name)
        source = fields.whole("from_channel", channel + 1, low=1, high=ALL_CHANNELS) - 1
        if (source >= CHANNELS) != (channel >= CHANNELS):
            raise fields.error(
                "from_channel",
                f"is not of one kind with channel {channel + 1}",
                hint="channels 1-16 hold levels, 17 and 18 are on or off",
            )
        length_s = float(recorded.t_s[-1]) if recorded.t_s.size else 0.0
        start_s = fields.number("start", 0.0, low=0.0, high=length_s, unit="s")
        rest = max(length_s - start_s, PERIODS_S[0])
        seconds = fields.number("duration", rest, low=PERIODS_S[0], high=PERIODS_S[1], unit="s")
        first = max(int(np.searchsorted(recorded.t_s, start_s + 5e-7, side="right")) - 1, 0)
        t_s = np.maximum(recorded.t_s[first:] - start_s, 0.0)
        return Replay(t_s, recorded.levels[first:, source].copy(), seconds, f"{name} channel {source + 1}")


def _room(unit: Unit, scale: Scale) -> str:
    match unit:
        case "%":
            low, high = scale.to_percent(0.0), scale.to_percent(float(COUNTS_MAX))
            return f"give {low:.1f} to {high:.1f} %"
        case "us":
            low, high = scale.to_us(0.0), scale.to_us(float(COUNTS_MAX))
            return f"give {low:.1f} to {high:.1f} us"
        case "counts":
            return f"give 0 to {COUNTS_MAX} counts"
