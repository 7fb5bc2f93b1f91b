"""`busbench report`: one page of any recording, and the check of a page that was received."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from busbench.cli.output import PAGE, force_option, wrote
from busbench.cli.outputs import OUTPUT, OutputCommand
from busbench.cli.source import read_all, read_options, source_options
from busbench.errors import BusbenchError


@click.command("report", cls=OutputCommand)
@click.option("-o", "--output", type=OUTPUT, callback=PAGE, metavar="FILE.html", help="Write the page to this file.")
@click.option("--svg", "picture", metavar="NAME", help="Print one picture: outages, histogram, periods, channel-1 …")
@click.option("--check", "page", metavar="PAGE.html", help="Check the figures of a page against the recording.")
@force_option
@source_options
def command(
    source: str, output: str | None, picture: str | None, page: str | None, force: bool, **settings: Any
) -> None:
    """Make one page of a recording: outages, timing and channels.

    The page is one file with texts, tables and pictures; it fetches nothing and
    prints on A4. Its figures are those of `outages`, `timing` and `channels`. It
    also holds them as data: with --check and the recording anyone can confirm
    them. Exit code 1 if a page differs from its recording.

    \b
    busbench report captures/heron-flight.pcapng -o flight.html
    """
    if sum(one is not None for one in (output, picture, page)) != 1:
        raise BusbenchError("-o, --svg, --check: one of them is wanted", hint="see busbench report --help")
    from busbench.report.recording_page import RecordingPage

    made = RecordingPage(read_all(source, read_options(settings)))
    if picture is not None:
        click.echo(made.picture(picture))
    elif output is not None:
        from busbench.output_file import write_output
        from busbench.report.provenance import gather

        text = made.html(gather(source=Path(source).name, recording_path=source, rig_path=""))
        write_output(output, text, force=force)
        wrote(output, "page of the recording")
    else:
        assert page is not None
        click.get_current_context().exit(check(made, source, page))


def check(made: Any, source: str, page: str) -> int:
    """Hold a page against what was made again; prints the first difference and returns the exit code."""
    from busbench.report.page_data import first_difference, read_figures
    from busbench.report.provenance import sha256_of

    figures = read_figures(page)
    difference = first_difference(figures, made.figures(sha256=sha256_of(source)))
    click.echo(f"{page}: {difference or 'is what the recording shows'}")
    return int(bool(difference))
