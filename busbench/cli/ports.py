"""`busbench ports`: what is plugged in and what to do about it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from busbench.cli.output import format_option, prose, say, table_lines, write_csv, write_json
from busbench.errors import sanitize

if TYPE_CHECKING:
    from busbench.port.adapters import Adapter

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
    from busbench.port.adapters import list_adapters

    show(list_adapters(), format_)


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
    from busbench.port.adapters import WIRING

    if adapters:
        head = ("port", "chip", "100 000 baud", "damage marked", "latency")
        cells = [
            [sanitize(str(c)) for c in (port, chip, rate, marks, "-" if latency is None else f"{latency} ms")]
            for port, chip, rate, marks, latency, *_ in rows
        ]
        click.echo("\n".join(table_lines(head, cells, left=5)))
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
