"""`busbench outages` of several recordings of the same time: which outages coincide, and whether by chance."""

from __future__ import annotations

import contextlib
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import click

from busbench.cli.output import print_table, say, seconds, write_csv, write_json
from busbench.cli.progress import Progress
from busbench.cli.source import read_options, require_recorded
from busbench.errors import display_name, pluralize, sanitize

if TYPE_CHECKING:
    from busbench.analysis.several import Several

OVERLAPS_SHOWN = 40
_NAME_MOST = 28
_WORDS = {
    "yes": "yes: no more coincide than by chance",
    "no": "no: more coincide than chance explains: look for a common cause",
    "cannot tell": "unknown: too few outages came",
}


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
                if not note.startswith("read what was received on "):  # the others are also read
                    say(f"busbench: {display_name(one.name)}: {note}")
    if format_ == "json":
        write_json(found.to_json())
    elif format_ == "csv":
        rows = ((one.start_s, one.end_s, "+".join(map(str, one.sources))) for one in found.coincidence.overlaps)
        write_csv(("start_s", "end_s", "sources"), rows)
    else:
        _print_table(found, show_all=show_all)


def _print_table(found: Several, *, show_all: bool) -> None:
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
                sanitize(one.name, most=_NAME_MOST),
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
    for line in words(found):
        click.echo(click.wrap_text(line, 76, subsequent_indent="  "))


def words(found: Several) -> list[str]:
    """What coincides, in sentences."""
    one = found.coincidence
    if one.end_s <= one.start_s:
        return ["the recordings have no time in common"]
    lines = [
        f"no receiver: {seconds(one.uncovered_s)} in all, {seconds(one.longest_uncovered_s)} at most at once;"
        f" {seconds(one.expected_by_chance_s)} expected by chance",
        f"independent: {_WORDS[one.independent]}; {one.coincident:,} of {pluralize(one.bursts, 'burst')}"
        f" coincide, {one.coincident_by_chance:.3g} expected by chance (p = {one.p_value:.2g})",
    ]
    for skew in found.skews:
        later, first = (sanitize(found.sources[number].name, most=_NAME_MOST) for number in reversed(skew.sources))
        if skew.median_s is None or skew.low_s is None or skew.high_s is None:
            lines.append(f"skew of {later} to {first}: unknown: too few changes that both show")
        else:
            lines.append(
                f"skew of {later} to {first}: {skew.median_s * 1e3:+.2f} ms (5 to 95 %: {skew.low_s * 1e3:+.2f} to"
                f" {skew.high_s * 1e3:+.2f} ms, {pluralize(skew.matches, 'change')})"
            )
    return lines + [f"note: {note}" for note in found.notes]
