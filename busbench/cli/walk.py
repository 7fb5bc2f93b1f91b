"""`busbench walk`: one surface after another moves, and you answer what it did."""

from __future__ import annotations

import time
from collections.abc import Iterator, Sequence
from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING

import click

from busbench.cli.live import arm_option
from busbench.cli.numbers import FiniteRange
from busbench.cli.output import INTERRUPTED, ends_in, prose, say, table_lines, wrote
from busbench.cli.outputs import OUTPUT, ListedCommand
from busbench.cli.source import fault_option
from busbench.errors import DriveError, PortError, sanitize

if TYPE_CHECKING:
    from busbench.bench.drive_run import SendingRun
    from busbench.bench.receiver import Receiver
    from busbench.bench.surface_plan import WalkPlan
    from busbench.bench.surface_session import SurfaceSession
    from busbench.cli.keys import ReadKey
    from busbench.drive.surface_check import Entry, Event, Walk
    from busbench.sim.aircraft_faults import AircraftFault
    from busbench.sim.surface_rehearsal import Rehearsal

_RESUME = "see to the port, then go on with --resume: the positions of the surfaces are not known"
NAME_MOST = 16  # max width of a device name, so that the table fits 80 columns


def _faults() -> str:
    from busbench.sim.aircraft_faults import motion_faults

    return motion_faults()


@click.command("walk", cls=ListedCommand, listed=_faults)
@click.argument("port", metavar="PORT")
@click.option("--rig", metavar="RIG.toml", help="Use this rig file: devices, channels, motors.")
@click.option("--answers", type=OUTPUT, metavar="FILE.json", callback=ends_in(".json", "JSON"),
              help="Keep answers in this file [default: RIG with .walk.json; none in a rehearsal].")  # fmt: skip
@click.option("--resume", "is_resumed", is_flag=True, help="Continue with the answers of the file.")
@arm_option
@fault_option("virtual: only", example="reversed:rudder")
@click.option("--rate", "rate_pct_per_s", metavar="PERCENT", type=FiniteRange(5, 1000), default=100.0,
              show_default=True, help="Limit the speed per second; motions use half of it.")  # fmt: skip
