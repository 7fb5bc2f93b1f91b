"""`busbench compare`: what changed from one recording to another, and how sure that is."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import click

from busbench.cli.live import line_options
from busbench.cli.output import ascii_option, can_write, format_option, table_lines, to_the_end, write_csv, write_json
from busbench.cli.source import read_all, read_options, reading_options
from busbench.errors import pluralize, sanitize

if TYPE_CHECKING:
    from busbench.analysis.change import Figure
    from busbench.analysis.comparison import Comparison

KEYS = ("name", "unit", "old", "new", "floor", "low", "high", "verdict")
_BAR = 11  # an odd number of columns: no change is in the middle
_NAME_MOST = 22
_UNITS = {"s": ("ms", 1e3)}


@click.command("compare")
@format_option
@click.option("--rig", "rig_path", metavar="RIG.toml", help="Compare only the channels of this plan, by name.")
@click.option("--all", "show_all", is_flag=True, help="List every figure, not only those that count.")
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

    Figures: period, jitter, bursts of losses and their length; each channel's
    endpoints, centre and noise; delay and values of the failsafe. Of 100 pairs
    that are alike, at most 5 come out as different. What matters: busbench help
    results.

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
    from busbench.rig.load import read_rig

    options = read_options(settings)
    rig = None if rig_path is None else read_rig(rig_path)
    return read_all(old, options).compare(read_all(new, options), rig=rig)


def _print_table(found: Comparison, *, show_all: bool, is_ascii: bool) -> None:
    shown = [figure for figure in found.figures if show_all or figure.verdict != "same"]
    if shown:
        rows = [_row(figure, is_ascii=is_ascii) for figure in shown]
        head = ["figure", "old", "new", "floor", "change".center(_BAR), "verdict"]
        click.echo("\n".join(table_lines(head, rows)) + "\n")
    counts = {word: sum(figure.verdict == word for figure in found.figures) for word in _SIGNS}
    if not show_all and counts["same"]:
        click.echo(f"not listed: {pluralize(counts['same'], 'figure')} that are the same (--all lists them)")
    click.echo(f"{found.verdict}: " + ", ".join(f"{count} {word}" for word, count in counts.items()))


_SIGNS = {"same": "=", "different": "x", "cannot tell": "?"}


def _row(figure: Figure, *, is_ascii: bool) -> list[str]:
    unit, factor = _UNITS.get(figure.unit, (figure.unit, 1.0))
    values = [figure.old, figure.new, figure.floor]
    decimals = _decimals(None if figure.floor is None else figure.floor * factor)
    cells = ["-" if value is None else f"{value * factor:.{decimals}f}" for value in values]
    name = sanitize(figure.name, most=_NAME_MOST)
    return [f"{name}, {unit}", *cells, _bar(figure, is_ascii=is_ascii), figure.verdict]


def _decimals(floor: float | None) -> int:
    """Number of decimals that the floor justifies: one below its first digit."""
    return 1 if floor is None else 0 if not floor else min(4, max(0, 1 - math.floor(math.log10(floor))))


def _bar(figure: Figure, *, is_ascii: bool) -> str:
    """The interval of the change between marks for what matters; arrows if it exceeds the bar."""
    if figure.low is None or figure.high is None:
        return " " * _BAR
    line, point, zero, limits, ends = "-", "o", "|", "[]", "<>"
    if not is_ascii:
        line, point, zero, limits, ends = "─", "●", "│", "┤├", "◄►"
    half, quarter = _BAR // 2, _BAR // 4 + 1

    def place(value: float) -> int:
        limit = figure.tolerance[value > 0] or 1.0
        return half + round(math.copysign(min(abs(value / limit) * quarter, half + 1), value))

    cells = [" "] * _BAR
    cells[half], cells[half - quarter], cells[half + quarter] = zero, limits[0], limits[1]
    low, high = place(figure.low), place(figure.high)
    for column in range(max(0, low), min(_BAR - 1, high) + 1):
        cells[column] = line
    if low < 0:
        cells[0] = ends[0]
    if high >= _BAR:
        cells[-1] = ends[1]
    if figure.old is not None and figure.new is not None:
        cells[min(_BAR - 1, max(0, place(figure.new - figure.old)))] = point
    return "".join(cells)
