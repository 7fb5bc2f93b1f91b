"""`busbench record`: a port into a file that survives whatever happens."""

from __future__ import annotations

import shlex
import threading
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import click

from busbench.cli.live import line_of, line_options, listen, stop_signals
from busbench.cli.output import INTERRUPTED, force_option, say, wrote
from busbench.cli.progress import ProgressLine
from busbench.cli.source import fault_option
from busbench.errors import CaptureError, display_name, pluralize, unwritable
from busbench.model import LineSettings, Reason
from busbench.wire.frame_spec import FLAG_FAILSAFE, FLAG_LOST

if TYPE_CHECKING:
    from busbench.sim.aircraft_faults import AircraftFault
    from busbench.wire.table import AlignmentResult

SILENT_NS = 500_000_000


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

    def add(self, found: AlignmentResult) -> None:
        """Count frames as they come; of one with a byte that the line marked the flags count for nothing."""
        flags = found.frames.flags[~found.frames.suspect]
        self.frames += len(found.frames)
        self.damaged += len(found.frames) - flags.size
        self.lost += int((flags & FLAG_LOST > 0).sum())
        self.failsafe += int((flags & FLAG_FAILSAFE > 0).sum())
        self.damaged_bytes += found.rejects.of(Reason.DAMAGED).bytes_total

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


@click.command("record")
@click.argument("port", metavar="PORT")
@click.option("-o", "--output", required=True, metavar="FILE.pcapng", help="The recording to make.")
@click.option(
    "--seconds",
    metavar="SECONDS",
    type=click.FloatRange(0, min_open=True),
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
        raise CaptureError(output, "recordings are pcapng", hint="end the name in .pcapng, and convert it afterwards")
    if Path(output).is_dir() or (not force and Path(output).exists()):
        what, hint = unwritable(output)
        raise CaptureError(output, what, hint=hint)
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
        port: name or address.
        output: path of the recording.
        seconds: how long, or None.
        force: True writes over a file that exists.
        line: how to set the line.
        stop: set to stop.
        faults: of a virtual aircraft.

    Raises:
        PortError: the port cannot be opened; no file is made then.
        CaptureError: the file exists, or the disk is full; what was written is whole.
    """
    from busbench.bench.sources import open_source
    from busbench.capture.pcapng_write import PcapngWriter
    from busbench.port.port import EventKind
    from busbench.wire.framing import FrameFinder

    done = RecordResult()
    with (
        open_source(port, line=line, faults=faults, flies_alone=True) as live,
        PcapngWriter(
            output, port=port, line=line, clock=live.clock, start_utc_ns=live.start_utc_ns, force=force
        ) as writer,
    ):
        finder = FrameFinder(clock=live.clock, line=line)
        progress = ProgressLine()
        begun, heard_ns, gone_ns = time.monotonic(), 0, 0
        first_ns: int | None = None
        for log in listen(live, stop=stop, seconds=seconds):
            if log.mark_t_ns.size:
                first_ns = int(log.mark_t_ns[0]) if first_ns is None else first_ns
                heard_ns = int(log.mark_t_ns[-1])
            writer.write_log(log)
            for event in live.events():
                if event.kind is EventKind.OPENED:
                    continue
                if event.kind is EventKind.UNPLUGGED:
                    gone_ns = event.t_ns
                elif event.kind is EventKind.RECONNECTED and gone_ns:
                    done.away_s += (event.t_ns - gone_ns) / 1e9
                    gone_ns = 0
                writer.mark(event.t_ns, event.text)
                progress.clear()
                say(f"busbench: {display_name(port)}: {event.text}")
            writer.tick()
            found = finder.feed(log)
            done.bytes_total = log.end
            done.add(found)
            # A virtual receiver may run faster than the time.
            heard_s = 0.0 if first_ns is None else (heard_ns - first_ns) / 1e9
            done.seconds = max(time.monotonic() - begun, heard_s)
            progress.show(done)
        progress.clear()
        now_ns = time.perf_counter_ns()
        is_silent = heard_ns > 0 and now_ns - heard_ns > SILENT_NS and not live.has_ended
        if gone_ns or is_silent:
            writer.mark(now_ns, "recording ended")  # else nothing in the file tells that it listened so long
        if gone_ns:
            done.away_s += (now_ns - gone_ns) / 1e9
        elif is_silent:
            done.silent_s = (now_ns - heard_ns) / 1e9
        done.add(finder.flush())
        done.is_cut_short = stop.is_set()
    return done