def command(
    port: str,
    rig: str | None,
    answers: str | None,
    is_resumed: bool,
    is_armed: bool,
    faults: tuple[str, ...],
    rate_pct_per_s: float,
) -> None:
    """Walk round the aircraft: each device moves alone, and you answer what it did.

    A device moves out and back both ways, then to its travel limits, at half the
    speed limit. All other channels are held, and motors stay locked. Any key stops
    the motion. Every answer is saved at once; --resume continues there. Answers
    are single keys. A rehearsal without a terminal reads the first letter of each
    line; an empty line is Enter.

    PORT virtual: rehearses on the plan itself, virtual:RIG on another plan. A real
    port needs --arm. Faults for a rehearsal: LISTED.

    Exit code 1 if an answer was no, or something was skipped or not answered.

    \b
    busbench walk virtual: --rig captures/heron.toml --fault reversed:rudder
    busbench walk /dev/ttyUSB0 --rig captures/heron.toml --arm
    """
    from busbench.bench.rehearsal import found_by_walk, rehearsal_lines
    from busbench.bench.sources import is_virtual, require_port, rig_in
    from busbench.bench.surface_plan import begin_walk, plan_walk
    from busbench.bench.surface_session import SurfaceSession
    from busbench.cli.drive_port import unless_lost
    from busbench.cli.keys import has_keyboard, read_answers
    from busbench.rig.load import read_rig
    from busbench.sim.aircraft_faults import parse_fault
    from busbench.verify.stations import direction_words

    name, _, settings = port.partition("?")
    is_rehearsal = is_virtual(port)
    if is_rehearsal and settings:
        raise DriveError(port + ": a walk takes no settings", hint=f"give {name}")
    path = rig or rig_in(port)
    if not path:
        raise DriveError("--rig: missing", hint="name the rig file; `busbench rig new` writes one to start from")
    aircraft, built_in = read_rig(path), [parse_fault(text) for text in faults]
    if built_in and not is_rehearsal:
        raise DriveError("--fault: works with virtual: only", hint="leave it out")
    if not is_rehearsal:
        require_port(port, then="a walk needs a port or virtual:")
    plan = plan_walk(aircraft, rig_path=path, port=port, rate_pct_per_s=rate_pct_per_s)
    if not is_rehearsal:
        from busbench.bench.safety import CAUTIONS, require_arming, require_motor

        for line in (*plan.motion_lines(), "", *CAUTIONS, *plan.sources.cautions, ""):
            say(line)
        require_motor(port, names_motor=plan.sources.names_motor, unsaid=plan.sources.unstated, has_options=False)
        require_arming(port, is_armed=is_armed, can_stop=has_keyboard())
    kept_in = _answers_path(answers, path, is_rehearsal=is_rehearsal, is_resumed=is_resumed)
    start = begin_walk(plan, path=kept_in, is_resumed=is_resumed)
    for name in start.renewed:
        say(f"{name}: the plan has changed since, so it is walked again")
    session: SurfaceSession | None = None
    with unless_lost(lambda: session is not None and bool(session.lost)), ExitStack() as stack:
        receiver = None if is_rehearsal else _open_port(port, stack)
        watched = _rehearse(plan, built_in) if receiver is None else receiver
        read_key = stack.enter_context(read_answers())
        session = SurfaceSession(watched, start, is_fast=True)
        kept = f"answers go to {kept_in}" if kept_in else "a rehearsal, whose answers are not kept"
        say(f"{aircraft.plan.name}: {len(plan.stops)} to walk, {kept}")
        say(direction_words(aircraft))
        is_interrupted = WalkTexts(session, receiver, read_key=read_key).go()
    if session.lost:
        raise PortError(port, session.lost, hint=_RESUME)
    if session.save_error is not None:
        raise session.save_error
    for line in summary_lines(session.walk.entries, plan.head.not_walked):
        prose(sanitize(line), indent=2)
    for words in rehearsal_lines(built_in, found_by_walk(built_in, session.walk.entries)):
        say(words)
    is_good = session.walk.is_good
    if kept_in is not None and not is_resumed and not any(entry.is_begun for entry in session.walk.entries):
        kept_in.unlink(missing_ok=True)
        say("nothing was answered, so no answers are kept")
    elif kept_in is not None:
        wrote(kept_in, "answers", then="" if is_good else "go on later with --resume")
    click.get_current_context().exit(INTERRUPTED if is_interrupted else 0 if is_good else 1)


def _answers_path(answers: str | None, rig: str, *, is_rehearsal: bool, is_resumed: bool) -> Path | None:
    if answers is not None:
        return Path(answers)
    if is_rehearsal:
        if is_resumed:
            raise DriveError("--resume: needs --answers in a rehearsal", hint="name the file to go on with")
        return None
    from busbench.bench.surface_plan import answers_path

    return answers_path(rig)


def _rehearse(plan: WalkPlan, faults: Sequence[AircraftFault]) -> Rehearsal:
    from busbench.sim.aircraft_faults import FAULTS

    for fault in faults:
        if not fault.shows_in_motion:
            say(f"{fault} is not seen on a walk; {FAULTS[fault.kind].shows}")
    return plan.rehearsal(faults)


def _open_port(port: str, stack: ExitStack) -> Receiver:
    from busbench.bench.receiver import Receiver
    from busbench.bench.sources import open_live
    from busbench.cli.drive_port import look

    receiver = Receiver(stack.enter_context(open_live(port, is_sender=True)))
    look(receiver)
    return receiver


