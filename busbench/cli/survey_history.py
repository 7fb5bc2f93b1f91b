"""What `busbench survey --unit` prints: one unit over time."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

import click

from busbench.cli.output import prose, table_lines, to_the_end, write_csv, write_json, wrote
from busbench.errors import pluralize, sanitize

if TYPE_CHECKING:
    from busbench.analysis.trend import History, Point

RECORDINGS_SHOWN = 20
KEYS = ("figure", "unit", "start_utc", "value", "low", "high", "recording")


def show_history(found: History, *, page: str | None, format_: str, show_all: bool, force: bool) -> None:
    """Print it, and write its page."""
    with to_the_end():
        if format_ == "json":
            write_json(found.to_json())
        elif format_ == "csv":
            write_csv(KEYS, _points(found))
        else:
            _print_table(found, show_all=show_all)
    if page is not None:
        from busbench.output_file import write_output
        from busbench.report.survey_page import history_html

        write_output(page, history_html(found), force=force)
        wrote(page, "page of the history")


def _points(found: History) -> Iterator[Sequence[str | float | None]]:
    for one in found.trends:
        for point in one.points:
            yield one.name, one.unit, point.start_utc, point.value, point.low, point.high, point.recording


def _print_table(found: History, *, show_all: bool) -> None:
    from busbench.analysis.trend import OF_THE_LINE
    from busbench.report.survey_page import MONTH_DAYS, history_words, trend_cells

    begun = sorted({_when(point) for one in found.trends for point in one.points})
    span = f", {begun[0][0][:10]} to {begun[-1][0][:10]}" if begun else ""
    click.echo(f"{sanitize(found.unit)}: {pluralize(found.recordings, 'recording')}{span}\n")
    for words in history_words(found):
        prose(words)
    if not found.trends:
        prose("too few recordings with a date for a trend: three are needed")
        return
    listed = {
        one.name: {_when(point): point for point in one.points} for one in found.trends if one.name in OF_THE_LINE
    }
    shown = begun if show_all else begun[-RECORDINGS_SHOWN:]
    if len(shown) < len(begun):
        click.echo(f"the last {len(shown)} (--all lists {len(begun):,})")
    head = ["begun", "missed, %", "at least", "at most", "period, ms", "jitter, ms", "at most"]
    click.echo("\n".join(table_lines(head, [_row(when, listed) for when in shown])) + "\n")
    trends = [
        one for one in found.trends if show_all or one.name in OF_THE_LINE or one.direction in ("rising", "falling")
    ]
    head = ["figure", "median", f"per {MONTH_DAYS} days", "at least", "at most", "trend"]
    click.echo("\n".join(table_lines(head, [trend_cells(one) for one in trends])))
    if len(trends) < len(found.trends):
        rest = pluralize(len(found.trends) - len(trends), "figure")
        click.echo(f"\nnot listed: {rest} of channels without a trend (--all lists them)")


def _when(point: Point) -> tuple[str, int]:
    """Which recording it is of: several may begin at the same time."""
    return point.start_utc, point.recording


def _row(when: tuple[str, int], listed: dict[str, dict[tuple[str, int], Point]]) -> list[str]:
    from busbench.analysis.trend import OF_THE_LINE
    from busbench.report.survey_page import digits

    lost, period, jitter = (listed.get(name, {}).get(when) for name in OF_THE_LINE)
    return [
        f"{when[0][:10]} {when[0][11:16]}",
        *([digits(None if lost is None else getattr(lost, key), factor=100) for key in ("value", "low", "high")]),
        "-" if period is None else f"{1e3 * period.value:.4f}",
        *([digits(None if jitter is None else getattr(jitter, key), factor=1e3) for key in ("value", "high")]),
    ]
