"""`busbench convert`: write a recording in another format."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from busbench.cli.output import force_option, wrote
from busbench.cli.outputs import OUTPUT, OutputCommand
from busbench.cli.source import Progress, open_source, read_options, source_options
from busbench.errors import pluralize


@click.command("convert", cls=OutputCommand)
@click.option("-o", "--output", type=OUTPUT, required=True, metavar="FILE",
              help="Where to; - is standard output, raw bytes.")  # fmt: skip
@force_option
@source_options
def command(source: str, output: str, force: bool, **settings: Any) -> None:
    """Write a recording in another format, named by the suffix of the new file.

    \b
    .pcapng      as busbench records: bytes, times, damage, marks
    .csv         a row a byte, with its time
    .vcd         the level of the line, as a logic analyser would see it
    .raw, .bin   the bytes alone
    .parquet     the frames as columns (needs the parquet extra)

    Bytes that form no frame are kept in all but the last. A format with a time
    for each byte spreads the bytes of a read back from when it returned.

    \b
    busbench convert captures/heron-tty.pcapng -o heron.csv
    busbench convert captures/heron-line.vcd -o heron.pcapng
    """
    convert(source, output, force=force, settings=settings)


def convert(source: str, output: str, *, force: bool, settings: dict[str, Any]) -> None:
    """Read block by block and write what was read."""
    from busbench.capture.write import open_writer

    options = read_options(settings)
    with open_source(source, options) as capture:
        progress = Progress("converting")
        if Path(output).suffix.lower() == ".parquet":
            from busbench.capture.parquet import write_parquet

            frames = write_parquet(output, capture, line=options.line, force=force)
            wrote(output, pluralize(frames, "frame"))
            return
        total = 0
        with open_writer(output, capture.info, line=options.line, force=force) as writer:
            for log in capture.blocks():
                writer.write_log(log)
                total += len(log)
                progress.at(pluralize(total, "byte"))
        progress.end()
        wrote(output, pluralize(total, "byte"))
