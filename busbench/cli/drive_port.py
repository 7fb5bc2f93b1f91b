"""A drive program on a real port: cautions, arming, countdown, and any key stops."""

from __future__ import annotations

import click

from busbench.bench.plan_limits import LimitSources
from busbench.bench.safety import COUNTDOWN_S, caution_lines, require_arming, require_motor
from busbench.bench.sources import open_live
from busbench.cli.keys import AnyKey, has_keyboard, listen_for_keys
from busbench.cli.output import INTERRUPTED, prose, say
from busbench.cli.progress import ProgressLine
from busbench.drive.frame_generator import EndState
from busbench.drive.frame_source import DriveSource
from busbench.drive.locked_program import LockedProgram
from busbench.errors import PortError
from busbench.port.open_serial import require_port
from busbench.port.pacer import progress_text, result_line
from busbench.port.port import EventKind, FrameSource, LivePort, Transmission

UNPLUGGED = "the port was unplugged"
LOOK_S = 0.05  # how often keys and the port are looked at: a key is obeyed within this and a frame


def run_on_port(port: str, program: LockedProgram, *, end: EndState, is_armed: bool, sources: LimitSources) -> int:
    """Send a program to a port, if all that has to be said was said.

    Args:
        port: name or address.
        program: what to send.
        end: what to do at its end, and when stopped.
        is_armed: True where the person asked for movement.
        sources: who had a word on its limits; one must have said which channel drives a motor, or that none does.

    Returns:
        The exit code: 0 when it ran, 130 when a key ended it.

    Raises:
        DriveError: something that must be said was not; nothing was sent.
        PortError: the port cannot be used, or was lost on the way.
    """
    require_port(port, then="name a port, virtual:, or a file that is not there yet")
    for line in caution_lines(program, end=end):
        say(line, indent=2 if line.startswith("  - ") else 0)
    require_motor(port, names_motor=sources.names_motor, unsaid=sources.unstated)
    require_arming(port, is_armed=is_armed, can_stop=has_keyboard())
    with open_live(port, is_sender=True) as live, listen_for_keys() as any_key:
        require_plugged(live)
        if not count_down(any_key):
            click.echo("cancelled; nothing was sent", err=True)
            return INTERRUPTED
        require_plugged(live)
        again = "; in the hold at the end a second key" if end is EndState.HOLD else ""
        say(f"driving {program.program.duration_s:.1f} s; any key stops{again}")
        is_stopped = send(live, DriveSource(program, end=end), any_key=any_key)
    how = live.transmission or Transmission(is_over=True, reason="its process has ended")
    prose(result_line(how))
    if how.is_broken_off:
        raise PortError(
            port, how.reason, hint="see to the port, then start anew: where the surfaces stand is not known"
        )
    return INTERRUPTED if is_stopped else 0


def require_plugged(live: LivePort, *, hint: str = "see to the port, then start anew") -> None:
    """Say what the port has to say for itself; refuse to go on by itself on one that was away meanwhile.

    Args:
        live: the port, whose events are taken.
        hint: what to do about it.

    Raises:
        PortError: it was unplugged since they were last taken.
    """
    live.read(0)
    for event in live.events():
        if event.kind is EventKind.UNPLUGGED:
            raise PortError(live.source, UNPLUGGED, hint=hint)
        if event.kind is EventKind.WARNING:
            say(f"{live.source}: {event.text}")


def count_down(any_key: AnyKey) -> bool:
    """Three seconds in which any key cancels; True where none did."""
    try:
        for seconds in range(COUNTDOWN_S, 0, -1):
            click.echo(f"moving in {seconds} s; any key cancels", err=True)
            if any_key(1.0):
                return False
    except KeyboardInterrupt:
        return False
    return True


def send(live: LivePort, source: FrameSource, *, any_key: AnyKey) -> bool:
    """Transmit to the end, or until a key stops it; True where a key did."""
    is_stopped = False
    line = ProgressLine()
    live.transmit(source)
    try:
        while not (live.transmission and live.transmission.is_over):
            try:
                live.read(LOOK_S if is_stopped else 0)  # a keyboard that is gone does not wait
                if live.transmission:
                    line.show(progress_text(live.transmission, source.period_s))
                if any_key(LOOK_S):
                    is_stopped = True
                    live.stop_transmission()
            except KeyboardInterrupt:
                is_stopped = True
                live.stop_transmission()
    finally:
        line.clear()
    return is_stopped
