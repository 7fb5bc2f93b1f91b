"""`busbench convert`: write a recording in another format."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from math import inf
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from busbench.cli.numbers import FiniteRange
from busbench.cli.output import force_option, wrote
from busbench.cli.outputs import OUTPUT, OutputCommand
from busbench.cli.progress import Progress
from busbench.cli.source import open_source, read_options, source_options
from busbench.errors import BusbenchError, pluralize, sanitize

if TYPE_CHECKING:
    from busbench.capture.base import Capture, CaptureInfo, ReadOptions
    from busbench.model import ByteLog, LineSettings


@click.command("convert", cls=OutputCommand)
@click.option("-o", "--output", type=OUTPUT, required=True, metavar="FILE",
              help="Write to this file; - is standard output, raw bytes.")  # fmt: skip
@click.option("--from", "from_s", metavar="SECONDS", type=FiniteRange(0), help="Start this long after the first byte.")
@click.option(
    "--to", "to_s", metavar="SECONDS", type=FiniteRange(0, min_open=True), help="End this long after the first byte."
)
@click.option("--around", metavar="N:SECONDS", help="Extract outage number N and this time on either side.")
@click.option("--split", "split_s", metavar="SECONDS", type=FiniteRange(0.01),
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
    byte spreads the bytes of a read back from the time when it returned.

    A read belongs to the part in which it returned. Pieces of --split, joined in
    order, give the whole. Outages are numbered from 1, as `outages` lists them.

    \b
    busbench convert captures/heron-tty.pcapng -o heron.csv
    busbench convert captures/heron-line.vcd -o heron.pcapng
    busbench convert captures/heron-flight.pcapng -o third.pcapng --around 3:2
    busbench convert captures/heron-flight.pcapng -o flight.pcapng --split 20
    """
    cut = Cut(from_s, to_s, None if around is None else read_around(around), split_s)
    convert(source, output, force=force, settings=settings, cut=cut)


@dataclass(frozen=True, slots=True)
class Cut:
    """The part of a recording, or the pieces.

    Args:
        from_s, to_s: from the first byte.
        around: number of an outage from 1, and seconds before and after it.

    Raises:
        BusbenchError: two that do not go together.
    """

    from_s: float | None = None
    to_s: float | None = None
    around: tuple[int, float] | None = None
    split_s: float | None = None

    def __post_init__(self) -> None:
        ways = [self.from_s is not None or self.to_s is not None, self.around is not None, self.split_s is not None]
        if sum(ways) > 1:
            raise BusbenchError("--from and --to, --around, --split: do not go together", hint="give one of them")
        if self.to_s is not None and self.to_s <= (self.from_s or 0.0):
            raise BusbenchError(f"--to: {self.to_s:g} s is not after --from", hint="give a later time")


def read_around(text: str) -> tuple[int, float]:
    """N:SECONDS.

    Raises:
        BusbenchError: it is something else.
    """
    number, colon, seconds = text.partition(":")
    if not colon or not re.fullmatch(r"[1-9]\d{0,8}", number) or not re.fullmatch(r"\d{1,9}(\.\d{1,9})?", seconds):
        what = f'--around: "{sanitize(text, most=40)}" is not an outage and seconds'
        raise BusbenchError(what, hint="give them as in 3:2.5")
    return int(number), float(seconds)


def convert(source: str, output: str, *, force: bool, settings: dict[str, Any], cut: Cut | None = None) -> None:
    """Read block by block and write what was read."""
    from busbench.capture.extract import Extract

    options, cut = read_options(settings), cut or Cut()
    with open_source(source, options) as capture:
        if cut.split_s is not None:
            _write_pieces(capture, output, cut.split_s, options, force=force)
            return
        start_s, end_s = cut.from_s, cut.to_s
        if cut.around is not None:
            start_s, end_s = _span_around(capture, *cut.around, line=options.line)
        if start_s is not None or end_s is not None:
            capture = Extract(capture, start_s=start_s or 0.0, end_s=inf if end_s is None else end_s)
        if Path(output).suffix.lower() == ".parquet":
            from busbench.capture.parquet import write_parquet

            frames = write_parquet(output, capture, line=options.line, force=force)
            wrote(output, pluralize(frames, "frame"))
            return
        _write(output, capture.info, capture.blocks(), options, force=force)


def _write(output: str, info: CaptureInfo, logs: Iterable[ByteLog], options: ReadOptions, *, force: bool) -> None:
    from busbench.capture.write import open_writer

    progress, total = Progress("converting"), 0
    with open_writer(output, info, line=options.line, force=force) as writer:
        for log in logs:
            writer.write_log(log)
            total += len(log)
            progress.at(pluralize(total, "byte"))
    progress.end()
    wrote(output, pluralize(total, "byte"))


def _write_pieces(capture: Capture, output: str, every_s: float, options: ReadOptions, *, force: bool) -> None:
    from busbench.capture.extract import split

    path = Path(output)
    if output == "-" or path.suffix.lower() == ".parquet":
        what = "standard output takes no pieces" if output == "-" else "frames as columns are not split"
        raise BusbenchError(f"--split: {what}", hint="name a file of another format")
    for number, info, logs in split(capture, every_s=every_s):
        _write(str(path.with_stem(f"{path.stem}-{number:03d}")), info, logs, options, force=force)


def _span_around(capture: Capture, number: int, seconds: float, *, line: LineSettings) -> tuple[float, float]:
    from busbench.analysis.recording import read_timeline

    events = read_timeline(capture, line=line).outages().events
    if number > len(events):
        what = f"--around: there is no outage {number}"
        raise BusbenchError(what, hint=f"{capture.info.path} has {pluralize(len(events), 'outage')}")
    event = events[number - 1]
    if event.start_s is None or event.end_s is None:
        raise BusbenchError(f"--around: {capture.info.path} has no times", hint="record with times, as to .pcapng")
    return max(0.0, event.start_s - seconds), max(event.start_s, event.end_s) + seconds
