"""`busbench survey`: many recordings as one table, ranked; one unit over time."""

from __future__ import annotations

import math
import os
from collections.abc import Sequence
from typing import TYPE_CHECKING

import click

from busbench.cli.numbers import WholeRange
from busbench.cli.output import (
    PAGE,
    ascii_option,
    can_write,
    ends_in,
    force_option,
    format_option,
    prose,
    say,
    table_lines,
    to_the_end,
    write_csv,
    write_json,
    wrote,
)
from busbench.cli.outputs import OUTPUT, OutputCommand
from busbench.cli.progress import Progress
from busbench.errors import BusbenchError, display_name, pluralize, sanitize

if TYPE_CHECKING:
    from busbench.analysis.ranking import Ranked
    from busbench.bench.survey import Survey

RANKED_SHOWN = 20
ERRORS_SHOWN = 5
KEYS = ("path", "interface", "unit", "start_utc", "missed", "expected", "missed_ratio", "bursts", "ratio_low",
        "ratio_high")  # fmt: skip
_NAME_MOST = 34
_BAR, _DECADES = 13, 5  # from 0.001 % to 100 %
_BATCH = 16  # recordings that are worth a process of their own


@click.command("survey", cls=OutputCommand)
@click.option("-o", "--output", type=OUTPUT, callback=ends_in(".parquet", "Parquet"), metavar="FILE.parquet",
              help="Write all figures to this file, a row per recording.")  # fmt: skip
@click.option("--workers", type=WholeRange(1, 1024), metavar="N", help="Use this many processes [default: all cores].")
@click.option("--dask", metavar="ADDRESS", help="Use the dask cluster of this scheduler.")
@click.option("--resume", is_flag=True, help="Go on with a survey that was interrupted.")
@click.option("--unit", metavar="NAME", help="Show this receiver or aircraft over time.")
@click.option("--page", type=OUTPUT, callback=PAGE, metavar="FILE.html", help="Write the result as a page.")
@click.option("--all", "show_all", is_flag=True, help="List every recording and figure.")
@format_option
@force_option
@ascii_option
@click.argument("paths", metavar="PATH…", nargs=-1, required=True)
def command(
    paths: tuple[str, ...],
    output: str | None,
    workers: int | None,
    dask: str | None,
    resume: bool,
    unit: str | None,
    page: str | None,
    show_all: bool,
    format_: str,
    force: bool,
    is_ascii: bool,
) -> None:
    """Read many recordings into one table and rank them by missed frames.

    PATH is a recording, a folder, a pattern in quotes, an address as in
    s3://bucket/season/, or a table that an earlier survey wrote.

    Recordings without a good frame come first, then the worst by what is certain:
    the lower 95 % confidence limit of the ratio of missed frames, which counts
    bursts. So one lost frame in a short recording does not put it on top. The
    limits are two-sided; `outages` shows a one-sided upper limit, which is lower.

    Each row of the table has every figure of `outages`, `timing` and `channels`.
    A recording that cannot be read becomes a row with its error. Until the table
    is complete FILE.parquet.jsonl holds what is done; --resume goes on from it.

    With --unit the recordings of one unit (`record --unit`) are shown over time,
    each figure with its trend: whether it rises or falls by more than chance.
    The reader of a page can check its figures with `report --check`.

    \b
    busbench survey captures
    busbench survey 'captures/heron-b*' -o season.parquet
    busbench survey captures/heron-pair.pcapng --unit left --page left.html
    """
    table = make_survey(paths, output=output, workers=workers, dask=dask, resume=resume, force=force)
    is_ascii = is_ascii or not can_write("├─●┤█")
    if unit is not None:
        from busbench.cli.survey_history import show_history

        show_history(table.history(unit), page=page, format_=format_, show_all=show_all, force=force)
    else:
        _show_ranking(table, page=page, format_=format_, show_all=show_all, is_ascii=is_ascii, force=force)


