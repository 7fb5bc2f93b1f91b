"""`busbench outages`: where frames were lost, and how sure the result is."""

from __future__ import annotations

import json
import math
from collections.abc import Iterable
from typing import TYPE_CHECKING, Any

import click

from busbench.cli.output import format_option, print_table, say, to_the_millisecond, write_csv, write_json
from busbench.cli.source import read_options, read_times, sources_options
from busbench.errors import BusbenchError, display_name, pluralize, sanitize, seconds

if TYPE_CHECKING:
    from busbench.analysis.outages import Outage, Outages
    from busbench.capture.frames import Span

EVENTS_SHOWN = 40
MARK_MOST = 20  # max width of an annotation, so that the table fits 80 columns
FEW_FRAMES = 60  # even without a loss, so few frames bound the ratio only at 5 %
EVENT_KEYS = ("kind", "start_s", "end_s", "frames", "bytes", "offset")


@click.command("outages")
@format_option
@click.option("--all", "show_all", is_flag=True, help=f"List every outage in the table, not only {EVENTS_SHOWN}.")
@click.option("--follow", is_flag=True, help="Write a JSON line per outage as it ends.")
@sources_options
def command(sources: tuple[str, ...], format_: str, show_all: bool, follow: bool, **settings: Any) -> None:
    """Find where frames were lost; of several recordings also what coincides.

    \b
    gap       no frame came for more than 1.5 periods
    damaged   bytes came where a frame was due but form none, or form
              one with a byte that the line marked (parity, framing)
    lost      the receiver flagged the frame as lost
    failsafe  the receiver flagged failsafe: the link was gone
    missed    all of these together

    The true ratio of missed frames is below the 95 % upper confidence limit if
    each is missed independently. If they come in bursts, the limit is too low.

    Several SOURCEs of the same time, or one of several ports, are compared:
    when two or more were out at once, how long there was no receiver, and
    whether that is more than chance explains.

    \b
    busbench outages captures/heron-flight.pcapng
    busbench outages captures/heron-flight.pcapng --format json
    busbench outages captures/heron-pair.pcapng
    busbench outages 'virtual:?duration=4s&lost=1:0.5&speed=max' --follow
    """
    if follow:
        if format_ != "table" or show_all:
            other = "--all" if show_all else "--format"
            raise BusbenchError(
                f"--follow: cannot be combined with {other}, since it writes JSON lines", hint="leave one out"
            )
        if len(sources) > 1:
            raise BusbenchError("--follow: takes one source", hint="name one, or leave --follow out")
        follow_outages(sources[0], settings=settings)
        return
    if len(sources) > 1 or is_rack(sources[0], settings):
        from busbench.cli.outages_several import outages_several

        outages_several(sources, format_=format_, show_all=show_all, settings=settings)
        return
    outages(sources[0], format_=format_, show_all=show_all, settings=settings)


def is_rack(source: str, settings: dict[str, Any]) -> bool:
    """True for a recording of several serial lines without a chosen one."""
    from busbench.capture.open import line_interfaces

    return settings["interface"] is None and len(line_interfaces(source)) > 1


def outages(source: str, *, format_: str, show_all: bool, settings: dict[str, Any]) -> None:
    """Read the recording and print its outages."""
    timeline = read_times(source, read_options(settings))
    found, span = timeline.outages(), timeline.span
    if format_ == "json":
        write_json(found.to_json() | timeline.info.origin.to_json())
    elif format_ == "csv":
        write_csv(EVENT_KEYS, ([getattr(event, key) for key in EVENT_KEYS] for event in found.events))
    else:
        _print_table(found, span, show_all=show_all)
    if not found.frames:
        size = pluralize(span.bytes_total, "byte")
        say(f"busbench: {display_name(source)}: no frames in {size}: a wrong rate or polarity, or another line?")


