"""`busbench probe`: report what is on the line."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from busbench.cli.live import line_of, line_options
from busbench.cli.numbers import FiniteRange
from busbench.cli.output import format_option, is_terminal, prose, say, to_the_end, write_csv, write_json
from busbench.errors import display_name, pluralize
from busbench.line import LineSettings

if TYPE_CHECKING:
    from busbench.analysis.line_probe import ProbeResult


@click.command("probe")
@click.argument("port", metavar="PORT")
@click.option(
    "--seconds",
    metavar="SECONDS",
    type=FiniteRange(0.1, 3600),
    default=3.0,
    show_default=True,
    help="Listen for this long.",
)
@line_options
@format_option
def command(port: str, seconds: float, baud: int, parity: str, stop_bits: str, format_: str) -> None:
    """Listen to PORT, report what is on the line and what to do about it.

    PORT is a serial port, socket://HOST:PORT, or virtual: with its settings.
    Exit code 1 unless frames were found.

    \b
    busbench probe /dev/ttyUSB0
    busbench probe virtual: --seconds 1
    busbench probe 'virtual:?inverted=on' --seconds 1  # exit code 1: no frames
    """
    result = probe(port, seconds=seconds, line=line_of(baud, parity, stop_bits))
    with to_the_end():
        show(result, format_)
    click.get_current_context().exit(0 if result.is_good else 1)


def probe(port: str, *, seconds: float, line: LineSettings) -> ProbeResult:
    """Listen and judge (raises PortError: it cannot be opened)."""
    import time

    from busbench.analysis.line_probe import Heard
    from busbench.bench.receiver import EventKind
    from busbench.bench.sources import open_live

    heard = Heard()
    with open_live(port, line=line) as live:
        if is_terminal():
            say(f"listening for {seconds:g} s")
        until = time.monotonic() + seconds
        while (left := until - time.monotonic()) > 0 and not live.has_ended:
            heard.add(live.read(left))
            for event in live.events():
                if event.kind is not EventKind.OPENED:
                    say(f"busbench: {display_name(port)}: {event.text}")
        clock = live.clock
    return heard.judge(clock=clock, line=line)


def show(result: ProbeResult, format_: str) -> None:
    """Write the result."""
    fields: dict[str, str | int | float | None] = {
        "line": result.line.value,
        "says": result.says,
        "advice": result.advice,
        "bytes": result.bytes_total,
        "judged_bytes": result.judged,
        "marked_bytes": result.marked,
        "frames": result.frames,
        "period_s": result.period_s,
        "end_bytes": " ".join(f"0x{end:02X}" for end, _ in result.end_bytes),
        "slot_replies": result.replies,
        "damaged_bytes": result.damaged_bytes,
        "sample": result.sample.hex(" "),
    }
    if format_ == "json":
        write_json(fields)
        return
    if format_ == "csv":
        write_csv(list(fields), [list(fields.values())])
        return
    click.echo(result.says)
    if result.advice:
        prose(f"what to do: {result.advice}", indent=2)
    if result.judged < result.bytes_total:
        prose(f"judged by the first {result.judged:,} of {result.bytes_total:,} bytes", indent=2)
    if result.sample and not result.is_good:
        marked = f", {result.marked} of them marked as damaged" if result.marked else ""
        sample = result.sample.hex(" ").upper()
        prose(f"{pluralize(result.bytes_total, 'byte')}{marked}, the first: {sample}", indent=2)
