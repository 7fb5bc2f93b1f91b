"""A drive program on a real port: cautions, arming, countdown, and any key stops."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import click

from busbench.cli.keys import AnyKey, has_keyboard, listen_for_keys
from busbench.drive.frames import EndState
from busbench.drive.preview import list_lines, scale_line
from busbench.drive.program import Program
from busbench.drive.source import DriveSource
from busbench.drive.survey import survey
from busbench.errors import DriveError

COUNTDOWN_S = 3
INTERRUPTED = 130
CAUTIONS = (
    "Before anything moves:",
    "  - propeller off, or the motor's lead open",
    "  - model held down, so that it cannot roll, tip or pull itself off the bench",
    "  - hands, hair and tools clear of surfaces, linkages, retracts and doors",
    "  - nobody in front of the propeller or in its plane, should it turn after all",
    "  - where the surfaces stand now is not known: the first frame may make them jump to their idle values",
    "  - your local rules and your club's safety officer come first; large models are for qualified people",
)
FAULT_CAUTION = "  - this program sends faults: devices may go to their failsafe values, and a speed controller may too"


@dataclass(frozen=True, slots=True)
class Sent:
    """How a run on a port went.

    Args:
        frames: sent.
        late: of these, sent later than they should.
        skipped: slots in which it was too late to send.
        worst_late_s: the latest one.
        is_stopped: True where somebody stopped it.
    """

    frames: int
    late: int
    skipped: int
    worst_late_s: float
    is_stopped: bool


Transmit = Callable[[str, DriveSource, AnyKey], Sent]


def run_on_port(
    port: str,
    program: Program,
    *,
    end: EndState,
    is_armed: bool,
    names_motor: bool,
    transmit: Transmit | None = None,
) -> int:
    """Send a program to a port, if all that has to be said was said.

    Args:
        port: name or address.
        program: what to send.
        end: what to do at its end, and when stopped.
        is_armed: True where the person asked for movement.
        names_motor: True where the person said which channel drives a motor, or that none does.
        transmit: does the sending; the port itself by default.

    Returns:
        The exit code: 0 when it ran, 130 when a key ended it.

    Raises:
        DriveError: something that must be said was not; nothing was sent.
        PortError: the port cannot be used.
    """
    for line in caution_lines(program, end=end):
        click.echo(line, err=True)
    if not names_motor:
        raise DriveError(
            f"{port}: nothing was sent, since it is not said which channel drives a motor",
            hint="give --motor CH for each, or --no-motor if there is none",
        )
    if not is_armed:
        raise DriveError(
            f"{port}: nothing was sent, since it is not armed", hint="see to the cautions above, then add --arm"
        )
    if not has_keyboard():
        # Without a keyboard nobody could stop what moves; no option lifts this.
        raise DriveError(
            f"{port}: nothing was sent, since standard input is no terminal and so no key could stop it",
            hint="run it in a terminal, or send it to virtual: or a file",
        )
    with listen_for_keys() as any_key:
        return count_down_and_send(port, program, end=end, any_key=any_key, transmit=transmit or _transmit)


def caution_lines(program: Program, *, end: EndState) -> Iterator[str]:
    """What will be done, then what has to be seen to first."""
    yield from list_lines(program, survey(program, end=end), end=end)
    yield scale_line(program, is_ascii=True)
    yield ""
    yield from CAUTIONS
    if program.faults:
        yield FAULT_CAUTION
    yield ""


def count_down_and_send(port: str, program: Program, *, end: EndState, any_key: AnyKey, transmit: Transmit) -> int:
    """The countdown that any key ends, then the run; returns the exit code."""
    for seconds in range(COUNTDOWN_S, 0, -1):
        click.echo(f"moving in {seconds} s; any key cancels", err=True)
        try:
            is_cancelled = any_key(1.0)
        except KeyboardInterrupt:
            is_cancelled = True
        if is_cancelled:
            click.echo("cancelled; nothing was sent", err=True)
            return INTERRUPTED
    click.echo(f"driving {program.duration_s:.1f} s; any key stops", err=True)
    sent = transmit(port, DriveSource(program, end=end), any_key)
    click.echo(result_line(sent))
    return INTERRUPTED if sent.is_stopped else 0


def result_line(sent: Sent) -> str:
    """As in "stopped by a key: 500 frames sent, 2 late, 0 skipped, worst lateness 1.204 ms"."""
    how = "stopped by a key" if sent.is_stopped else "done"
    return (
        f"{how}: {sent.frames} frames sent, {sent.late} late, {sent.skipped} skipped,"
        f" worst lateness {sent.worst_late_s * 1e3:.3f} ms"
    )


def _transmit(port: str, source: DriveSource, any_key: AnyKey) -> Sent:
    raise DriveError(f"{port}: ports cannot be driven yet")
