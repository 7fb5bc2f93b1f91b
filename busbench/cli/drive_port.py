"""Run a drive program on a real port: cautions, arming, countdown; any key stops."""

from __future__ import annotations

import contextlib
import math
from collections.abc import Callable, Iterator

import click

from busbench.bench.drive_run import UNPLUGGED, Outcome, RunState, SendingRun
from busbench.bench.plan_limits import LimitSources
from busbench.bench.receiver import EventKind, Receiver
from busbench.bench.safety import COUNTDOWN_S, UNPLUG_SENDER, caution_lines, require_arming, require_motor
from busbench.bench.sources import open_live, require_port
from busbench.cli.keys import AnyKey, has_keyboard, listen_for_keys
from busbench.cli.output import INTERRUPTED, prose, say
from busbench.cli.progress import ProgressLine
from busbench.drive.frame_generator import EndState
from busbench.drive.frame_source import DriveSource
from busbench.drive.locked_program import LockedProgram
from busbench.errors import PortError

START_AGAIN = "see to the port, then start again"
LOOK_S = 0.05  # poll interval of keys and port: a key takes effect within this plus one frame


def run_on_port(port: str, program: LockedProgram, *, end: EndState, is_armed: bool, sources: LimitSources) -> int:
    """Send a program to a port, if all conditions are met.

    Args:
        end: what to do at its end, and when stopped.
        is_armed: True if the user asked for movement.
        sources: the sources of its limits; one must state which channel drives a motor, or that none does.

    Returns:
        The exit code: 0 when it ran, 130 when a key ended it.

    Raises:
        DriveError: a condition is not met; nothing was sent.
        PortError: another sender is on the line, or the port cannot be used, or was lost on the way.
    """
    require_port(port, then="name a port, virtual:, or a file that is not there yet")
    for line in caution_lines(program, end=end):
        say(line)
    require_motor(port, names_motor=sources.names_motor, unsaid=sources.unstated)
    require_arming(port, is_armed=is_armed, can_stop=has_keyboard())
    run: SendingRun | None = None
    with (
        unless_lost(lambda: run is not None and run.outcome is Outcome.LOST),
        open_live(port, is_sender=True) as live,
        listen_for_keys() as any_key,
    ):
        receiver = Receiver(live)
        look(receiver)
        run = SendingRun(receiver, DriveSource(program, end=end), countdown_s=COUNTDOWN_S)
        again = "; in the hold at the end a second key" if end is EndState.HOLD else ""
        follow(
            run,
            receiver,
            any_key=any_key,
            period_s=program.program.period_s,
            when_sending=lambda: say(f"driving {program.program.duration_s:.1f} s; any key stops{again}"),
        )
    if run.outcome is Outcome.CANCELLED:
        click.echo(run.result_text, err=True)
        return INTERRUPTED
    if run.outcome is Outcome.REFUSED:
        raise PortError(port, run.reason, hint=UNPLUG_SENDER)
    if run.has_sent:
        prose(run.result_text)
    if run.outcome is Outcome.LOST:
        unknown = ": the positions of the surfaces are not known" if run.has_sent else ""
        raise PortError(port, run.reason, hint=f"{START_AGAIN}{unknown}")
    return INTERRUPTED if run.outcome is Outcome.STOPPED else 0


@contextlib.contextmanager
def unless_lost(is_lost: Callable[[], bool]) -> Iterator[None]:
    """Ignore Ctrl-C while a port that was lost is closed: that it was lost is still to be reported."""
    try:
        yield
    except KeyboardInterrupt:
        if not is_lost():
            raise


def look(receiver: Receiver) -> None:
    """Read the port once, and report its events (raises PortError: it was unplugged, or is lost)."""
    for event in receiver.pump(0).events:
        if event.kind is EventKind.UNPLUGGED:
            raise PortError(receiver.port.source, UNPLUGGED, hint=START_AGAIN)
        if event.kind is EventKind.WARNING:
            say(f"{receiver.port.source}: {event.text}")


class RunLines:
    """The progress lines of a run: seconds of the countdown, then progress."""

    def __init__(self, period_s: float) -> None:
        self._period_s = period_s
        self._line, self._said = ProgressLine(), math.inf

    def show(self, run: SendingRun) -> None:
        """Print what is new."""
        if run.state is RunState.COUNTING and (seconds := math.ceil(run.left_s)) < self._said and seconds:
            click.echo(f"moving in {seconds} s; any key cancels", err=True)
            self._said = seconds
        if run.is_sending:
            self._line.show(run.how.progress_text(self._period_s))

    def clear(self) -> None:
        """Remove the progress line, before other lines."""
        self._line.clear()
        self._said = math.inf


def follow(
    run: SendingRun, receiver: Receiver, *, any_key: AnyKey, period_s: float, when_sending: Callable[[], None]
) -> None:
    """Follow a run: show countdown and progress, and stop it at any key.

    Args:
        run: the run, at the start of its countdown.
        any_key: the keyboard.
        when_sending: called as the first frame goes out.

    Raises:
        PortError: the port is lost.
    """
    lines = RunLines(period_s)
    try:
        while not run.is_over:
            try:
                was_sending = run.is_sending
                lines.show(run)
                if any_key(LOOK_S):
                    run.stop()
                # A lost keyboard does not wait.
                receiver.pump(LOOK_S if run.state is RunState.STOPPING else 0)
                run.tick()
                if run.is_sending and not was_sending:
                    when_sending()
            except KeyboardInterrupt:
                run.stop()
    finally:
        lines.clear()
