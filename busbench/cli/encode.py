"""`busbench encode`: make one frame from values."""

from __future__ import annotations

import re
import sys
from typing import TYPE_CHECKING

import click

from busbench.cli.numbers import OneOf, parse_channels, quoted
from busbench.errors import BusbenchError
from busbench.wire.frame_spec import CHANNELS, COUNTS_MAX, END_BYTES, Frame, encode_frame

if TYPE_CHECKING:
    from busbench.wire.scale import Scale

_VALUE = re.compile(r"([+-]?\d{1,6}(?:\.\d{1,6})?)(us|µs|%|)", re.ASCII)
_VALUE_HINT = "give counts, µs or percent, as in 172, 1500us or 50%"


@click.command("encode")
@click.option("--ch", "values", metavar="CH=VALUE", multiple=True,
              help="Set channels, as in 1=1500us, 2-4=50%, 3=172 or 17=on [default: 1500us, off].")  # fmt: skip
@click.option("--lost", is_flag=True, help="Set the frame-lost flag.")
@click.option("--failsafe", is_flag=True, help="Set the failsafe flag.")
@click.option(
    "--end-byte",
    metavar="BYTE",
    default="0x00",
    show_default=True,
    help="Set the end byte: 0x00, 0x04, 0x14, 0x24 or 0x34.",
)
@click.option("--format", "format_", type=OneOf(("hex", "raw")), default="hex", show_default=True,
              help="Write hexadecimal digits, or the 25 bytes.")  # fmt: skip
def command(values: tuple[str, ...], lost: bool, failsafe: bool, end_byte: str, format_: str) -> None:
    """Put one frame together and print it.

    Give channels in counts, or in µs or percent by the usual scale: 1500 µs at
    992 counts, 0.625 µs per count. A later --ch overrides an earlier one.

    \b
    busbench encode --ch 1=1500us --ch 2=50% --ch 3=172 --failsafe --end-byte 0x04
    busbench encode --ch 1-16=-100% --ch 17,18=on
    """
    data = encode_frame(build_frame(values, is_lost=lost, is_failsafe=failsafe, end=read_end_byte(end_byte)))
    if format_ == "hex":
        click.echo(data.hex())
        return
    from busbench.output_file import refuse_terminal

    refuse_terminal("-")
    sys.stdout.buffer.write(data)


def build_frame(values: tuple[str, ...], *, is_lost: bool = False, is_failsafe: bool = False, end: int = 0) -> Frame:
    """The frame of CH=VALUE texts (raises BusbenchError: an invalid channel or value)."""
    from busbench.wire.scale import Scale

    scale = Scale()
    channels, states = [round(scale.centre_counts)] * CHANNELS, [False, False]
    for text in values:
        names, equals, value = text.partition("=")
        if not equals:
            raise BusbenchError(f"--ch: {quoted(text)} is not a setting", hint="give it as in 1=1500us")
        for number in parse_channels(names, option="--ch"):
            if number > CHANNELS:
                states[number - CHANNELS - 1] = _state(number, value)
            else:
                channels[number - 1] = _counts(number, value, scale)
    return Frame(tuple(channels), (states[0], states[1]), is_lost, is_failsafe, end)


def _counts(number: int, text: str, scale: Scale) -> int:
    match = _VALUE.fullmatch(text.strip())
    if match is None:
        raise BusbenchError(f"--ch {number}: {quoted(text)} is not a value", hint=_VALUE_HINT)
    value, unit = float(match[1]), match[2]
    exact = float(scale.from_percent(value)) if unit == "%" else scale.to_counts(value) if unit else value
    if not unit and exact != int(exact):
        raise BusbenchError(f"--ch {number}: {match[1]} is not a whole number of counts", hint=_VALUE_HINT)
    counts = round(exact)
    if not 0 <= counts <= COUNTS_MAX:
        raise BusbenchError(f"--ch {number}: {counts} counts does not fit a frame", hint=f"give 0 to {COUNTS_MAX}")
    return counts


def _state(number: int, text: str) -> bool:
    if text.strip() not in ("on", "off"):
        raise BusbenchError(f"--ch {number}: {quoted(text)} is not a state", hint="give on or off")
    return text.strip() == "on"


def read_end_byte(text: str) -> int:
    """Parse an end byte (raises BusbenchError: not an end byte of frames)."""
    try:
        end = int(text, 16)
    except ValueError:
        end = -1
    if end not in END_BYTES:
        known = ", ".join(f"0x{known:02X}" for known in END_BYTES)
        raise BusbenchError(f"--end-byte: {quoted(text)} is not an end byte", hint=f"give one of {known}")
    return end
