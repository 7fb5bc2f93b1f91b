"""`busbench record`: record ports into a file that stays readable after a crash."""

from __future__ import annotations

import contextlib
import shlex
import threading
import time
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import click

from busbench.cli.live import LOOK_S, give_back_what_is_freed, line_of, line_options, stop_signals
from busbench.cli.numbers import SECONDS_MAX, FiniteRange, WholeRange
from busbench.cli.output import INTERRUPTED, force_option, say, wrote
from busbench.cli.outputs import OUTPUT, OutputCommand
from busbench.cli.progress import ProgressLine
from busbench.cli.source import fault_option
from busbench.errors import BusbenchError, OutputError, display_name, pluralize
from busbench.line import LineSettings
from busbench.model import Reason
from busbench.output_file import require_output
from busbench.wire.frame_spec import FLAG_FAILSAFE, FLAG_LOST

if TYPE_CHECKING:
    from busbench.bench.receiver import Reception
    from busbench.bench.recorder import Retention
    from busbench.sim.aircraft_faults import AircraftFault


@dataclass(slots=True)
class RecordResult:
    """Totals of a recording."""

    frames: int = 0
    lost: int = 0  # of these, flagged lost
    failsafe: int = 0  # of these, flagged failsafe
    damaged: int = 0  # of these, with a byte that the line marked
    damaged_bytes: int = 0
    bytes_total: int = 0
    seconds: float = 0.0  # since the port was opened
    away_s: float = 0.0  # without a port
    # at the end, without bytes although the port was connected; 0 for short times
    silent_s: float = 0.0
    is_cut_short: bool = False  # True if ended before its time

    def add(self, came: Reception) -> None:
        """Count received frames; flags of frames with a marked byte do not count."""
        self.bytes_total = came.log.end
        flags = came.found.frames.flags[~came.found.frames.suspect]
        self.frames += len(came.found.frames)
        self.damaged += len(came.found.frames) - flags.size
        self.lost += int((flags & FLAG_LOST > 0).sum())
        self.failsafe += int((flags & FLAG_FAILSAFE > 0).sum())
        self.damaged_bytes += came.found.rejects.of(Reason.DAMAGED).bytes_total

    def advice(self, port: str) -> str:
        """What to do if no frame arrived; else ""."""
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
@click.argument("ports", metavar="PORT…", nargs=-1, required=True)
@click.option("-o", "--output", type=OUTPUT, required=True, metavar="FILE.pcapng", help="Write to this file.")
@click.option(
    "--seconds",
    metavar="SECONDS",
    type=FiniteRange(0, min_open=True),
    help="Stop after this time [default: at Ctrl-C].",
)
@click.option(
    "--unit", "units", multiple=True, metavar="TEXT", help="Name receiver or aircraft: one for all, or per PORT."
)
@click.option("--note", default="", metavar="TEXT", help="Keep this note in the recording.")
@click.option(
    "--around",
    metavar="SECONDS",
    type=FiniteRange(0, SECONDS_MAX, min_open=True),
    help="Keep only outages, with this time before and after.",
)
@click.option("--every", metavar="SECONDS", type=FiniteRange(1, SECONDS_MAX),
              help="Begin a new numbered file after this time.")  # fmt: skip
