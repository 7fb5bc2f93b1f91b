"""`busbench record`: a port into a file that survives whatever happens."""

from __future__ import annotations

import shlex
import threading
import time
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import click

from busbench.cli.live import LOOK_S, line_of, line_options, stop_signals
from busbench.cli.numbers import FiniteRange
from busbench.cli.output import INTERRUPTED, force_option, say, wrote
from busbench.cli.outputs import OUTPUT, OutputCommand
from busbench.cli.progress import ProgressLine
from busbench.cli.source import fault_option
from busbench.errors import OutputError, display_name, pluralize
from busbench.model import LineSettings, Reason
from busbench.output_file import require_output
from busbench.wire.frame_spec import FLAG_FAILSAFE, FLAG_LOST

if TYPE_CHECKING:
    from busbench.bench.receiver import Reception
    from busbench.sim.aircraft_faults import AircraftFault


@dataclass(slots=True)
class RecordResult:
    """What has been recorded.

    Args:
        frames: found in what came.
        lost: of these, flagged lost.
        failsafe: of these, flagged failsafe.
        damaged: of these, with a byte that the line marked.
        damaged_bytes: that form no frame.
        bytes_total: received.
        seconds: since the port was opened.
        away_s: in which there was no port.
        silent_s: at the end, in which nothing came though the port was there; 0 where it is nothing to speak of.
        is_cut_short: True where somebody ended it before its time.
    """

    frames: int = 0
    lost: int = 0
    failsafe: int = 0
    damaged: int = 0
    damaged_bytes: int = 0
    bytes_total: int = 0
    seconds: float = 0.0
    away_s: float = 0.0
    silent_s: float = 0.0
    is_cut_short: bool = False

    def add(self, came: Reception) -> None:
        """Count what came; the flags of a frame with a byte that the line marked count for nothing."""
        self.bytes_total = came.log.end
        flags = came.found.frames.flags[~came.found.frames.suspect]
        self.frames += len(came.found.frames)
        self.damaged += len(came.found.frames) - flags.size
        self.lost += int((flags & FLAG_LOST > 0).sum())
        self.failsafe += int((flags & FLAG_FAILSAFE > 0).sum())
        self.damaged_bytes += came.found.rejects.of(Reason.DAMAGED).bytes_total

    def advice(self, port: str) -> str:
        """What to do where no frame came; nothing where one did."""
        if self.frames:
            return ""
        came = "bytes came, but no frame" if self.bytes_total else "not one byte came"
        return f"{came}: try `busbench probe {shlex.quote(port)}`"

    def __str__(self) -> str:
        minutes, seconds = divmod(self.seconds, 60)
        hours, minutes = divmod(int(minutes), 60)
        failsafe = f" {self.failsafe:,} failsafe," if self.failsafe else ""
        damaged = f"{self.damaged:,} damaged, " if self.damaged else ""
        damaged += pluralize(self.damaged_bytes, "damaged byte")
        return (
            f"{pluralize(self.frames, 'frame')}, {self.lost:,} flagged lost,{failsafe} {damaged},"
            f" {self.bytes_total / 1000:,.1f} kB, {hours}:{minutes:02d}:{int(seconds):02d}"
            + (f"; the port was away for {self.away_s:.1f} s" if self.away_s else "")
            + (f"; nothing came in the last {self.silent_s:.1f} s" if self.silent_s else "")
        )


@click.command("record", cls=OutputCommand)
@click.argument("port", metavar="PORT")
@click.option("-o", "--output", type=OUTPUT, required=True, metavar="FILE.pcapng", help="The recording to make.")
@click.option(
    "--seconds",
    metavar="SECONDS",
    type=FiniteRange(0, min_open=True),
    help="Stop after so long [default: at Ctrl-C].",
)
@force_option
@fault_option("virtual:RIG only", example="sent-short:rudder")
@line_options
def command(
    port: str,
    output: str,
    seconds: float | None,
    force: bool,
    faults: tuple[str, ...],
    baud: int,
    parity: str,
    stop_bits: str,
) -> None:
    """Record what PORT receives, as pcapng.

    Whole blocks reach the disk at least once a second, so a recording whose
    program or machine died opens up to there. An adapter that is unplugged is
    waited for; the gap is noted in the recording.

    Ctrl-C ends it: exit code 0, or 130 where --seconds were not over.

    PORT virtual:RIG is a virtual aircraft; its pilot flies the round that `verify`
    checks, with its words as marks, and ends it.

    \b
    busbench record /dev/ttyUSB0 -o heron.pcapng
    busbench record 'virtual:?slots=on' -o try.pcapng --seconds 2
    """
    if not output.lower().endswith(".pcapng"):
        raise OutputError(output, "recordings are pcapng", hint="end the name in .pcapng, and convert it afterwards")
    require_output(output, force=force)
    from busbench.sim.aircraft_faults import parse_fault

    wrong = [parse_fault(text) for text in faults]
    line = line_of(baud, parity, stop_bits)
    with stop_signals() as stop:
        done = record(port, output, seconds=seconds, force=force, line=line, stop=stop, faults=wrong)
    wrote(output, str(done), then=done.advice(port))
    click.get_current_context().exit(INTERRUPTED if done.is_cut_short and seconds is not None else 0)


def record(
    port: str,
    output: str,
    *,
    seconds: float | None,
    force: bool,
    line: LineSettings,
    stop: threading.Event,
    faults: Sequence[AircraftFault] = (),
) -> RecordResult:
    """Record until the time is over, the source has ended, or somebody stops it.

    Args:
        seconds: how long, or None.

    Raises:
        PortError: the port cannot be opened; no file is made then.
        OutputError: the file exists, the disk is full, or another program moved, deleted or cut the file.
    """
    from busbench.bench.receiver import Receiver
    from busbench.bench.sources import open_source

    done = RecordResult()
    with open_source(port, line=line, faults=faults, flies_alone=True) as live:
        receiver = Receiver(live, record=output, force=force)
        progress = ProgressLine()
        begun = time.monotonic()
        with receiver:
            while not stop.is_set() and not live.has_ended:
                left_s = LOOK_S if seconds is None else min(LOOK_S, begun + seconds - time.monotonic())
                if left_s <= 0:
                    break
                came = receiver.pump(left_s)
                for event in came.events:
                    progress.clear()
                    say(f"busbench: {display_name(port)}: {event.text}")
                done.add(came)
                done.seconds = max(time.monotonic() - begun, receiver.heard_s)  # a virtual receiver may be faster
                progress.show(done)
            progress.clear()
            done.silent_s = receiver.silent_ns(receiver.now()) / 1e9
            done.add(receiver.finish())
        done.away_s = receiver.away_ns / 1e9
        done.is_cut_short = stop.is_set()
    return done
