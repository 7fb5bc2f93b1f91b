"""`busbench frames`: a row per frame."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING, Any

import click

from busbench.cli.channel_list import parse_channels
from busbench.cli.numbers import OneOf
from busbench.cli.output import FORMATS, Cell, say, table_lines
from busbench.cli.progress import Progress
from busbench.cli.source import source_options
from busbench.errors import display_name, pluralize

if TYPE_CHECKING:
    from busbench.wire.table import FrameTable

TABLE_CHANNELS = "1-8"


@click.command("frames")
@click.option(
    "--format", "format_", type=OneOf(FORMATS), default="csv", show_default=True, help="Select the form of the rows."
)
@click.option(
    "--channels", metavar="LIST", help=f"Select channels of the table, as in 1-4,9,17 [default: {TABLE_CHANNELS}]."
)
@source_options
def command(source: str, format_: str, channels: str | None, **settings: Any) -> None:
    """Print a row for each frame of a recording, or of a live port as it comes.

    Times are in seconds from the first byte, and empty if the recording has no
    clock. Channels are in counts, 0 to 2047. JSON is one line per frame.

    SOURCE may also be a port, or - for a standard input that grows: each row is
    written when its frame comes, until Ctrl-C or the reader of a pipe ends it.

    \b
    busbench frames captures/heron-slots.csv
    busbench frames captures/heron-line.vcd --format table --channels 1-4,17
    busbench frames 'virtual:?duration=0.1s' --format table
    """
    from busbench.cli.follow import follow_source
    from busbench.cli.frame_rows import HEAD, csv_rows

    shown = parse_channels(channels or TABLE_CHANNELS, option="--channels")
    out = sys.stdout
    if channels and format_ != "table":
        say(f"busbench: --channels is for --format table; the {format_} has all")
    with follow_source(source, settings) as following:
        span, progress, total = following.span, Progress("frames"), 0
        if format_ == "csv":
            out.write(",".join(HEAD) + "\n")
        for found in following.results:
            zero_ns = (span.first_t_ns or 0) if following.clock.is_known else None
            for start in range(0, len(found.frames), 8192):
                table = found.frames[start : start + 8192]
                if format_ == "csv":
                    out.write(csv_rows(table, zero_ns))
                elif format_ == "json":
                    out.write("".join(_json(row) + "\n" for row in _rows(table, zero_ns)))
                else:
                    lines = _table(_rows(table, zero_ns), shown, has_head=total == 0)
                    out.write("".join(line + "\n" for line in lines))
                total += len(table)
                progress.at(f"{total:,}")
            out.flush()
        progress.end()
    if not total:
        size = pluralize(span.bytes_total, "byte")
        say(f"busbench: {display_name(source)}: no frames in {size}: try busbench outages {source}")
    if span.ambiguous:
        places = pluralize(len(span.ambiguous), "place")
        say(f"busbench: {source}: ambiguous: {places} can be read in two ways that are equally good")


def _rows(table: FrameTable, zero_ns: int | None) -> list[list[str]]:
    """The cells of each row as text, in the order of HEAD."""
    flags = table.flags
    columns: list[list[Cell]] = [
        [""] * len(table) if zero_ns is None else [f"{t / 1e9:.6f}" for t in (table.t_ns - zero_ns).tolist()],
        table.offset.tolist(),
        *table.channels.T.tolist(),
        *(((flags >> bit) & 1).tolist() for bit in range(4)),
        [f"0x{end:02X}" for end in table.end.tolist()],
        table.suspect.astype(int).tolist(),
    ]
    return [[str(cell) for cell in row] for row in zip(*columns, strict=True)]


def _json(row: list[str]) -> str:
    from busbench.cli.frame_rows import HEAD

    cells = [f'"{name}": {value or "null"}' for name, value in zip(HEAD, row, strict=True) if name != "end_byte"]
    cells.insert(-1, f'"end_byte": "{row[-2]}"')
    return "{" + ", ".join(cells) + "}"


def _table(rows: list[list[str]], shown: list[int], *, has_head: bool) -> list[str]:
    """The chosen channels, the flags as letters (L lost, F failsafe, S suspect) and the end byte."""
    head = ["time, s", *(f"ch{number}" for number in shown), "flags", "end"]
    blank = [" " * 11, *("    " for _ in shown), "     ", "    "]  # keeps the widths over all blocks
    cells = []
    for row in rows:
        flags = "".join(letter if row[at] == "1" else "-" for letter, at in (("L", 20), ("F", 21), ("S", 23)))
        cells.append([row[0] or "-", *(row[1 + number] for number in shown), flags, row[22]])
    lines = table_lines(head, [blank, *cells], left=0)
    del lines[1]
    return lines if has_head else lines[1:]
