"""Make the shape of one part from its keys."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np

from busbench.drive.program import Unit, level_counts
from busbench.drive.program_keys import PERIODS_S, PartTable
from busbench.drive.shape_words import SHAPES, switch_words
from busbench.drive.shapes import Cycle, Replay, Shape, TimeSpan
from busbench.errors import any_of, quote_value
from busbench.model import F64
from busbench.schema import TablePlace
from busbench.wire.frame_spec import ALL_CHANNELS, CHANNELS, COUNTS_MAX
from busbench.wire.scale import Scale

SPAN_PCT = (-50.0, 50.0)  # default levels of a wave


@dataclass(frozen=True, slots=True, eq=False)
class ReplaySource:
    """The channel values of a recording."""

    t_s: F64  # times of the frames, at least one, float64 (N,), rising from 0
    levels: F64  # counts of channels 1-16 and 0 or 1 for 17 and 18, float64 (N, 18)


Loader = Callable[[str], ReplaySource]


@dataclass(frozen=True, slots=True)
class Context:
    """The context of a part's values."""

    unit: Unit  # default unit of its levels
    scale: Scale  # conversion of counts to microseconds
    load: Loader  # loads a recording by name, for replay


def read_part(
    part: PartTable, place: TablePlace, *, context: Context
) -> tuple[tuple[int, ...], float, Callable[[int], Shape]]:
    """Channels (0-17), delay and the shape for each channel of one part; DriveError names place, key and value."""
    channels = _channels(part.channel, place)
    reader = ShapeReader(part, place, Context(part.unit or context.unit, context.scale, context.load))
    shapes = {channel: reader.shape(channel) for channel in channels}
    return channels, part.delay, shapes.__getitem__


def _channels(value: Any, place: TablePlace) -> tuple[int, ...]:
    """Channels 0-17 of one number or a list of numbers 1-18."""
    hint = f"give 1 to {ALL_CHANNELS}"
    given = list(value) if isinstance(value, list | tuple) else [value]
    if not given:
        raise place.error("channel", "names no channel", hint=hint)
    for number in given:
        if isinstance(number, bool) or not isinstance(number, int) or not 1 <= number <= ALL_CHANNELS:
            raise place.error("channel", "is not a channel", hint=hint, value=number)
    if len(set(given)) != len(given):
        raise place.error("channel", "names a channel twice", hint="name each once")
    return tuple(number - 1 for number in given)


def level_of(value: Any, key: str, place: TablePlace, channel: int, unit: Unit, scale: Scale) -> float:
    """Counts of a level, not rounded; 0 or 1 on channels 17 and 18; DriveError: invalid, or out of range."""
    if channel >= CHANNELS:
        if value not in ("on", "off") and not isinstance(value, bool):
            raise place.error(key, f"is not a state of channel {channel + 1}", hint="give on or off", value=value)
        return 1.0 if value in ("on", True) else 0.0
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise place.error(key, "is not a number", hint=f"give a level in {unit}", value=value)
    # Refuses NaN and values beyond float range before any calculation.
    counts = level_counts(float(value), unit, scale) if abs(value) < 1e9 else np.nan
    if not 0 <= counts <= COUNTS_MAX:
        raise place.error(key, f"{unit} does not fit a frame", hint=_room(unit, scale), value=value)
    return counts


class ShapeReader:
    """Reads the values of a shape from one part; errors name their place."""

    def __init__(self, table: PartTable, place: TablePlace, context: Context) -> None:
        self.table, self._place, self._context = table, place, context

    def shape(self, channel: int) -> Shape:
        """The shape of one channel (0-17)."""
        declared = SHAPES[self.table.shape]
        if channel >= CHANNELS and not declared.fits_switch:
            hint = f"give {any_of(switch_words())}"
            raise self._place.error("shape", f"does not fit channel {channel + 1}, which is on or off", hint=hint)
        return declared.make(self, channel)

    def levels(self, channel: int) -> tuple[float, ...]:
        """The list of levels."""
        if not self.table.levels:
            raise self._place.missing("levels", hint=self._place.reader.list_hint)
        return tuple(self._counts(value, "levels", channel) for value in self.table.levels)

    def needed(self, key: str) -> float:
        """A required key in seconds."""
        value: float | None = getattr(self.table, key)
        if value is None:
            raise self._place.missing(key)
        return value

    def cycle(self) -> Cycle:
        """Period, cycles and phase."""
        return Cycle(self.needed("period"), self.table.cycles, self.table.phase)

    def _counts(self, value: Any, key: str, channel: int) -> float:
        return level_of(value, key, self._place, channel, self._context.unit, self._context.scale)

    def level(self, key: str, channel: int) -> float:
        """One required level."""
        value = getattr(self.table, key)
        if value is None:
            raise self._place.missing(key, hint="state where the channel is")
        return self._counts(value, key, channel)

    def ends(self, channel: int) -> tuple[float, float]:
        """Low and high."""
        part = self.table
        low, high = (
            level_counts(pct, "%", self._context.scale) if value is None else self._counts(value, key, channel)
            for key, value, pct in zip(("low", "high"), (part.low, part.high), SPAN_PCT, strict=True)
        )
        if low > high:
            key, other, side = ("high", "low", "below") if part.low is None else ("low", "high", "above")
            usual = f"{SPAN_PCT[other == 'high']:g} % unless given"
            rest = quote_value(self._place.given(other)) if other in self._place else usual
            raise self._place.error(key, f"is {side} {other}, which is {rest}", hint="low must not exceed high")
        return low, high

    def span(self, channel: int) -> TimeSpan:
        """Low, centre and high."""
        low, high = self.ends(channel)
        centre = (low + high) / 2.0 if self.table.centre is None else self.level("centre", channel)
        if not low <= centre <= high:
            hint = "give a level between them, or leave it out"
            raise self._place.error("centre", "is not between low and high", hint=hint)
        return TimeSpan(low, centre, high)

    def replay(self, channel: int) -> Replay:
        """A channel of a recording."""
        part, place = self.table, self._place
        if part.recording is None:
            raise place.missing("recording", hint="name the file")
        recorded = self._context.load(part.recording)
        source = channel if part.from_channel is None else part.from_channel - 1
        if (source >= CHANNELS) != (channel >= CHANNELS):
            what = f"is not of one kind with channel {channel + 1}"
            raise place.error("from_channel", what, hint="channels 1-16 hold levels, 17 and 18 are on or off")
        length_s = float(recorded.t_s[-1])
        if part.start > length_s:
            raise place.error("start", "is out of range", hint=f"give 0 to {length_s:.10g} s")
        seconds = max(length_s - part.start, PERIODS_S[0]) if part.duration is None else part.duration
        first = int(np.searchsorted(recorded.t_s, part.start + 5e-7, side="right")) - 1
        t_s = np.maximum(recorded.t_s[first:] - part.start, 0.0)
        name = f"{part.recording} channel {source + 1}"
        return Replay(t_s, recorded.levels[first:, source].copy(), seconds, name)


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
