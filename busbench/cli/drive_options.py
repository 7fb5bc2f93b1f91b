"""The options of a shape given on the command line of `busbench drive`."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar

import click

from busbench.cli.channel_list import each_channel
from busbench.cli.numbers import NUMBER, WHOLE
from busbench.errors import BusbenchError, sanitize

F = TypeVar("F", bound=Callable[..., Any])


class _Channel(click.ParamType[int | str]):
    """A number, or the word that was given in its place: what to do about that the rig file helps to say."""

    name = "channel"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> int | str:
        del param, ctx
        text = str(value).strip()
        return int(text) if text.isdecimal() and len(text) < 10 else text


class _OneChannel(click.ParamType[int]):
    """The one channel whose moves are replayed; several replay their own where it is left out."""

    name = "channel"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> int:
        if len(list(each_channel([str(value)]))) > 1:
            hint = "give one, or leave it out and each channel replays its own"
            raise BusbenchError(f'--from-channel: "{sanitize(str(value), most=40)}" names several channels', hint=hint)
        return WHOLE.convert(value, param, ctx)


CHANNEL = _Channel()


def each_of(ctx: click.Context, param: click.Parameter, value: tuple[int | str, ...]) -> tuple[int | str, ...]:
    """Callback of an option for channels: those of a list such as 1-4,9 one by one."""
    del ctx, param
    return tuple(each_channel(value))


_OPTIONS: tuple[tuple[str, dict[str, Any]], ...] = (
    ("--channel", {"type": CHANNEL, "multiple": True, "metavar": "CH", "callback": each_of,
                   "help": "Channel 1-18, or several as in 1-4,9; they go together."}),
    ("--low", {"type": NUMBER, "metavar": "LEVEL", "help": "Lower end [default: -50 %]."}),
    ("--high", {"type": NUMBER, "metavar": "LEVEL", "help": "Upper end [default: 50 %]."}),
    ("--centre", {"type": NUMBER, "metavar": "LEVEL", "help": "Level between them [default: half-way]."}),
    ("--period", {"type": NUMBER, "metavar": "SECONDS", "help": "One cycle."}),
    ("--cycles", {"type": NUMBER, "metavar": "N", "help": "How many cycles [default: 1]."}),
    ("--phase", {"type": NUMBER, "metavar": "DEGREES", "help": "Where in its cycle it begins."}),
    ("--delay", {"type": NUMBER, "metavar": "SECONDS", "help": "It begins so long after the start."}),
    ("--level", {"metavar": "LEVEL", "help": "hold: the level; on or off for channels 17 and 18."}),
    ("--levels", {"metavar": "LEVEL,...", "help": "steps: the levels."}),
    ("--duration", {"type": NUMBER, "metavar": "SECONDS", "help": "hold, replay: how long."}),
    ("--stairs", {"type": WHOLE, "metavar": "N", "help": "staircase: how many levels [default: 5]."}),
    ("--period-end", {"type": NUMBER, "metavar": "SECONDS", "help": "chirp: its last cycle."}),
    ("--seed", {"type": WHOLE, "metavar": "N", "help": "wander: the same seed, the same moves."}),
    ("--recording", {"metavar": "FILE", "help": "replay: the recording."}),
    ("--from-channel", {"type": _OneChannel(), "metavar": "CH",
                   "help": "replay: the recording's channel [default: the same]."}),
    ("--start", {"type": NUMBER, "metavar": "SECONDS", "help": "replay: from there on."}),
    ("--unit", {"metavar": "UNIT", "help": "Unit of levels: %, us or counts [default: %]."}),
    ("--frame-period", {"type": NUMBER, "metavar": "SECONDS",
                   "help": "Frame to frame [default: the rig's, or 0.007]."}),
    ("--end-byte", {"metavar": "BYTE", "help": "0x00, 0x04, 0x14, 0x24, 0x34; slots: the last four in turn."}),
    ("--repeat", {"type": WHOLE, "metavar": "N", "help": "How often to run it [default: once]."}),
    ("--travel", {"type": NUMBER, "nargs": 2, "metavar": "LOW HIGH", "help": "Ends that nothing passes."}),
    ("--rate", {"type": NUMBER, "metavar": "LEVEL", "help": "Fastest movement, a second [default: 100 %]."}),
    ("--lost", {"multiple": True, "metavar": "START:SECONDS", "help": "Flag frames as lost."}),
    ("--failsafe", {"multiple": True, "metavar": "START:SECONDS", "help": "Flag failsafe."}),
    ("--gap", {"multiple": True, "metavar": "START:SECONDS", "help": "Send no frames."}),
    ("--flips", {"type": NUMBER, "metavar": "SHARE", "help": "Flip a bit in this share of the bytes."}),
)  # fmt: skip


def shape_options(function: F) -> F:
    """What a shape word takes."""
    for name, settings in reversed(_OPTIONS):
        function = click.option(name, **settings)(function)
    return function
