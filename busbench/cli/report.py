"""`busbench report`: make a page of any recording, and check a received page."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from busbench.capture.base import ReadOptions
from busbench.cli.output import PAGE, force_option, wrote
from busbench.cli.outputs import OUTPUT, OutputCommand
from busbench.cli.source import read_all, read_analyser, read_baseline, read_lines, read_options, sources_options
from busbench.errors import BusbenchError, display_name

if TYPE_CHECKING:
    from busbench.report.recording_page import RecordingPage


@click.command("report", cls=OutputCommand)
@click.option("-o", "--output", type=OUTPUT, callback=PAGE, metavar="FILE.html", help="Write the page to this file.")
@click.option("--svg", "picture", metavar="NAME", help="Print one picture: outages, histogram, periods, channel-1 …")
@click.option("--check", "page", metavar="PAGE.html", help="Check a page against its recordings.")
@click.option("--baseline", metavar="OLD", help="Compare with this earlier recording.")
@click.option("--against", metavar="ANALYSER", help="Measure the adapter by a logic analyser on the line.")
@click.option("--rig", "rig_path", metavar="RIG.toml", help="Check a page to sign against this plan.")
@click.option("--walk", metavar="FILE.json", help="Check a page to sign against these answers.")
@force_option
@sources_options
def command(
    sources: tuple[str, ...],
    output: str | None,
    picture: str | None,
    page: str | None,
    baseline: str | None,
    against: str | None,
    rig_path: str | None,
    walk: str | None,
    force: bool,
    **settings: Any,
) -> None:
    """Make one page of a recording: outages, timing and channels.

    The page is one file with texts, tables and pictures; it fetches nothing and
    prints on A4. Its figures are those of `outages`, `timing` and `channels`. It
    also holds them as data. With --check and the recording anyone can confirm
    data and text, all but time of making, versions and names of files. Exit
    code 1 if a page differs from its recording. The page to sign of
    `verify` is checked with its rig file and answers, a page of `survey` with
    its recordings in any folder, or their table.

    With --baseline the page also says what changed since an earlier recording,
    as `compare` does; with --against it draws how late the adapter was, as
    `timing` measures it. Of several receivers in one recording, it draws when
    each was out, and all; of servo pulse outputs beside the bus, their latency.

    \b
    busbench report captures/heron-flight.pcapng -o flight.html
    busbench report captures/heron-bench.pcapng --baseline captures/heron-flight.pcapng -o b.html
    busbench report captures/heron-late.pcapng --against captures/heron-outputs.vcd -o late.html
    """
    if sum(one is not None for one in (output, picture, page)) != 1:
        raise BusbenchError("-o, --svg, --check: one of them is needed", hint="see busbench report --help")
    options = read_options(settings)
    if page is None:
        if rig_path or walk:
            raise BusbenchError("--rig, --walk: need --check", hint="leave them out")
        source = _only(sources)
        made = _page_of(source, baseline, against, options)
        _make(source, made, output=output, picture=picture, force=force)
    else:
        code = check(sources, page, baseline=baseline, against=against, rig_path=rig_path, walk=walk, options=options)
        click.get_current_context().exit(code)


def _only(sources: Sequence[str]) -> str:
    """The recording of a page of one."""
    if len(sources) > 1:
        raise BusbenchError("SOURCE: a page is of one recording", hint="name one; `busbench survey --page` ranks many")
    return sources[0]


def _page_of(source: str, baseline: str | None, against: str | None, options: ReadOptions) -> RecordingPage:
    from busbench.analysis.several import lay_beside
    from busbench.bench.sign_off import pulse_outputs
    from busbench.report.compared import Compared
    from busbench.report.recording_page import RecordingPage

    recordings = read_lines(source, options if against is None else replace(options, signal=None))
    several = lay_beside(recordings) if len(recordings) > 1 else None
    pulses, compared = pulse_outputs(source, options), None
    if baseline is not None:
        compared = Compared(baseline, read_baseline(baseline, options).compare(recordings[0], pulses=pulses))
    timing = None
    if against is not None:
        timing = recordings[0].timing(against=read_analyser(against, options), line=options.line)
    return RecordingPage(
        recordings[0], compared=compared, several=several, pulses=pulses, timing=timing, analyser=against or ""
    )


def _make(source: str, made: RecordingPage, *, output: str | None, picture: str | None, force: bool) -> None:
    if picture is not None:
        click.echo(made.picture(picture))
    if output is not None:
        from busbench.output_file import write_output

        write_output(output, _html(source, made), force=force)
        wrote(output, "page of the recording")


def _html(source: str, made: RecordingPage) -> str:
    from busbench.bench.sources import is_virtual
    from busbench.report.provenance import gather

    is_made_up = is_virtual(made.recording.info.source)
    return made.html(gather(source=Path(source).name, recording_path=source, rig_path="", is_virtual=is_made_up))


def check(
    sources: Sequence[str],
    page: str,
    *,
    baseline: str | None,
    against: str | None,
    rig_path: str | None,
    walk: str | None,
    options: ReadOptions,
) -> int:
    """Compare a page with a new one; prints the first difference and returns the exit code."""
    from busbench.bench import sign_off
    from busbench.report.page_data import figures_of, page_difference, read_page
    from busbench.report.survey_page import KINDS as SURVEY_KINDS

    text = read_page(page)
    figures = figures_of(text, path=page)
    if figures.get("kind") in SURVEY_KINDS:
        if baseline or against or rig_path or walk or options != ReadOptions():
            raise BusbenchError(f"{page}: is the page of a survey", hint="name only its recordings or its table")
        difference = page_difference(text, _surveyed(sources, page, figures))
        click.echo(f"{page}: {difference or 'is what the recordings show'}")
        return int(bool(difference))
    source = _only(sources)
    if ("compared" in figures) != (baseline is not None):
        if baseline is None:
            raise BusbenchError(f"{page}: compares two recordings", hint="name the earlier one with --baseline")
        raise BusbenchError(f"{page}: compares no recordings", hint="leave --baseline out")
    if ("analyser_sha256" in figures) != (against is not None):
        if against is None:
            what = f"{page}: shows the lateness of an adapter"
            raise BusbenchError(what, hint="name the logic analyser's recording with --against")
        raise BusbenchError(f"{page}: shows no lateness of an adapter", hint="leave --against out")
    if figures.get("kind") == sign_off.KIND:
        if rig_path is None:
            raise BusbenchError(f"{page}: is a page to sign", hint="name its rig file with --rig")
        if (figures.get("answers_sha256") is not None) != (walk is not None):
            if walk is None:
                raise BusbenchError(f"{page}: holds the answers of a walk", hint="name their file with --walk")
            raise BusbenchError(f"{page}: holds no answers of a walk", hint="leave --walk out")
        made = _signed(source, rig_path, walk, baseline, options)
    elif rig_path or walk:
        raise BusbenchError(f"{page}: is the page of a recording alone", hint="leave --rig and --walk out")
    else:
        made = _html(source, _page_of(source, baseline, against, options))
    difference = page_difference(text, made)
    click.echo(f"{page}: {difference or 'is what the recording shows'}")
    return int(bool(difference))


def _surveyed(sources: Sequence[str], page: str, figures: Mapping[str, object]) -> str:
    """Make the page of a survey again."""
    from busbench.cli.survey import make_survey
    from busbench.report.survey_page import HISTORY, history_html, ranking_html

    table = make_survey(sources)
    if figures["kind"] == HISTORY:
        unit = str(figures.get("unit"))
        if unit not in {row["unit"] for row in table.rows(("unit",))}:
            hint = "name the recordings that the page was made from"
            raise BusbenchError(f"{page}: shows {display_name(unit)}, and no recording is of that", hint=hint)
        return history_html(table.history(unit))
    return ranking_html(table.ranking(), table.errors(), recordings_sha256=table.recordings_sha256())


def _signed(source: str, rig_path: str, walk: str | None, baseline: str | None, options: ReadOptions) -> str:
    """Make a page to sign again."""
    from busbench.bench.sign_off import find_answers, pulse_outputs, sign_off
    from busbench.rig.load import read_rig

    rig = read_rig(rig_path)
    answers = None if walk is None else find_answers(rig, rig_path=rig_path, path=walk)
    earlier = None if baseline is None else read_baseline(baseline, options)
    pulses = pulse_outputs(source, options)
    done = sign_off(read_all(source, options), rig, answers=answers, pulses=pulses, baseline=earlier)
    return done.page(source=source, recording_path=source, rig_path=rig_path)
