"""Conditions and cautions before anything moves, for the command line and the screens."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from busbench.bench.plan_limits import LimitSources, PlanFaultError
from busbench.drive.dry_run import dry_run
from busbench.drive.frame_generator import EndState
from busbench.drive.locked_program import LockedProgram
from busbench.drive.preview import list_lines, scale_line
from busbench.errors import BusbenchError, DriveError, display_name

COUNTDOWN_S = 3
LISTEN_S = 0.25  # before the first frame of a script, which does not count down
CAUTIONS = (
    "WARNING: before anything moves:",
    "  - remove the propeller, or disconnect the motor",
    "  - unplug the bus lead from the receiver: only one device may send on the bus",
    "  - hold the model down, so that it cannot roll, tip or leave the bench",
    "  - keep hands, hair and tools away from surfaces, linkages, gear and doors",
    "  - keep everyone out of the plane of the propeller and away from its front",
    "  - expect surfaces to jump to their rest values with the first frame",
    "  - follow your local rules first, and the people qualified under them",
)
UNPLUG_SENDER = "unplug the bus lead from the receiver, or the receive wire"
_OPTIONS = "--motor CH for each motor, --no-motor or --rig RIG.toml"
FAULT_CAUTION = "  - this program sends faults: devices may go to their failsafe values, and a speed controller may too"


def require_motor(port: str, *, names_motor: bool, unsaid: Sequence[str] = (), has_options: bool = True) -> None:
    """Refuse a real port unless the motor channels are stated.

    Args:
        names_motor: True if stated, or stated that there is none.
        unsaid: devices for which a plan does not say it.
        has_options: True if command-line options can state it.

    Raises:
        DriveError: nothing may be sent.
    """
    if not names_motor and unsaid:
        options = "; or give --motor CH for each motor, --no-motor if there is none" if has_options else ""
        why = f"the plan does not say what can turn a propeller ({', '.join(unsaid)})"
        raise DriveError(
            f"{display_name(port)}: nothing was sent, since {why}",
            hint=f'state motor = "electric", "engine" or false for each of these in the rig file{options}',
        )
    if not names_motor:
        raise DriveError(
            f"{display_name(port)}: nothing was sent, since it is not said which channel drives a motor",
            hint="give --motor CH for each, --no-motor if there is none, or --rig",
        )


def require_arming(port: str, *, is_armed: bool, can_stop: bool = True) -> None:
    """Refuse a real port unless movement is armed and can be stopped.

    Args:
        is_armed: True if the user asked for movement.
        can_stop: True if a key would be noticed; no option replaces that.

    Raises:
        DriveError: nothing may be sent.
    """
    if not is_armed:
        raise DriveError(
            f"{display_name(port)}: nothing was sent, since it is not armed",
            hint="read the cautions above, then add --arm",
        )
    if not can_stop:
        raise DriveError(
            f"{display_name(port)}: nothing was sent, since standard input is not a terminal and no key could stop it",
            hint="run it in a terminal, or send it to virtual: or a file",
        )


def caution_lines(locked: LockedProgram, *, end: EndState) -> Iterator[str]:
    """What will be done, then what you must do first."""
    program = locked.program
    yield from list_lines(program, dry_run(program, end=end), end=end)
    yield scale_line(program, is_ascii=True)
    yield ""
    yield from CAUTIONS
    yield from locked.cautions
    if program.faults:
        yield FAULT_CAUTION
    yield ""


def refusal(sources: LimitSources, *, port: str, is_armed: bool, is_walk: bool = False) -> str:
    """Why nothing may be sent, for a screen; empty if it may.

    Args:
        is_armed: True if the user allowed movement on a real port.
        is_walk: True if only the plan says what can turn a propeller.
    """
    try:
        sources.require_sound()
    except PlanFaultError as error:
        return error_text(error)
    left = sources.unstated
    whys, ways = [], []
    try:
        require_arming(port, is_armed=is_armed)
    except DriveError:
        whys, ways = ["not armed"], ["--arm"]
    try:
        require_motor(port, names_motor=sources.names_motor, unsaid=left)
    except DriveError:
        whys.append(
            f"the plan does not say what can turn a propeller ({', '.join(left)})"
            if left
            else "it is not said which channel drives a motor"
        )
        stated = 'motor = "electric", "engine" or false for each of these in the rig file'
        ways.append(f"{stated}{'' if is_walk else f', or {_OPTIONS}'}" if left else _OPTIONS)
    if not whys:
        return ""
    why = ", and ".join(whys)
    return f"{why[0].upper()}{why[1:]}: leave with q and start again with {', and with '.join(ways)}"


def error_text(error: BusbenchError) -> str:
    """An error as one text, with the faults of a contradictory plan."""
    if not isinstance(error, PlanFaultError):
        return str(error)
    return f"{error} ({'; '.join(f'{fault.where}: {fault.what}' for fault in error.faults)})"
