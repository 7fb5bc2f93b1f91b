"""The options of a shape given on the command line of `busbench drive`."""

from __future__ import annotations

from typing import Any

import click

from busbench.cli.live import together
from busbench.cli.numbers import NUMBER, WHOLE, each_channel, quoted
from busbench.errors import BusbenchError


class _Channel(click.ParamType[int | str]):
    """A number, or a name given instead, for an error that can use the rig file."""

    name = "channel"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> int | str:
        del param, ctx
        text = str(value).strip()
        return int(text) if text.isdecimal() and len(text) < 10 else text


class _OneChannel(click.ParamType[int]):
    """The one channel to replay; by default each channel replays its own."""

    name = "channel"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> int:
        if len(list(each_channel([str(value)]))) > 1:
            hint = "give one, or leave it out and each channel replays its own"
            raise BusbenchError(f"--from-channel: {quoted(str(value))} names several channels", hint=hint)
        return WHOLE.convert(value, param, ctx)


CHANNEL = _Channel()


def each_of(ctx: click.Context, param: click.Parameter, value: tuple[int | str, ...]) -> tuple[int | str, ...]:
    """Callback of an option for channels: expands lists such as 1-4,9."""
    del ctx, param
    return tuple(each_channel(value))


_OPTIONS: tuple[tuple[str, dict[str, Any]], ...] = (
    ("--channel", {"type": CHANNEL, "multiple": True, "metavar": "CH", "callback": each_of,
                   "help": "Move this channel, or several as in 1-4,9 together."}),
    ("--low", {"type": NUMBER, "metavar": "LEVEL", "help": "Set the lower level [default: -50 %]."}),
    ("--high", {"type": NUMBER, "metavar": "LEVEL", "help": "Set the upper level [default: 50 %]."}),
    ("--centre", {"type": NUMBER, "metavar": "LEVEL", "help": "Set the level between them [default: half-way]."}),
    ("--period", {"type": NUMBER, "metavar": "SECONDS", "help": "Set the time of one cycle."}),
    ("--cycles", {"type": NUMBER, "metavar": "N", "help": "Set the number of cycles [default: 1]."}),
    ("--phase", {"type": NUMBER, "metavar": "DEGREES", "help": "Start at this place of the cycle [default: 0]."}),
    ("--delay", {"type": NUMBER, "metavar": "SECONDS", "help": "Wait this long before the shape [default: 0]."}),
    ("--level", {"metavar": "LEVEL", "help": "Set the level of hold (on or off for 17, 18)."}),
    ("--levels", {"metavar": "LEVEL,...", "help": "Set the levels of steps."}),
    ("--duration", {"type": NUMBER, "metavar": "SECONDS", "help": "Set the time of hold or replay."}),
    ("--stairs", {"type": WHOLE, "metavar": "N", "help": "Set the number of levels of staircase [default: 5]."}),
    ("--period-end", {"type": NUMBER, "metavar": "SECONDS", "help": "Set the time of the last cycle of chirp."}),
    ("--seed", {"type": WHOLE, "metavar": "N", "help": "Set the random seed of wander."}),
    ("--recording", {"metavar": "FILE", "help": "Replay this recording."}),
    ("--from-channel", {"type": _OneChannel(), "metavar": "CH",
                   "help": "Replay this channel of it [default: the same]."}),
    ("--start", {"type": NUMBER, "metavar": "SECONDS", "help": "Replay from this time on [default: 0]."}),
    ("--unit", {"metavar": "UNIT", "help": "Set the unit of levels: %, us or counts [default: %]."}),
    ("--frame-period", {"type": NUMBER, "metavar": "SECONDS",
                   "help": "Set the frame period [default: of the rig, or 0.007]."}),
    ("--end-byte", {"metavar": "BYTE", "help": "Set the end byte, or slots: the four in turn [default: 0x00]."}),
    ("--repeat", {"type": WHOLE, "metavar": "N", "help": "Run it this many times [default: 1]."}),
    ("--travel", {"type": NUMBER, "nargs": 2, "metavar": "LOW HIGH", "help": "Set travel limits [default: ±100 %]."}),
    ("--rate", {"type": NUMBER, "metavar": "LEVEL", "help": "Limit the speed per second [default: 100 %]."}),
    ("--lost", {"multiple": True, "metavar": "START:SECONDS", "help": "Flag frames as lost."}),
    ("--failsafe", {"multiple": True, "metavar": "START:SECONDS", "help": "Flag failsafe."}),
    ("--gap", {"multiple": True, "metavar": "START:SECONDS", "help": "Send no frames."}),
    ("--flips", {"type": NUMBER, "metavar": "SHARE", "help": "Flip a bit in this share of the bytes."}),
)  # fmt: skip


shape_options = together(*(click.option(name, **settings) for name, settings in _OPTIONS))