class WalkTexts:
    """A walk as lines of text: questions and results; keys are passed to it. A rehearsal has no receiver."""

    def __init__(self, session: SurfaceSession, receiver: Receiver | None, *, read_key: ReadKey) -> None:
        from busbench.cli.drive_port import RunLines

        self._session, self._receiver, self._read_key = session, receiver, read_key
        self._run_lines = RunLines(session.plan.head.period_s)
        self._told: SendingRun | None = None  # the run whose end was reported
        self._prompt = ""

    def go(self) -> bool:
        """Run the walk to its end; True if it was interrupted."""
        from busbench.bench.surface_session import WalkState
        from busbench.cli.choices import walk_prompt

        session = self._session
        while session.state is not WalkState.OVER:
            try:
                if (prompt := walk_prompt(session.walk)) != self._prompt:
                    say(prompt)
                    self._prompt = prompt
                if session.state is WalkState.WORD:
                    self._hear()
                else:
                    self._stop_at_a_key()
            except KeyboardInterrupt:
                if not session.is_moving:
                    return True
                session.stop()
        return False

    def _hear(self) -> None:
        """Wait a moment for a valid key, and for the text of a note."""
        from busbench.cli.choices import read_line, word_of
        from busbench.cli.drive_port import LOOK_S
        from busbench.drive.surface_check import Word, Wrote

        session = self._session
        event: Event | None = word_of(self._read(LOOK_S), session.walk.keys)
        if event is Word.NOTE:
            event, self._prompt = Wrote(read_line("note: ", self._read)), ""
        if event is not None:
            if told := taken_text(session.walk, event):
                say(f"  {told}")
            session.hear(event)

    def _stop_at_a_key(self) -> None:
        from busbench.bench.surface_session import WalkState
        from busbench.cli.choices import word_of
        from busbench.cli.drive_port import LOOK_S
        from busbench.cli.keys import GONE

        session, run = self._session, self._session.run
        if run is not None and not run.is_over:
            self._run_lines.show(run)
        # A rehearsal continues at full speed.
        text = self._read(0 if session.rehearsal is not None and session.state is WalkState.MOVING else LOOK_S)
        if text and (session.is_moving or not text.startswith(GONE)):  # a lost keyboard is quiet
            session.stop(word_of(text, session.walk.keys))
        if run is not None and run.is_over and run is not self._told:
            self._run_lines.clear()
            self._told = run
            if session.rehearsal is None:
                say(run.result_text)
            for line in () if session.rehearsal is None else session.rehearsal.seen():
                say(f"  {line}")

    def _read(self, seconds: float) -> str:
        """Read the keyboard while the port is read and the walk continues. GONE if that ended it."""
        from busbench.bench.surface_session import WalkState
        from busbench.cli.drive_port import LOOK_S
        from busbench.cli.keys import GONE

        until = time.monotonic() + seconds
        while True:
            self._look()
            if self._session.state is WalkState.OVER:
                return GONE
            left_s = until - time.monotonic()
            if (text := self._read_key(max(0.0, min(left_s, LOOK_S)))) or left_s <= 0:
                return text

    def _look(self) -> None:
        from busbench.bench.receiver import EventKind

        try:
            if self._receiver is not None:
                for event in self._receiver.pump(0).events:
                    if event.kind is EventKind.WARNING:
                        say(f"{self._session.plan.head.port}: {event.text}")
                self._receiver.port.sent()  # not valid here
        except PortError as error:
            self._session.lose(error.problem)
        self._session.tick()


def taken_text(state: Walk, event: Event) -> str:
    """What a key did, if the next lines do not show it."""
    from busbench.drive.surface_check import QUESTIONS, SurfacePhase, Word

    if state.phase is SurfacePhase.ASKING and event in (Word.YES, Word.NO):
        return f"{QUESTIONS[state.asked].replace('_', ' ')}: {event}"
    return f"{state.stop.name}: skipped" if event is Word.SKIP and not state.entry.is_done else ""


def summary_lines(entries: Sequence[Entry], not_walked: Sequence[tuple[str, str]]) -> Iterator[str]:
    """Devices walked, answers, and devices not walked."""
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
