"""`busbench channels`: what each channel did."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from busbench.cli.numbers import WholeRange
from busbench.cli.output import format_option, print_table, write_csv, write_json
from busbench.cli.progress import Progress
from busbench.cli.source import open_source, read_options, source_options
from busbench.errors import pluralize
from busbench.wire.frame_spec import CHANNELS

if TYPE_CHECKING:
    from busbench.analysis.channels import Channels, ChannelSummary

GLITCHES_SHOWN = 10


@click.command("channels")
@format_option
@click.option(
    "--glitch",
    "glitch_counts",
    metavar="COUNTS",
    type=WholeRange(1, 2047),
    help="Set the jump that counts as a glitch [default: 40].",
)
@source_options
def command(source: str, format_: str, glitch_counts: int | None, **settings: Any) -> None:
    """Show what each channel did: endpoints, noise at rest, moves, glitches.

    A glitch is one frame in which a channel jumps away and back. A stick that
    moves and stays, or is flicked over several frames, is a move. Frames flagged
    lost or failsafe count for min, max and mean, but not for noise, moves and
    glitches. Damaged frames do not count.

    \b
    busbench channels captures/heron-flight.pcapng
    busbench channels captures/heron-flight.pcapng --format csv
    """
    from busbench.analysis.channels import GLITCH_COUNTS, ChannelStats
    from busbench.capture.frames import Span, read_frames
    from busbench.wire.scale import Scale

    options = read_options(settings)
    with open_source(source, options) as capture:
        progress, span, stats, frames = Progress("reading"), Span(), None, 0
        for found in read_frames(capture, span=span, line=options.line):
            if stats is None:
                stats = ChannelStats(
                    clock=capture.info.clock, start_ns=span.first_t_ns, glitch_counts=glitch_counts or GLITCH_COUNTS
                )
            stats.feed(found.frames, found.rejects)
            frames += len(found.frames)
            progress.at(pluralize(frames, "frame"))
        progress.end()
    assert stats is not None  # read_frames yields at least once, at the end
    result = stats.result()
    if format_ == "json":
        write_json(result.to_json() | capture.info.origin.to_json())
    elif format_ == "csv":
        rows = [one.to_json() for one in result.channels]
        write_csv(list(rows[0]) if rows else ["channel"], (list(row.values()) for row in rows))  # type: ignore[arg-type]
    else:
        _print_table(result, Scale())


def _damaged(result: Channels) -> str:
    """Number of frames left out."""
    if not result.damaged:
        return ""
    return f"; {result.damaged} damaged, left out"


def _values(one: ChannelSummary, scale: Any) -> list[str]:
    """Min, max, range, mean, pulse and noise; for on/off channels only the states."""
    if one.channel > CHANNELS:
        low, high = ("on" if state else "off" for state in (one.min_counts, one.max_counts))
        return [low, high, "-", f"{100 * one.mean_counts:.1f} % on", "-", "-"]
    us = f"{scale.to_us(one.min_counts):.0f}…{scale.to_us(one.max_counts):.0f}"
    noise = "-" if one.still_noise_counts is None else f"{one.still_noise_counts:.2f}"
    return [str(one.min_counts), str(one.max_counts), str(one.span_counts), f"{one.mean_counts:.1f}", us, noise]


def _print_table(result: Channels, scale: Any) -> None:
    click.echo(
        f"{pluralize(result.frames, 'frame')}, {result.flagged} of them flagged lost or failsafe{_damaged(result)}\n"
    )
    if not result.channels:
        return
    rows = [[str(one.channel), *_values(one, scale), str(one.moves), str(one.glitches)] for one in result.channels]
    head = ["ch", "min", "max", "range", "mean", "µs", "noise at rest", "moves", "glitches"]
    print_table(head, rows, left=0)
    click.echo(f"\ncounts as on the line; µs assumes {scale.describe()}")
    click.echo("noise at rest in counts rms, over stretches in which the stick rested")
    click.echo(f"a glitch is a jump of more than {result.glitch_counts} counts, away and back")
    if result.glitches:
        rows = [
            [
                "-" if glitch.time_s is None else f"{glitch.time_s:.3f}",
                str(glitch.frame),
                str(glitch.offset),
                str(glitch.channel),
                str(glitch.value_counts),
                f"{glitch.size_counts:+d}",
            ]
            for glitch in result.glitches[:GLITCHES_SHOWN]
        ]
        click.echo()
        print_table(["glitch at, s", "frame", "offset", "ch", "counts", "jump"], rows, left=0)
        total = sum(one.glitches for one in result.channels)
        if total > len(rows):
            click.echo(f"… and {total - len(rows)} more (--format json lists up to 1000)")
