"""`busbench ports`: list serial ports, with advice."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from busbench.cli.output import format_option, print_table, prose, say, write_csv, write_json
from busbench.errors import sanitize
from busbench.line import BUS_LINE

if TYPE_CHECKING:
    from busbench.bench.sources import Adapter

WIRING = (
    f"The bus runs at {BUS_LINE.baud} baud, 8 data bits, even parity, 2 stop bits, inverted: it idles low.",
    "Adapters idle high, so put an inverter gate or a transistor stage between, or use a chip whose own setting"
    " inverts RX and TX. Mind the levels: receivers give about 3.3 V.",
    "Connect ground and signal only; the receiver keeps its own supply.",
)
HEAD = ("port", "chip", "at_100000_baud", "damaged_bytes_marked", "latency_timer_ms", "description", "advice")


@click.command("ports")
@format_option
def command(format_: str) -> None:
    """List serial ports: their chip, what it does at 100 000 baud, advice.

    Damaged bytes are marked on Linux only. The latency timer is shown for chips
    that have one.

    \b
    busbench ports
    """
    from busbench.bench.sources import plugged_in

    show(plugged_in(), format_)


def show(adapters: list[Adapter], format_: str) -> None:
    """Write the list."""
    rows = [_row(adapter) for adapter in adapters]
    if format_ == "json":
        write_json(
            [
                {**dict(zip(HEAD, row, strict=True)), "advice": list(a.advice)}
                for row, a in zip(rows, adapters, strict=True)
            ]
        )
        return
    if format_ == "csv":
        write_csv(HEAD, rows)
        return
    if adapters:
        head = ("port", "chip", "100 000 baud", "damage marked", "latency")
        cells = [
            [sanitize(str(c)) for c in (port, chip, rate, marks, "-" if latency is None else f"{latency} ms")]
            for port, chip, rate, marks, latency, *_ in rows
        ]
        print_table(head, cells, left=5)
        for adapter in adapters:
            if adapter.description:
                prose(f"{sanitize(adapter.device)}: calls itself {sanitize(adapter.description)}", indent=2)
            for advice in adapter.advice:
                prose(f"{sanitize(adapter.device)}: {sanitize(advice)}", indent=2)
    else:
        click.echo("no serial port is there; plug the adapter in, or try virtual:")
    for line in WIRING:
        say(line)


def _row(adapter: Adapter) -> tuple[str, str, str, str, int | None, str, str]:
    return (
        adapter.device,
        adapter.chip.name,
        adapter.chip.rate.value,
        adapter.chip.marks.value,
        adapter.latency_ms,
        adapter.description,
        "; ".join(adapter.advice),
    )
