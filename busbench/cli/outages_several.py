"""`busbench outages` of several recordings of the same time: which outages coincide, and whether by chance."""

from __future__ import annotations

import contextlib
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import click

from busbench.capture.base import CHOICE
from busbench.cli.output import print_table, say, write_csv, write_json
from busbench.cli.progress import Progress
from busbench.cli.source import read_options, require_recorded
from busbench.errors import display_name, pluralize, sanitize, seconds

if TYPE_CHECKING:
    from busbench.analysis.several import Several

OVERLAPS_SHOWN = 40


def outages_several(sources: Sequence[str], *, format_: str, show_all: bool, settings: dict[str, Any]) -> None:
    """Read the recordings and print what coincides (raises CaptureError: one cannot be read or compared)."""
    from busbench.analysis.several import read_several
    from busbench.capture.open import open_captures

    options = read_options(settings)
    with contextlib.ExitStack() as opened:
        captures = []
        for source in sources:
            require_recorded(source)
            captures += [opened.enter_context(one) for one in open_captures(source, options=options)]
        progress = Progress("reading")
        found = read_several(
            captures, line=options.line, on_block=lambda frames: progress.at(pluralize(frames, "frame"))
        )
        progress.end()
        for capture, one in zip(captures, found.sources, strict=True):
            for note in capture.info.notes:
                if not note.startswith(CHOICE):  # the others are also read
                    say(f"busbench: {display_name(one.name)}: {note}")
    if format_ == "json":
        write_json(found.to_json())
    elif format_ == "csv":
        rows = ((one.start_s, one.end_s, "+".join(map(str, one.sources))) for one in found.coincidence.overlaps)
        write_csv(("start_s", "end_s", "sources"), rows)
    else:
        _print_table(found, show_all=show_all)


def _print_table(found: Several, *, show_all: bool) -> None:
    from busbench.analysis.several import NAME_MOST, sentences

    together = found.coincidence
    lasted = together.end_s - together.start_s
    click.echo(f"{len(found.sources)} receivers, {seconds(lasted)} recorded by all\n")
    rows = []
    for number, one in enumerate(found.sources):
        own = one.outages
        longest = max((event.duration_s or 0.0 for event in own.events), default=0.0)
        rows.append(
            [
                str(number),
                sanitize(one.name, most=NAME_MOST),
                f"{own.frames:,}",
                f"{own.missed:,}",
                "-" if own.missed_ratio is None else f"{100 * own.missed_ratio:.3g} %",
                f"{len(own.events):,}",
                seconds(longest),
            ]
        )
    print_table(["no", "receiver", "frames", "missed", "ratio", "outages", "longest"], rows, left=2)
    shown = together.overlaps if show_all else together.overlaps[:OVERLAPS_SHOWN]
    if shown:
        cells = [
            [f"{one.start_s:.3f}", seconds(one.end_s - one.start_s), " ".join(map(str, one.sources))] for one in shown
        ]
        click.echo()
        print_table(["out at once from_s", "lasted", "receivers"], cells)
        if len(shown) < len(together.overlaps):
            click.echo(f"… and {len(together.overlaps) - len(shown)} more (--all lists them)")
    click.echo()
    for line in sentences(found):
        click.echo(click.wrap_text(line, 76, subsequent_indent="  "))
