"""Results on standard output: a table for people, CSV and JSON for programs."""

from __future__ import annotations

import contextlib
import csv
import io
import json
import os
import re
import select
import sys
import textwrap
from collections.abc import Callable, Iterable, Iterator, Sequence
from pathlib import Path
from typing import Any, TextIO

import click

from busbench.cli.numbers import OneOf
from busbench.errors import require_kind, sanitize

FORMATS = ("table", "csv", "json")
Cell = str | int | float | bool | None
_FORMULA = re.compile(
    r"[=@\t\r＝＠]|[+\-＋－](?!\d*\.?\d+([eE][+-]?\d+)?$|$)"
)  # texts that begin so are defused; numbers are not
WIDTH = 80  # if the width is unknown
INTERRUPTED = 130  # exit code if interrupted by the user
WIDTH_MOST = 100  # wider lines are hard to read

format_option = click.option(
    "--format",
    "format_",
    type=OneOf(FORMATS),
    default="table",
    show_default=True,
    help="Select the form of the result.",
)


def ends_in(suffix: str, what: str, *, then: str = "") -> Callable[[click.Context, click.Parameter, Any], Any]:
    """Callback of an option for a file: refuses a name that promises clearly another kind of file; see require_kind."""

    def check(ctx: click.Context, param: click.Parameter, value: Any) -> Any:
        del ctx, param
        require_kind(str(value), suffix=suffix, what=what, then=then)
        return value

    return check


force_option = click.option("--force", is_flag=True, help="Replace a file that exists.")
PAGE = ends_in(".html", "HTML", then="a browser prints it to PDF")
ascii_option = click.option("--ascii", "is_ascii", is_flag=True, help="Draw with plain ASCII characters.")


def wrapped(line: str, stream: TextIO | None = None, *, indent: int = 0) -> str:
    """A line for people, wrapped between words to the width of a terminal.

    Longer words, such as paths, and quoted text stay whole.

    Args:
        line: one sanitized line; leading blanks stay.
        stream: its output; 80 columns if it is no terminal.
        indent: of the lines after the first, beyond the leading blanks; at least 2 for an item of a list ("- ").
    """
    width = WIDTH
    if stream is not None and stream.isatty():
        import shutil

        width = min(shutil.get_terminal_size((WIDTH, 24)).columns, WIDTH_MOST)
    text = line.lstrip(" ")
    lead = " " * (len(line) - len(text) + max(indent, 2 * text.startswith("- ")))
    # A quote wider than a line need not stay whole; "[y] yes" is a key and its meaning.
    whole = re.sub(r'"[^"]{1,60}"|`[^`]{1,60}`|\[\w+\] \w+', lambda quote: quote.group().replace(" ", "\0"), line)
    parts = textwrap.wrap(whole, max(width, 20), subsequent_indent=lead, break_long_words=False, break_on_hyphens=False)
    return "\n".join(parts or [""]).replace("\0", " ")


def prose(line: str, *, indent: int = 0) -> None:
    """A sentence on standard output, wrapped; a drawing or table of several lines as it is."""
    click.echo(line if "\n" in line else wrapped(line, sys.stdout, indent=indent))


@contextlib.contextmanager
def to_the_end() -> Iterator[None]:
    """Output that a reader may close early, as `head` does, without a change of the exit code."""
    try:
        yield
        sys.stdout.flush()
    except BrokenPipeError:
        drop_output()


def require_reader() -> None:
    """Raise BrokenPipeError if the reader of standard output has gone, before anything is written.

    Only on systems that report it; elsewhere the next written line raises it.
    """
    if sys.platform == "win32" or not hasattr(select, "poll"):
        return
    poll = select.poll()
    try:
        poll.register(sys.stdout.fileno(), 0)
    except (OSError, ValueError):
        return  # not a file
    if any(event & select.POLLERR for _, event in poll.poll(0)):
        raise BrokenPipeError


def drop_output() -> None:
    """Redirect standard output to nowhere: nothing may be written at exit."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def say(line: str, *, indent: int = 0) -> None:
    """A line for people on standard error; if it cannot be written, work continues.

    It is wrapped, except a message that begins with the program's name and goes to a log.
    """
    line = sanitize(line)
    if is_terminal() or not line.startswith("busbench: "):
        line = wrapped(line, sys.stderr, indent=indent)
    with contextlib.suppress(OSError):
        click.echo(line, err=True)


def wrote(path: str | Path, what: str, *, then: str = "") -> None:
    """Report a written file ("-": standard output), its content in a few words, and what to do with it."""
    name = "standard output" if str(path) == "-" else path
    say(f"busbench: wrote {name} ({what}){f'; {then}' if then else ''}")


def write_json(value: Any) -> None:
    """One JSON value."""
    click.echo(json.dumps(value, indent=2, allow_nan=False, ensure_ascii=False))


def write_csv(head: Sequence[str], rows: Iterable[Sequence[Cell]]) -> None:
    """A header and rows; None is an empty field, true and false are 1 and 0, and formulas are defused."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(map(_csv_cell, head))
    writer.writerows(map(_csv_cell, row) for row in rows)
    click.echo(text.getvalue(), nl=False)


def _csv_cell(cell: Cell) -> Cell:
    """A cell as written; text that a spreadsheet would run as a formula gets a leading apostrophe."""
    if isinstance(cell, bool):
        return int(cell)
    if isinstance(cell, str) and _FORMULA.match(cell):
        return f"'{cell}"
    return cell


def table_lines(head: Sequence[str], rows: Sequence[Sequence[str]], *, left: int = 1) -> list[str]:
    """Aligned columns of text; the first `left` are words, the others figures."""
    widths = [max(len(line[i]) for line in [head, *rows]) for i in range(len(head))]
    lines = []
    for line in [head, *rows]:
        cells = [
            cell.ljust(width) if i < left else cell.rjust(width)
            for i, (cell, width) in enumerate(zip(line, widths, strict=True))
        ]
        lines.append("  ".join(cells).rstrip())
    return lines


def print_table(head: Sequence[str], rows: Sequence[Sequence[str]], *, left: int = 1) -> None:
    """A table on standard output; see table_lines."""
    click.echo("\n".join(table_lines(head, rows, left=left)))


def to_the_millisecond(utc: str) -> str:
    """A date and time to the millisecond: 2026-05-28T20:26:40.003Z."""
    return re.sub(r"(\.\d{3})\d*", r"\1", utc)


def same_unit(values_s: Sequence[float]) -> tuple[str, list[str]]:
    """The common unit of times in seconds, that of the largest, and the values in it."""
    most = max(map(abs, values_s), default=0.0)
    unit, factor, digits = ("s", 1, 3) if most >= 1 else ("ms", 1e3, 3) if most >= 1e-3 else ("µs", 1e6, 1)
    return unit, [f"{value_s * factor:.{digits}f}" for value_s in values_s]


def is_terminal() -> bool:
    """True if standard error is a terminal, so that a progress line makes sense."""
    return sys.stderr is not None and sys.stderr.isatty()


def can_write(signs: str) -> bool:
    """True if standard output can encode these signs."""
    try:
        signs.encode(getattr(sys.stdout, "encoding", None) or "utf-8")
    except (UnicodeEncodeError, LookupError):
        return False
    return True
