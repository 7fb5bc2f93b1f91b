"""Results on standard output: a table for people, CSV and JSON for programs."""

from __future__ import annotations

import contextlib
import csv
import io
import json
import sys
from collections.abc import Iterable, Sequence
from typing import Any

import click

from busbench.errors import plain

FORMATS = ("table", "csv", "json")
Cell = str | int | float | bool | None

format_option = click.option(
    "--format", "format_", type=click.Choice(FORMATS), default="table", show_default=True, help="Form of the result."
)


def say(line: str) -> None:
    """A line for people on standard error; where nobody can read it any more the work goes on."""
    with contextlib.suppress(OSError):
        click.echo(plain(line), err=True)


def write_json(value: Any) -> None:
    """One JSON value."""
    click.echo(json.dumps(value, indent=2, allow_nan=False, ensure_ascii=False))


def write_csv(head: Sequence[str], rows: Iterable[Sequence[Cell]]) -> None:
    """A header and rows; no value is an empty field, true and false are 1 and 0."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(head)
    writer.writerows([int(cell) if isinstance(cell, bool) else cell for cell in row] for row in rows)
    click.echo(text.getvalue(), nl=False)


def table_lines(head: Sequence[str], rows: Sequence[Sequence[str]], *, left: int = 1) -> list[str]:
    """Columns set under one another.

    Args:
        head: titles.
        rows: cells, already text.
        left: how many columns from the left are words; the others are figures.
    """
    widths = [max(len(line[i]) for line in [head, *rows]) for i in range(len(head))]
    lines = []
    for line in [head, *rows]:
        cells = [
            cell.ljust(width) if i < left else cell.rjust(width)
            for i, (cell, width) in enumerate(zip(line, widths, strict=True))
        ]
        lines.append("  ".join(cells).rstrip())
    return lines


def seconds(value_s: float | None) -> str:
    """A time or length for people, with its unit: 7.001 ms, 3.2 s, 1 h 04 min."""
    if value_s is None:
        return "-"
    size = abs(value_s)
    if size >= 3600:
        return f"{int(value_s // 3600)} h {int(value_s % 3600 // 60):02d} min"
    if size >= 1:
        return f"{value_s:.3f} s"
    if size >= 1e-3:
        return f"{value_s * 1e3:.3f} ms"
    return f"{value_s * 1e6:.1f} µs" if size >= 5e-8 else f"{value_s * 1e9:.2g} ns" if value_s else "0 s"


def is_terminal() -> bool:
    """True where standard error is a terminal, so that a moving line makes sense."""
    return sys.stderr is not None and sys.stderr.isatty()