@click.option("--files", metavar="N", type=WholeRange(1), help="Keep only the newest N files of --every.")
@force_option
@fault_option("virtual:RIG only", example="sent-short:rudder")
@line_options
def command(
    ports: tuple[str, ...],
    output: str,
    seconds: float | None,
    units: tuple[str, ...],
    note: str,
    around: float | None,
    every: float | None,
    files: int | None,
    force: bool,
    faults: tuple[str, ...],
    baud: int,
    parity: str,
    stop_bits: str,
) -> None:
    """Record what PORT receives, as pcapng; several at once on one clock.

    Complete blocks are written to disk at least once per second, so a recording
    can be read even if program or computer stop. If the adapter is unplugged,
    busbench waits for it and notes the gap in the recording.

    Each of several ports becomes an interface, numbered from 0; commands that
    read the file select one with --interface. The serial number of the adapter,
    --unit and --note are kept in the file and shown with every result.

    For days: a name in .pcapng.gz or .pcapng.zst compresses, --around leaves out
    what was on time and keeps totals per minute, and --every begins numbered
    files: FILE-00001.pcapng, FILE-00002.pcapng …

    Ctrl-C ends the recording: exit code 0, or 130 before --seconds are over.

    PORT virtual:RIG is a virtual aircraft whose pilot performs the test sequence
    of `verify`, annotated, and ends the recording.

    \b
    busbench record /dev/ttyUSB0 -o heron.pcapng
    busbench record /dev/ttyUSB0 /dev/ttyUSB1 -o pair.pcapng --unit left --unit right
    busbench record /dev/ttyUSB0 -o soak.pcapng.zst --around 10 --every 86400 --files 7
    busbench record 'virtual:?slots=on' -o try.pcapng --seconds 2
    """
    from busbench.bench.recorder import Retention, suffix_of

    if not suffix_of(output):
        hint = "end the name in .pcapng, .pcapng.gz or .pcapng.zst, and convert it afterwards"
        raise OutputError(output, "recordings are pcapng", hint=hint)
    if files is not None and every is None:
        raise BusbenchError("--files: needs --every", hint="say after how many seconds a new file begins")
    from busbench.bench.sources import is_virtual
    from busbench.sim.aircraft_faults import parse_fault

    if every is None:
        require_output(output, force=force)
    for port in ports:
        if ports.count(port) > 1 and not is_virtual(port):
            raise BusbenchError(f"{display_name(port)}: is given twice", hint="name each port once")
    wrong = [parse_fault(text) for text in faults]
    line = line_of(baud, parity, stop_bits)
    retention = Retention(around, every, files)
    give_back_what_is_freed()
    with stop_signals() as stop:
        done = record(ports, output, seconds=seconds, force=force, line=line, stop=stop, faults=wrong, units=units,
                      note=note, retention=retention)  # fmt: skip
    if len(done) > 1:
        for port, one in zip(ports, done, strict=True):
            say(f"busbench: {display_name(port)}: {one}{'; ' * bool(one.advice(port))}{one.advice(port)}")
        wrote(output, pluralize(len(ports), "port"))
    else:
        wrote(output, str(done[0]), then=done[0].advice(ports[0]))
    click.get_current_context().exit(INTERRUPTED if done[0].is_cut_short and seconds is not None else 0)


def record(
    ports: Sequence[str],
    output: str,
    *,
    seconds: float | None,
    force: bool,
    line: LineSettings,
    stop: threading.Event,
    faults: Sequence[AircraftFault] = (),
    units: Sequence[str] = (),
    note: str = "",
    retention: Retention | None = None,
) -> list[RecordResult]:
    """Record until the time is over, all sources have ended, or the user stops it.

    Args:
        seconds: duration, or None.

    Returns:
        The totals of each port.

    Raises:
        PortError: a port cannot be opened (then no file is made), or the last one is lost.
        OutputError: the file exists, the disk is full, or another program moved, deleted or cut the file.
    """
    from busbench.bench.rack import Rack
    from busbench.bench.recorder import KEEP_ALL
    from busbench.bench.sources import open_source

    done = [RecordResult() for _ in ports]
    with contextlib.ExitStack() as opened:
        live = [opened.enter_context(open_source(port, line=line, faults=faults, flies_alone=True)) for port in ports]
        rack = Rack(live, record=output, force=force, units=units, note=note, retention=retention or KEEP_ALL)
        progress, begun, known_lost = ProgressLine(), time.monotonic(), 0
        with rack:
            while not stop.is_set() and not rack.has_ended:
                left_s = LOOK_S if seconds is None else min(LOOK_S, begun + seconds - time.monotonic())
                if left_s <= 0:
                    break
                for number, came in rack.pump(left_s):
                    for event in came.events:
                        progress.clear()
                        say(f"busbench: {display_name(ports[number])}: {event.text}")
                    done[number].add(came)
                    # a virtual receiver may be faster
                    done[number].seconds = max(time.monotonic() - begun, rack.receivers[number].heard_s)
                for error in list(rack.lost.values())[known_lost:]:
                    progress.clear()
                    say(f"busbench: {error}")
                known_lost = len(rack.lost)
                progress.show(_Together(done))
            progress.clear()
            for one, receiver in zip(done, rack.receivers, strict=True):
                one.silent_s = receiver.silent_ns(receiver.now()) / 1e9
            for number, came in rack.finish():
                done[number].add(came)
        for one, receiver in zip(done, rack.receivers, strict=True):
            one.away_s, one.is_cut_short = receiver.away_ns / 1e9, stop.is_set()
    return done


class _Together:
    """Progress of all ports in one line."""

    def __init__(self, done: Sequence[RecordResult]) -> None:
        self._done = done

    def __str__(self) -> str:
        whole = RecordResult()
        for one in self._done:
            for name in ("frames", "lost", "failsafe", "damaged", "damaged_bytes", "bytes_total"):
                setattr(whole, name, getattr(whole, name) + getattr(one, name))
            whole.seconds = max(whole.seconds, one.seconds)
        return str(whole)
