"""`busbench frames`: a row per frame."""

from __future__ import annotations

import sys
from typing import Any

import click

from busbench.cli.numbers import OneOf, parse_channels
from busbench.cli.output import FORMATS, say
from busbench.cli.progress import Progress
from busbench.cli.source import source_options
from busbench.errors import display_name, pluralize

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
    from busbench.cli.frame_rows import HEAD, csv_rows, json_rows, table_rows

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
                    out.write(json_rows(table, zero_ns))
                else:
                    out.write(table_rows(table, zero_ns, shown=shown, has_head=total == 0))
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
