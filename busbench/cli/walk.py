"""`busbench walk`: one surface after another moves, and the builder says what it did."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import click

from busbench.cli.live import arm_option
from busbench.cli.numbers import FiniteRange
from busbench.cli.output import INTERRUPTED, ends_in, prose, say, table_lines, wrote
from busbench.cli.outputs import OUTPUT, OutputCommand
from busbench.cli.source import fault_option
from busbench.errors import DriveError, sanitize

if TYPE_CHECKING:
    from busbench.cli.keys import ReadKey
    from busbench.cli.walk_bench import Bench
    from busbench.drive.locked_program import LockedProgram
    from busbench.drive.surface_check import Entry, Event, Station, Walk
    from busbench.rig.model import Rig

VIRTUAL = "virtual:"
NAME_MOST = 16  # of a device in the table, which fits 80 columns then


@dataclass(frozen=True, slots=True)
class WalkOptions:
    """What the command line asks for."""

    port: str
    rig: str
    answers: str | None
    is_resumed: bool
    is_armed: bool
    faults: tuple[str, ...]
    rate_pct_per_s: float

    @property
    def is_rehearsal(self) -> bool:
        """True where no aircraft moves."""
        return self.port.startswith(VIRTUAL)


@click.command("walk", cls=OutputCommand)
@click.argument("port", metavar="PORT")
@click.option("--rig", metavar="RIG.toml", help="Rig file: what hangs on which channel, and what drives a motor.")
@click.option("--answers", type=OUTPUT, metavar="FILE.json", callback=ends_in(".json", "JSON"),
              help="Where answers are kept [default: RIG's name with .walk.json; none in a rehearsal].")  # fmt: skip
@click.option("--resume", "is_resumed", is_flag=True, help="Go on with the answers that are there.")
@arm_option
@fault_option("virtual: only", example="reversed:rudder")
@click.option("--rate", "rate_pct_per_s", metavar="PERCENT", type=FiniteRange(5, 1000), default=100.0,
              show_default=True, help="Limit of speed, a second; motions take half of it.")  # fmt: skip
def command(
    port: str,
    rig: str | None,
    answers: str | None,
    is_resumed: bool,
    is_armed: bool,
    faults: tuple[str, ...],
    rate_pct_per_s: float,
) -> None:
    """Walk round the aircraft: each device moves by itself, and you say what it did.

    A device goes out and back both ways and then to its ends, at half the limit of
    speed. All other channels are held, and those of motors stay locked. Any key
    stops it. Every answer is saved at once; --resume goes on where it was left.
    Answers are single keys; a rehearsal without a terminal takes the first letter
    of each line, an empty line for Enter.

    PORT virtual: rehearses on the plan itself, virtual:RIG on another plan. To a
    real port nothing is sent without --arm. Faults to find in a rehearsal: reversed,
    dead, slow, stalled, wrong-channel, brown-out.

    Exit code 1 where an answer was no, or something was skipped or not answered.

    \b
    busbench walk virtual: --rig captures/heron.toml --fault reversed:rudder
    busbench walk /dev/ttyUSB0 --rig captures/heron.toml --arm
    """
    name, _, settings = port.partition("?")
    if port.startswith(VIRTUAL) and settings:
        raise DriveError(port + ": a walk takes no settings", hint=f"give {name}")
    plan = rig or (port.removeprefix(VIRTUAL) if port.startswith(VIRTUAL) else "")
    if not plan:
        raise DriveError("--rig: missing", hint="name the rig file; `busbench rig new` writes one to start from")
    orders = WalkOptions(port, plan, answers, is_resumed, is_armed, faults, rate_pct_per_s)
    click.get_current_context().exit(walk(orders))


def walk(orders: WalkOptions) -> int:
    """Do it; returns the exit code.

    Raises:
        DriveError: something is missing or may not be; nothing was sent.
        PortError: the port cannot be used, or was lost on the way; the answers are saved.
    """
    from busbench.bench.surface_session import begin_walk, hold_of, motion_lines, plan_walk, program_of, save_walk
    from busbench.cli.keys import has_keyboard, read_answers
    from busbench.rig.load import read_rig
    from busbench.verify.stations import direction_words

    rig = read_rig(orders.rig)
    if orders.faults and not orders.is_rehearsal:
        raise DriveError("--fault: goes with virtual: only", hint="leave it out")
    if not orders.is_rehearsal:
        from busbench.port.open_serial import require_port

        require_port(orders.port, then="a walk needs a port or virtual:")
    other = orders.port.removeprefix(VIRTUAL) if orders.is_rehearsal else ""
    aircraft = (other, read_rig(other)) if other and other != orders.rig else None
    head, stops, sources = plan_walk(
        rig,
        rig_path=orders.rig,
        port=orders.port,
        is_rehearsal=orders.is_rehearsal,
        rate_pct_per_s=orders.rate_pct_per_s,
        aircraft=aircraft,
    )
    if not orders.is_rehearsal:
        from busbench.bench.safety import CAUTIONS, require_arming, require_motor

        for line in (*motion_lines(head, stops), "", *CAUTIONS, *sources.cautions, ""):
            say(line, indent=2 if line.startswith("  - ") else 0)
        require_motor(orders.port, names_motor=sources.names_motor, unsaid=sources.unstated, has_options=False)
        require_arming(orders.port, is_armed=orders.is_armed, can_stop=has_keyboard())
    path = _answers_path(orders)
    head, state, anew = begin_walk(head, stops, path=path, is_resumed=orders.is_resumed)
    for name in anew:
        say(f"{name}: the plan has changed since, so it is walked anew")
    with ExitStack() as stack:
        bench = _open_bench(orders, rig, aircraft, hold_of(head, sources), stack)
        read_key = stack.enter_context(read_answers())
        save_walk(path, head, state)  # before anything moves, a file that cannot be written is known
        kept = f"answers go to {path}" if path else "a rehearsal, whose answers are not kept"
        say(f"{rig.plan.name}: {len(stops)} to walk, {kept}")
        say(direction_words(rig))
        state, is_interrupted = go_round(
            state,
            bench=bench,
            read_key=read_key,
            program_of=lambda stop: program_of(stop, head, sources),
            save=lambda state: save_walk(path, head, state),
        )
    for line in summary_lines(state.entries, head.not_walked):
        prose(sanitize(line), indent=2)
    if path is not None:
        wrote(path, "answers", then="" if state.is_good else "go on later with --resume")
    return INTERRUPTED if is_interrupted else 0 if state.is_good else 1


def _answers_path(orders: WalkOptions) -> Path | None:
    if orders.answers is not None:
        return Path(orders.answers)
    if orders.is_rehearsal:
        if orders.is_resumed:
            raise DriveError("--resume: needs --answers in a rehearsal", hint="name the file to go on with")
        return None
    from busbench.bench.surface_session import answers_path

    return answers_path(orders.rig)


def _open_bench(
    orders: WalkOptions, rig: Rig, other: tuple[str, Rig] | None, hold: LockedProgram, stack: ExitStack
) -> Bench:
    from busbench.cli.walk_bench import PortBench, VirtualBench

    if orders.is_rehearsal:
        from busbench.sim.aircraft_faults import FAULTS, parse_fault
        from busbench.sim.devices import VirtualRig
        from busbench.sim.surface_rehearsal import Rehearsal

        faults = [parse_fault(text) for text in orders.faults]
        for fault in faults:
            if not fault.shows_in_motion:
                say(f"{fault} is not seen on a walk; {FAULTS[fault.kind].shows}")
        aircraft = VirtualRig(rig if other is None else other[1], faults=faults)
        return VirtualBench(Rehearsal(rig, aircraft, hold=hold))
    from busbench.bench.receiver import Receiver
    from busbench.bench.sources import open_live
    from busbench.cli.drive_port import look

    live = stack.enter_context(open_live(orders.port, is_sender=True))
    receiver = Receiver(live)
    look(receiver)
    return PortBench(receiver, hold=hold)


def go_round(
    state: Walk,
    *,
    bench: Bench,
    read_key: ReadKey,
    program_of: Callable[[Station], LockedProgram],
    save: Callable[[Walk], None],
) -> tuple[Walk, bool]:
    """Ask and move until the builder has enough.

    Args:
        state: where to begin.
        read_key: the keyboard.
        save: called after everything that is worth keeping.

    Returns:
        The walk at its end, and True where it was interrupted.

    Raises:
        PortError: the port was lost; all answers were saved.
    """
    from busbench.cli.choices import drain, hear, shown_walk, word_of
    from busbench.cli.walk_bench import patient
    from busbench.drive.surface_check import Ended, Moved, SurfacePhase

    waiting = patient(read_key, bench.tick)
    try:
        while not state.is_over:
            say(shown_walk(state))
            is_lost = False
            if state.phase is SurfacePhase.MOVING:
                move, pressed = bench.move(program_of(state.stop), read_key=read_key)
                for line in move.seen if move else ():
                    say(f"  {line}")
                is_lost = move is not None and move.ended is Ended.LOST
                after = state.after(Moved(move, word_of(pressed, state.keys)))
                if after.phase is SurfacePhase.STOPPED and not is_lost:
                    drain(waiting)
            else:
                event = hear(state, waiting)
                after = state.after(event)
                if told := _told(state, event):
                    say(f"  {told}")
            if after.entries != state.entries:
                save(after)
            state = after
            if is_lost:
                bench.tick()  # tells it
    except KeyboardInterrupt:
        return state, True
    return state, False


def _told(state: Walk, event: Event) -> str:
    """What was taken of a key that was hit, where it is not seen at once by what follows."""
    from busbench.drive.surface_check import QUESTIONS, SurfacePhase, Word

    if state.phase is SurfacePhase.ASKING and event in (Word.YES, Word.NO):
        return f"{QUESTIONS[state.asked].replace('_', ' ')}: {event}"
    return f"{state.stop.name}: skipped" if event is Word.SKIP and not state.entry.is_done else ""


def summary_lines(entries: Sequence[Entry], not_walked: Sequence[tuple[str, str]]) -> Iterator[str]:
    """What was walked, what was answered, and what was not walked."""
    from busbench.drive.surface_check import QUESTIONS, tally

    head = ("device", "channel", *(question.replace("_", " ") for question in QUESTIONS), "state")
    told = {True: "yes", False: "NO", None: "-"}
    rows = [
        (sanitize(entry.stop.name, most=NAME_MOST), str(entry.stop.channel + 1),
         *(told[answer] for answer in entry.answers), entry.state)
        for entry in entries
    ]  # fmt: skip
    title, *lines = table_lines(head, rows, left=len(head))
    yield title
    for line, entry in zip(lines, entries, strict=True):
        yield line
        if entry.note:
            yield f"  note: {entry.note}"
    for name, why in not_walked:
        yield f"not walked: {name}: {why}"
    yield tally(entries)