def make_survey(
    paths: Sequence[str],
    *,
    output: str | None = None,
    workers: int | None = None,
    dask: str | None = None,
    resume: bool = False,
    force: bool = False,
) -> Survey:
    """Read the recordings, or the table of an earlier survey.

    Raises:
        BusbenchError: options do not fit, nothing is there, or the work failed.
    """
    from busbench.bench.survey import counted, read_survey, survey
    from busbench.bench.survey_inputs import find_inputs
    from busbench.bench.survey_journal import SUFFIX
    from busbench.bench.survey_table import is_table
    from busbench.bench.survey_workers import open_executor

    if len(paths) == 1 and paths[0].endswith(".parquet") and is_table(paths[0]):
        if output is not None:
            raise BusbenchError(f"-o: {display_name(paths[0])} is the table already", hint="leave -o out")
        return read_survey(paths[0])
    if resume and output is None:
        raise BusbenchError("--resume: needs -o", hint="name the output of the survey that was interrupted")
    if dask is not None and workers is not None:
        raise BusbenchError("--dask: cannot be combined with --workers", hint="leave one out")
    if workers is None:
        workers = min(os.cpu_count() or 1, math.ceil(len(find_inputs(paths)) / _BATCH))
    progress, done = Progress("reading"), 0

    def at(now: int, total: int) -> None:
        nonlocal done
        done = now
        progress.at(counted(now, total))

    try:
        with open_executor(workers=workers, dask=dask) as executor:
            found = survey(paths, executor=executor, output=output, resume=resume, force=force, progress=at)
    except KeyboardInterrupt:
        progress.end()
        if output is not None:
            say(f"busbench: {output}{SUFFIX} holds {pluralize(done, 'recording')}: go on with --resume")
        raise
    progress.end()
    if output is not None:
        wrote(output, pluralize(done, "recording"))
    return found


def _show_ranking(
    table: Survey, *, page: str | None, format_: str, show_all: bool, is_ascii: bool, force: bool
) -> None:
    ranking, errors = table.ranking(), table.errors()
    with to_the_end():
        if format_ == "json":
            broken = [{"path": path, "error": error} for path, error in errors]
            write_json({"ranking": [one.to_json() for one in ranking], "errors": broken})
        elif format_ == "csv":
            write_csv(KEYS, ([getattr(one, key) for key in KEYS] for one in ranking))
        else:
            _print_ranking(ranking, errors, show_all=show_all, is_ascii=is_ascii)
    if page is not None:
        from busbench.output_file import write_output
        from busbench.report.survey_page import ranking_html

        made = ranking_html(ranking, errors, recordings_sha256=table.recordings_sha256())
        write_output(page, made, force=force)
        wrote(page, "page of the ranking")


def _print_ranking(
    ranking: Sequence[Ranked], errors: Sequence[tuple[str, str]], *, show_all: bool, is_ascii: bool
) -> None:
    from busbench.report.survey_page import digits, ranking_words

    shown = ranking if show_all else ranking[:RANKED_SHOWN]
    if shown:
        rows = [
            [
                _tail(one.name),
                *(digits(getattr(one, key), factor=100) for key in ("missed_ratio", "ratio_low", "ratio_high")),
                bar(one, is_ascii=is_ascii),
            ]
            for one in shown
        ]
        head = ["recording", "missed, %", "at least", "at most", "0.001 … 100 %"]
        click.echo("\n".join(table_lines(head, rows)))
        if len(shown) < len(ranking):
            click.echo(f"… and {len(ranking) - len(shown):,} more (--all lists them)")
        click.echo()
    if any(one.ratio_high is not None for one in shown):
        click.echo("at least, at most: two-sided 95 % confidence limits")
    prose(ranking_words(ranking, errors))
    for path, error in errors if show_all else errors[:ERRORS_SHOWN]:
        prose(f"{sanitize(path)}: {error}", indent=2)
    if len(errors) > ERRORS_SHOWN and not show_all:
        click.echo(f"… and {len(errors) - ERRORS_SHOWN:,} more (--all lists them)")


def _tail(path: str) -> str:
    """The end of a path, which differs."""
    text = sanitize(path)
    return text if len(text) <= _NAME_MOST else "…" + text[1 - _NAME_MOST :]


def bar(one: Ranked, *, is_ascii: bool) -> str:
    """The interval of the ratio on a scale of powers of ten; an arrow where it goes on to zero."""
    from busbench.analysis.ranking import NO_GOOD_FRAME

    if not one.has_good_frame:
        return NO_GOOD_FRAME
    if one.ratio_low is None or one.ratio_high is None:
        return ""
    line, point, end = ("-", "o", "<") if is_ascii else ("─", "●", "◄")

    def column(ratio: float) -> int:
        decades = math.log10(max(ratio, 10.0**-_DECADES)) + _DECADES
        return min(_BAR - 1, int(decades / _DECADES * _BAR))

    low, high = column(one.ratio_low), column(one.ratio_high)
    cells = [line if low <= i <= high else " " for i in range(_BAR)]
    if one.ratio_low < 10.0**-_DECADES:
        cells[0] = end
    if one.missed_ratio:
        cells[column(one.missed_ratio)] = point
    return "".join(cells)
