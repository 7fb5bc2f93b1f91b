"""`busbench compare`: what changed from one recording to another, and how sure that is."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import click

from busbench.cli.live import line_options
from busbench.cli.output import (
    WIDTH,
    ascii_option,
    can_write,
    format_option,
    print_table,
    to_the_end,
    write_csv,
    write_json,
)
from busbench.cli.source import read_all, read_baseline, read_options, reading_options
from busbench.errors import sanitize

if TYPE_CHECKING:
    from busbench.analysis.change import Figure
    from busbench.analysis.comparison import Comparison

KEYS = ("name", "unit", "old", "new", "floor", "low", "high", "verdict")
_BAR = 11  # an odd number of columns: no change is in the middle
_NAME_MOST = 28  # characters of a name with its unit; longer ones go without the devices


@click.command("compare")
@format_option
@click.option("--rig", "rig_path", metavar="RIG.toml", help="Compare only the channels of this plan, by name.")
@click.option("--all", "show_all", is_flag=True, help="List every figure, not only what looks different.")
@ascii_option
@reading_options
@line_options
@click.argument("old", metavar="OLD")
@click.argument("new", metavar="NEW")
def command(
    old: str, new: str, rig_path: str | None, format_: str, show_all: bool, is_ascii: bool, **settings: Any
) -> None:
    """Compare two recordings of like motion: before and after.

    \b
    same         the change is too small to matter
    different    it is more than chance and measurement explain
    cannot tell  it is below the measurement floor, the smallest change that these
                 two recordings could show

    Figures: period, jitter, bursts of outages and their length; each channel's
    endpoints, centre and noise; delay and values of the failsafe; latency of the
    pulse outputs in both. Of 100 pairs that are alike, at most 5 come out as
    different. What matters: busbench help results.

    The table lists what is different or looks so. Sentences below it say what
    cannot be judged, and what would help. Endpoints and centres are judged only
    if both recordings show each control moved to both ends three times or more.

    Exit code 1 if a figure is different.

    \b
    busbench compare captures/heron-round.pcapng captures/heron-round-faulty.pcapng
    busbench compare captures/heron-flight.pcapng captures/heron-bench.pcapng  # exit code 1
    busbench compare captures/heron-bench.pcapng captures/heron-bench.pcapng
    """
    found = compare(old, new, rig_path=rig_path, settings=settings)
    with to_the_end():
        if format_ == "json":
            write_json(found.to_json())
        elif format_ == "csv":
            write_csv(KEYS, ([getattr(figure, key) for key in KEYS] for figure in found.figures))
        else:
            _print_table(found, show_all=show_all, is_ascii=is_ascii or not can_write("├─●┤│"))
    if found.verdict == "different":
        raise click.exceptions.Exit(1)


def compare(old: str, new: str, *, rig_path: str | None, settings: dict[str, Any]) -> Comparison:
    """Read both and compare them.

    Raises:
        CaptureError, RigError: one of the files cannot be read.
    """
    from busbench.bench.sign_off import pulse_outputs
    from busbench.rig.load import read_rig

    options = read_options(settings)
    rig = None if rig_path is None else read_rig(rig_path)
    return read_baseline(old, options).compare(read_all(new, options), rig=rig, pulses=pulse_outputs(new, options))


def _print_table(found: Comparison, *, show_all: bool, is_ascii: bool) -> None:
    from busbench.analysis.comparison_text import sentences, to_list, unit_of, unlisted, values_of

    shown = found.figures if show_all else to_list(found)
    if shown:
        head = ["figure", "old", "new", "floor", "change".center(_BAR), "verdict"]
        rows = []
        for figure in shown:
            unit = f", {unit_of(figure)}"
            most = _NAME_MOST - len(unit)
            name = figure.name if len(figure.name) <= most else replace(figure, devices="").name
            name = f"{sanitize(name, most=most)}{unit}"
            rows.append([name, *values_of(figure), _bar(figure, is_ascii=is_ascii), figure.verdict])
        print_table(head, rows)
        click.echo()
    for line in [*unlisted(found, shown), *sentences(found)]:
        click.echo(click.wrap_text(line, WIDTH, subsequent_indent="  "))


def _bar(figure: Figure, *, is_ascii: bool) -> str:
    """The interval of the change between marks for what matters; arrows if it exceeds the bar."""
    from busbench.analysis.comparison_text import bar_of

    bar = bar_of(figure)
    if bar is None:
        return " " * _BAR
    line, point, zero, limits, ends = "-", "o", "|", "[]", "<>"
    if not is_ascii:
        line, point, zero, limits, ends = "─", "●", "│", "┤├", "◄►"
    half, quarter = _BAR // 2, _BAR // 4 + 1

    def place(part: float) -> int:
        return half + round(math.copysign(min(abs(part) * quarter, half + 1), part))

    cells = [" "] * _BAR
    cells[half], cells[half - quarter], cells[half + quarter] = zero, limits[0], limits[1]
    low, high = place(bar.low), place(bar.high)
    for column in range(max(0, low), min(_BAR - 1, high) + 1):
        cells[column] = line
    if low < 0:
        cells[0] = ends[0]
    if high >= _BAR:
        cells[-1] = ends[1]
    if bar.change is not None:
        cells[min(_BAR - 1, max(0, place(bar.change)))] = point
    return "".join(cells)
