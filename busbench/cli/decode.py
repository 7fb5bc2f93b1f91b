"""`busbench decode`: decode hexadecimal frames bit by bit."""

from __future__ import annotations

import re
import sys
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Any

import click

from busbench.cli.output import format_option, prose, table_lines, write_csv, write_json
from busbench.errors import BusbenchError, pluralize, sanitize
from busbench.text_file import BYTES_MAX
from busbench.wire.frame_spec import CHANNEL_BITS, END_SLOTS, FRAME_BYTES, channel_bits, take_apart

if TYPE_CHECKING:
    from busbench.wire.frame_spec import FrameParts
    from busbench.wire.scale import Scale

CUSTOMARY_ENDS = (172, 1811)  # common practice, no source
_SEPARATORS = re.compile(r"[\s,;:_-]+|\\x|0[xX]")


@click.command("decode")
@click.argument("hex_texts", metavar="HEX...", nargs=-1, required=True)
@format_option
def command(hex_texts: tuple[str, ...], format_: str) -> None:
    """Take frames apart bit by bit: where each channel lies, what is unusual.

    HEX is one frame or several, 25 bytes each in hexadecimal digits, with or
    without spaces, commas or 0x; - reads standard input. Exit code 1 if header,
    end byte or flag bits are not those of a frame.

    \b
    busbench decode 0fe0031ff8c0073ef0810f7ce0031ff8c0073ef0810f7c0000
    busbench decode 0fe0031ff8c0073ef0810f7ce0031ff8c0073ef0810f7c0000 --format json
    """
    parts = [take_apart(data) for data in split_frames(read_hex(hex_texts))]
    show(parts, format_)
    click.get_current_context().exit(1 if any(one.faults for one in parts) else 0)


def read_hex(texts: Sequence[str]) -> bytes:
    """Bytes of hexadecimal text; "-" is standard input; BusbenchError if it is invalid or too long."""
    found = b""
    for text in texts:
        place = "HEX"
        if text == "-":
            place, text = "standard input", sys.stdin.read(BYTES_MAX + 1)
            if len(text) > BYTES_MAX:
                raise BusbenchError(f"{place}: is larger than {BYTES_MAX:,} bytes", hint="shorten it")
        digits = _SEPARATORS.sub("", text)
        if odd := re.search(r"[^0-9a-fA-F]", digits):
            raise BusbenchError(
                f'{place}: "{sanitize(odd[0])}" is not a hexadecimal digit', hint="give bytes as in 0F E0"
            )
        if len(digits) % 2:
            raise BusbenchError(f"{place}: has an odd number of digits", hint="give two for each byte")
        found += bytes.fromhex(digits)
    return found


def split_frames(data: bytes) -> Iterator[bytes]:
    """Consecutive frames; BusbenchError if the bytes are not a whole number of them."""
    if not data or len(data) % FRAME_BYTES:
        hint = "for bytes with anything between frames save them to a .raw file and see `busbench frames`"
        raise BusbenchError(f"HEX: {pluralize(len(data), 'byte')}, but a frame has {FRAME_BYTES}", hint=hint)
    return (data[at : at + FRAME_BYTES] for at in range(0, len(data), FRAME_BYTES))


def show(parts: Sequence[FrameParts], format_: str) -> None:
    """Write the frames."""
    from busbench.wire.scale import Scale

    scale = Scale()
    if format_ == "json":
        frames = [_fields(one, scale) for one in parts]
        write_json(frames[0] if len(frames) == 1 else frames)
    elif format_ == "csv":
        head = (*(f"ch{number}" for number in range(1, 19)), "frame_lost", "failsafe", "end_byte", "odd")
        write_csv(head, [_row(one) for one in parts])
    else:
        for number, one in enumerate(parts, 1):
            if len(parts) > 1:
                click.echo(f"{'' if number == 1 else chr(10)}frame {number}")
            for line in _lines(one, scale):
                click.echo(line)
        prose(f"scale: {scale.describe()} (an assumption)")


def _fields(one: FrameParts, scale: Scale) -> dict[str, Any]:
    frame = one.frame
    return {
        "channels": list(frame.channels),
        "ch17": frame.states[0],
        "ch18": frame.states[1],
        "frame_lost": frame.is_lost,
        "failsafe": frame.is_failsafe,
        "end_byte": f"0x{frame.end:02X}",
        "is_frame": not one.faults,
        "odd": odd_about(one),
        "channels_us": [scale.to_us(counts) for counts in frame.channels],
        "channels_pct": [round(float(scale.to_percent(counts)), 3) for counts in frame.channels],
        "channel_bits": [
            [{"byte": run.byte, "low": run.low, "high": run.high} for run in channel_bits(channel)]
            for channel in range(len(frame.channels))
        ],
    }


def _row(one: FrameParts) -> list[str | int]:
    frame = one.frame
    flags = (*frame.states, frame.is_lost, frame.is_failsafe)
    return [*frame.channels, *map(int, flags), f"0x{frame.end:02X}", "; ".join(odd_about(one))]


def _lines(one: FrameParts, scale: Scale) -> Iterator[str]:
    frame = one.frame
    rows = []
    for channel, counts in enumerate(frame.channels):
        places = "  ".join(f"{run.byte}:{run.low}-{run.high}".replace(f"{run.low}-{run.low}", f"{run.low}")
                           for run in channel_bits(channel))  # fmt: skip
        us, percent = scale.to_us(counts), float(scale.to_percent(counts))
        rows.append(
            [str(channel + 1), f"{counts:0{CHANNEL_BITS}b}", places, str(counts), f"{us:.1f}", f"{percent:+.1f}"]
        )
    yield from table_lines(["ch", "bits", "byte:bits, least first", "counts", "µs", "%"], rows, left=3)
    flags = {"ch 17": frame.states[0], "ch 18": frame.states[1], "frame lost": frame.is_lost,
             "failsafe": frame.is_failsafe}  # fmt: skip
    yield "byte 23, bits 0-3: " + ", ".join(f"{name} {'on' if is_on else 'off'}" for name, is_on in flags.items())
    yield f"byte 24: end byte 0x{frame.end:02X}" + (", slots for sensors" if frame.end in END_SLOTS else "")
    yield from (f"odd: {what}" for what in odd_about(one))


def odd_about(one: FrameParts) -> list[str]:
    """What is invalid in the bytes, then what is unusual."""
    found, frame = list(one.faults), one.frame
    low, high = CUSTOMARY_ENDS
    for number, counts in enumerate(frame.channels, 1):
        if not low <= counts <= high:
            found.append(f"channel {number} is at {counts}, past the customary endpoints {low} and {high}")
    if frame.is_failsafe and not frame.is_lost:
        found.append("failsafe without the frame-lost flag")
    return found
