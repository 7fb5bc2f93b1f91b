"""`busbench convert`: write a recording in another format."""

from __future__ import annotations

import re
from typing import Any

import click

from busbench.cli.numbers import SECONDS_MAX, FiniteRange, quoted
from busbench.cli.output import force_option, wrote
from busbench.cli.outputs import OUTPUT, OutputCommand
from busbench.cli.progress import Progress
from busbench.cli.source import open_source, read_options, source_options
from busbench.errors import BusbenchError, pluralize


@click.command("convert", cls=OutputCommand)
@click.option("-o", "--output", type=OUTPUT, required=True, metavar="FILE",
              help="Write to this file; - is standard output, raw bytes.")  # fmt: skip
@click.option("--from", "from_s", metavar="SECONDS", type=FiniteRange(0, SECONDS_MAX),
              help="Start this long after the first byte.")  # fmt: skip
@click.option("--to", "to_s", metavar="SECONDS", type=FiniteRange(0, SECONDS_MAX, min_open=True),
              help="End this long after the first byte.")  # fmt: skip
@click.option("--around", metavar="N:SECONDS", help="Extract outage number N and this time on either side.")
@click.option("--split", "split_s", metavar="SECONDS", type=FiniteRange(0.01, SECONDS_MAX),
              help="Write pieces of this length: FILE-001, FILE-002, ...")  # fmt: skip
@force_option
@source_options
def command(
    source: str,
    output: str,
    from_s: float | None,
    to_s: float | None,
    around: str | None,
    split_s: float | None,
    force: bool,
    **settings: Any,
) -> None:
    """Write a recording in another format, named by the suffix of the new file.

    \b
    .pcapng      as busbench records: bytes, times, damage, annotations
    .csv         a row per byte, with its time
    .vcd         the level of the line, as a logic analyser would see it
    .raw, .bin   the bytes alone
    .parquet     the frames as columns (needs the parquet extra)

    All but Parquet keep bytes that form no frame. A format with a time for each
    byte spreads the bytes of a read back from the time when it returned, and keeps
    a frame that reads cut together.

    A read belongs to the part in which it returned. Pieces of --split, joined in
    order, give the whole. Outages are numbered from 1, as `outages` lists them.

    \b
    busbench convert captures/heron-tty.pcapng -o heron.csv
    busbench convert captures/heron-line.vcd -o heron.pcapng
    busbench convert captures/heron-flight.pcapng -o third.pcapng --around 3:2
    busbench convert captures/heron-flight.pcapng -o flight.pcapng --split 20
    """
    from busbench.bench.convert import Cut, convert

    cut = Cut(from_s, to_s, None if around is None else read_around(around), split_s)
    options, progress = read_options(settings), Progress("converting")
    with open_source(source, options) as capture:
        written = convert(
            capture, output, cut=cut, line=options.line, force=force,
            progress=lambda total: progress.at(pluralize(total, "byte")),
        )  # fmt: skip
        for path, amount in written:
            progress.end()
            wrote(path, amount)


def read_around(text: str) -> tuple[int, float]:
    """N:SECONDS; BusbenchError if it is something else."""
    number, colon, seconds = text.partition(":")
    if not colon or not re.fullmatch(r"[1-9]\d{0,8}", number) or not re.fullmatch(r"\d{1,9}(\.\d{1,9})?", seconds):
        raise BusbenchError(f"--around: {quoted(text)} is not an outage and seconds", hint="give them as in 3:2.5")
    return int(number), float(seconds)
