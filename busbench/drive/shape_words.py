"""The declared shapes: keys of each, and how to make it. Programs, help, options and screens read this."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

from busbench.drive.shapes import Chirp, Hold, Levels, Shape, TimeSpan, Wander, Wave, WaveKind, staircase
from busbench.errors import any_of
from busbench.wire.frame_spec import CHANNELS

if TYPE_CHECKING:
    from busbench.drive.part_parser import ShapeReader

Make = Callable[["ShapeReader", int], Shape]


@dataclass(frozen=True, slots=True)
class ShapeWord:
    """One shape."""

    text: str  # what it does, in words that follow its name; "" of an alias
    keys: tuple[str, ...]  # keys of a part with this shape, besides those of all parts
    make: Make  # makes it from the reader of a part and a channel (0-17)
    fits_switch: bool = False  # True if it fits the on/off channels 17 and 18
    same_as: str = ""  # the shape of which it is an alias

    @property
    def is_wave(self) -> bool:
        """True if low, high, period and cycles are enough, as set on the screen."""
        return (
            not self.same_as and {"low", "high", "period", "cycles"} <= set(self.keys) and "period_end" not in self.keys
        )


SHAPES: dict[str, ShapeWord] = {}


def shape_word(
    word: str, text: str, *, keys: tuple[str, ...], fits_switch: bool = False, same_as: str = ""
) -> Callable[[Make], Make]:
    """Declare a shape; the decorated function makes it from a part."""

    def declare(make: Make) -> Make:
        SHAPES[word] = ShapeWord(text, keys, make, fits_switch, same_as)
        return make

    return declare


def switch_words() -> tuple[str, ...]:
    """The shapes that fit channels 17 and 18."""
    return tuple(word for word, declared in SHAPES.items() if declared.fits_switch)


def shapes_text() -> str:
    """All shapes in words, with their aliases."""
    also = {declared.same_as: f" (also {word})" for word, declared in SHAPES.items()}
    return any_of([f"{word}{also.get(word, '')}" for word, declared in SHAPES.items() if not declared.same_as])


def shape_lines() -> list[str]:
    """A line for each shape: its words, and what it does."""
    names = {
        word: ", ".join([*(also for also, other in SHAPES.items() if other.same_as == word), word])
        for word, declared in SHAPES.items()
        if not declared.same_as
    }
    cells = max(map(len, names.values()))
    return [f"{name:<{cells}}  {SHAPES[word].text}" for word, name in names.items()]


_WAVE = ("low", "high", "centre", "period", "cycles", "phase")


def _wave(kind: WaveKind) -> Make:
    def make(part: ShapeReader, channel: int) -> Shape:
        is_switch = channel >= CHANNELS
        return Wave(kind, TimeSpan(0.0, 0.5, 1.0) if is_switch else part.span(channel), part.cycle())

    return make


shape_word("sweep", "", keys=_WAVE, same_as="sine")(_wave("sweep"))


@shape_word("hold", "holds --level for --duration", keys=("level", "duration"), fits_switch=True)
def _hold(part: ShapeReader, channel: int) -> Shape:
    return Hold(part.level("level", channel), part.needed("duration"))


shape_word("ramp", "rises from low to high, then restarts", keys=_WAVE)(_wave("ramp"))
shape_word("triangle", "goes up and down in straight lines, a cycle in each --period", keys=_WAVE)(_wave("triangle"))
shape_word("sine", "swings between --low and --high, a cycle in each --period", keys=_WAVE)(_wave("sine"))
shape_word("square", "is high for half a cycle, then low", keys=_WAVE, fits_switch=True)(_wave("square"))


@shape_word("steps", "holds each of --levels in turn", keys=("levels", "period", "cycles", "phase"), fits_switch=True)
def _steps(part: ShapeReader, channel: int) -> Shape:
    return Levels("steps", part.levels(channel), part.cycle())


@shape_word(
    "staircase",
    "goes up and down in --stairs equal steps",
    keys=("low", "high", "stairs", "period", "cycles", "phase"),
)
def _staircase(part: ShapeReader, channel: int) -> Shape:
    low, high = part.ends(channel)
    return staircase(low, high, stairs=part.table.stairs, cycle=part.cycle())


@shape_word("chirp", "is a sine whose cycle changes from --period to --period-end", keys=(*_WAVE, "period_end"))
def _chirp(part: ShapeReader, channel: int) -> Shape:
    return Chirp(part.span(channel), part.cycle(), part.needed("period_end"))


@shape_word("wander", "moves at random, by --seed", keys=(*_WAVE, "seed"))
def _wander(part: ShapeReader, channel: int) -> Shape:
    return Wander(part.span(channel), part.cycle(), part.table.seed, channel)


@shape_word(
    "replay",
    "repeats what a channel of a --recording did",
    keys=("recording", "from_channel", "start", "duration"),
    fits_switch=True,
)
def _replay(part: ShapeReader, channel: int) -> Shape:
    return part.replay(channel)
