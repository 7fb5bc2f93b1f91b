"""`busbench rig draft`: learn a channel map while one stick moves at a time."""

from __future__ import annotations

import math
import time
from collections.abc import Iterable, Iterator
from typing import TYPE_CHECKING, Any

import click

from busbench.capture.base import ReadOptions
from busbench.cli.live import stop_signals
from busbench.cli.numbers import FiniteRange
from busbench.cli.output import force_option, say, wrote
from busbench.cli.outputs import OUTPUT, OutputCommand, write_new
from busbench.cli.source import open_source, read_options, source_options
from busbench.errors import SAFETY, BusbenchError, RigError
from busbench.line import LineSettings
from busbench.output_file import require_output

if TYPE_CHECKING:
    from busbench.rig.draft import Draft
    from busbench.wire.table import FrameTable


@click.command("draft", cls=OutputCommand, short_help="learn the channel map from one stick moved at a time")
@click.option("--names", metavar="NAME,...", default="", help="Name the devices in the order of movement, with commas.")
@click.option("--seconds", metavar="SECONDS", type=FiniteRange(0, min_open=True),
              help="Watch a port for this long [default: until Ctrl-C].")  # fmt: skip
@click.option("-o", "--output", type=OUTPUT, metavar="FILE.toml", help="Write to this file [default: standard output].")
@force_option
@source_options
def draft_command(
    source: str, names: str, seconds: float | None, output: str | None, force: bool, **settings: Any
) -> None:
    """Learn the channel map while one stick after another moves, from SOURCE.

    WARNING: Remove the propeller, or disconnect the motor.

    Move each stick and switch to both ends and back, wait one second, then move
    the next. A warning names controls that moved together or did not come to rest.
    On a port Ctrl-C ends it.

    \b
    busbench rig draft captures/heron-round.pcapng -o draft.toml
    busbench rig draft captures/heron-round.pcapng --names "left aileron,right aileron,left flap"
    busbench rig draft /dev/ttyUSB0 -o draft.toml
    """
    from busbench.bench.sources import is_live
    from busbench.rig.draft import DOUBT, draft_toml
    from busbench.wire.scale import Scale

    if output not in (None, "-"):
        require_output(str(output), force=force)  # before sticks are moved in vain
    options = read_options(settings)
    if is_live(source):
        found = _watched(source, options.line, seconds)
    elif seconds is not None:
        raise BusbenchError("--seconds: works with a port, not with a recording", hint="leave it out")
    else:
        found = _read(source, options)
    called = [name.strip() for name in names.split(",") if name.strip()]
    if not found.frames:
        raise RigError(source, "", "holds no frames", hint="`busbench probe` reports what is on the line")
    if not found.proposals:
        raise RigError(source, "", "has no channel that moved", hint="move one stick at a time to both ends and back")
    write_new(output, draft_toml(found, names=called, scale=Scale()), force=force)
    for one in found.proposals:
        where = "" if one.follows is None else f", together with channel {one.follows}"
        say(f"movement {one.movement}: channel {one.channel}, {one.kind}{where}")
    if output not in (None, "-"):
        wrote(output, "rig file drafted", then=f"fill it in, then `busbench rig check {output}`")
    at_end = [str(one.channel) for one in found.proposals if one.rests_at]
    if at_end:
        say(
            f"written as a motor, and so locked, since at rest it is at an end: channel {', '.join(at_end)};"
            " write motor = false for each that can turn no propeller"
        )
    if found.is_doubtful:  # last, so that it is seen
        say(f"busbench: {source}: {DOUBT}")


def _read(source: str, options: ReadOptions) -> Draft:
    from busbench.rig.draft import propose_channels
    from busbench.wire.framing import find_in_blocks

    with open_source(source, options) as capture:
        clock = capture.info.clock
        parts = find_in_blocks(capture.blocks(), clock=clock, line=options.line)
        return propose_channels((part.frames for part in parts), has_clock=clock.is_known)


def _watched(source: str, line: LineSettings, seconds: float | None) -> Draft:
    from busbench.rig.draft import propose_channels

    return propose_channels(_told(_frames_of(source, line, seconds)))


def _frames_of(source: str, line: LineSettings, seconds: float | None) -> Iterator[FrameTable]:
    """Frames of a port until the time is over, the port ends, or the user stops."""
    from busbench.bench.receiver import Receiver
    from busbench.bench.sources import open_live

    with open_live(source, line=line) as live, stop_signals() as stop:
        say(SAFETY)
        say("Move one stick or switch at a time to both ends and back, rest a second, take the next.")
        ends = "Ctrl-C ends it." if seconds is None else f"it ends after {seconds:g} s, or at Ctrl-C."
        say(f"Watching {source}; {ends}")
        until = math.inf if seconds is None else time.monotonic() + seconds
        for came in Receiver(live).receptions(is_over=lambda: stop.is_set() or time.monotonic() >= until):
            for event in came.events:
                say(f"busbench: {source}: {event.text}")
            yield came.found.frames


def _told(tables: Iterable[FrameTable]) -> Iterator[FrameTable]:
    """Report each channel at its first move, as feedback for the pilot."""
    from busbench.rig.draft import Noticed

    noticed = Noticed()
    for table in tables:
        for channel in noticed.feed(table):
            say(f"channel {channel} moves")
        yield table