def follow_outages(source: str, *, settings: dict[str, Any]) -> None:
    """Write events as they end, until the source ends."""
    from busbench.analysis.ongoing_outages import OngoingOutages
    from busbench.cli.follow import follow_source

    with follow_source(source, settings) as following:
        ongoing: OngoingOutages | None = None
        for found in following.results:
            if ongoing is None:
                if following.span.first_t_ns is None and following.clock.is_known:
                    continue  # nothing has arrived
                ongoing = OngoingOutages(clock=following.clock, start_ns=following.span.first_t_ns or 0)
            ongoing.add(found)
            ongoing.update(following.heard_ns)
            _write_events(ongoing.ended())
        if ongoing is not None:
            _write_events(ongoing.ended(is_over=True))


def _write_events(events: Iterable[Outage]) -> None:
    for event in events:
        click.echo(json.dumps({name: getattr(event, name) for name in event.__slots__}))


def _print_table(found: Outages, span: Span, *, show_all: bool) -> None:
    period = seconds(found.period_s) if found.period_s else "not known"
    lasted = f", {seconds(found.duration_s)}" if found.duration_s is not None else ""
    begun = f"   begun {to_the_millisecond(found.start_utc)}" if found.start_utc else ""
    click.echo(f"{pluralize(found.frames, 'frame')}{lasted}, period {period}{begun}\n")
    shown = found.events if show_all else found.events[:EVENTS_SHOWN]
    if shown:
        rows = [
            [
                event.kind,
                _in_s(event.start_s),
                _in_s(event.duration_s),
                str(event.frames),
                str(event.bytes),
                str(event.offset),
            ]
            for event in shown
        ]
        print_table(["outage", "from, s", "lasted, s", "frames", "bytes", "offset"], rows)
        if len(shown) < len(found.events):
            click.echo(f"… and {len(found.events) - len(shown)} more (--all lists them)")
        click.echo()
    rows = [
        [kind, str(one.count), str(one.frames), _in_s(one.total_s), _in_s(one.longest_s)]
        for kind, one in found.summary.items()
    ]
    print_table(["kind", "outages", "frames", "in all, s", "longest, s"], rows)
    click.echo()
    click.echo(loss_words(found))
    for note in _notes(found, span):
        click.echo(click.wrap_text(note, 80, subsequent_indent="      "))
    if found.between_marks:
        rows = [
            [
                sanitize(part.start_mark or "start", most=MARK_MOST),
                sanitize(part.end_mark or "end", most=MARK_MOST),
                f"{part.start_s:.1f}",
                f"{part.end_s:.1f}",
                str(part.frames),
                str(part.missed),
            ]
            for part in found.between_marks
        ]
        click.echo()
        head = ["from annotation", "to annotation", "from, s", "to, s", "frames", "missed"]
        print_table(head, rows, left=2)


def loss_words(found: Outages) -> str:
    """The ratio of missed frames in a sentence."""
    if found.missed_ratio is None:
        return "no frames: the ratio of missed frames is not known"
    return (
        f"missed {found.missed:,} of {pluralize(found.expected, 'frame')} due: {100 * found.missed_ratio:.4g} %, "
        f"95 % upper confidence limit {_at_most(100 * found.missed_ratio_upper95)} %"
        f"{': too few frames to say anything' if found.expected < FEW_FRAMES else ''}"
    )


def _in_s(value_s: float | None) -> str:
    return "-" if value_s is None else f"{value_s:.3f}"


def _at_most(percent: float) -> str:
    """A bound with three digits, rounded up."""
    unit = 10.0 ** (math.floor(math.log10(percent)) - 2)
    return f"{math.ceil(percent / unit * (1 - 1e-12)) * unit:.3g}"


def _notes(found: Outages, span: Span) -> list[str]:
    notes = [f"note: {note}" for note in found.notes]
    if found.stray_bytes:
        notes.append(f"note: {pluralize(found.stray_bytes, 'damaged byte')} came where no frame was due")
    if found.period_s is None:
        lacking = "no clock" if found.duration_s is None else "no period was found"
        notes.append(f"note: {lacking}, so gaps cannot be seen; damaged bytes count as frames by their number")
    if span.ambiguous:
        places = ", ".join(f"{start}-{end}" for start, end in span.ambiguous[:3])
        notes.append(f"AMBIGUOUS: bytes {places} can be read in two ways that are equally good: record it with a clock")
    return notes
