"""What moves at a halt of the walk: an aircraft on a port, or one that exists in numbers only."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Protocol

from busbench.bench.drive_run import UNPLUGGED, Outcome
from busbench.bench.receiver import Receiver
from busbench.bench.surface_session import now_utc
from busbench.cli import drive_port
from busbench.cli.drive_port import LOOK_S
from busbench.cli.keys import ReadKey
from busbench.cli.output import say
from busbench.drive.frame_generator import EndState
from busbench.drive.frame_source import DriveSource
from busbench.drive.locked_program import LockedProgram
from busbench.drive.surface_check import Ended, Move
from busbench.errors import PortError
from busbench.port.pacer import result_line
from busbench.sim.surface_rehearsal import Rehearsal

_RESUME = "see to the port, then go on with --resume: where the surfaces stand is not known"


class Bench(Protocol):
    """What the walk moves."""

    def move(self, program: LockedProgram, *, read_key: ReadKey) -> tuple[Move | None, str]:
        """Make one motion; any key stops it.

        Args:
            read_key: the keyboard.

        Returns:
            The motion, None where it was called off before it began, and the key that stopped it.
        """

    def tick(self) -> None:
        """Called many times a second while the builder thinks."""


def patient(read_key: ReadKey, tick: Callable[[], None]) -> ReadKey:
    """A keyboard that ticks while it waits."""

    def read(seconds: float) -> str:
        until = time.monotonic() + seconds
        while True:
            tick()
            left = until - time.monotonic()
            if text := read_key(max(0.0, min(left, LOOK_S))):
                return text
            if left <= 0:
                return ""

    return read


class PortBench:
    """An aircraft on a port. Between motions frames go on that hold all channels where they rest.

    Args:
        receiver: of the open port.
        hold: what is sent between motions.
    """

    def __init__(self, receiver: Receiver, *, hold: LockedProgram) -> None:
        self._receiver, self._port = receiver, receiver.port
        self._hold = hold
        self._times_away = receiver.times_away

    def move(self, program: LockedProgram, *, read_key: ReadKey) -> tuple[Move | None, str]:
        """As Bench says, after a countdown."""
        pressed: list[str] = []
        begun_utc: list[str] = []

        def any_key(seconds: float) -> bool:
            text = read_key(seconds)
            if text:
                pressed.append(text)
            return bool(text)

        run = drive_port.begin_run(self._receiver, DriveSource(program))
        try:
            drive_port.follow(
                run,
                self._receiver,
                any_key=any_key,
                period_s=program.program.period_s,
                when_sending=lambda: begun_utc.append(now_utc()),
            )
        except PortError as error:
            run.lose(str(error))
        if not run.has_sent:
            if run.outcome is Outcome.LOST:
                raise PortError(self._port.source, run.reason, hint=_RESUME)
            if run.reason:
                say(f"cancelled: {run.reason}; nothing was sent")
            return None, ""
        say(result_line(run.how))
        duration_s = round(run.duration_s, 3)
        if run.outcome is Outcome.LOST:
            return Move(begun_utc[0], duration_s, Ended.LOST, run.reason), ""
        self._port.transmit(DriveSource(self._hold, end=EndState.SILENCE))
        ended = Ended.STOPPED if run.outcome is Outcome.STOPPED else Ended.RAN
        return Move(begun_utc[0], duration_s, ended), pressed[0] if pressed else ""

    def tick(self) -> None:
        """Show a sign of life, and notice a port that has gone.

        Raises:
            PortError: it has.
        """
        drive_port.look(self._receiver, hint=_RESUME)
        how = self._port.transmission
        if how is not None and how.is_over and how.is_broken_off:
            raise PortError(self._port.source, how.reason, hint=_RESUME)
        if self._receiver.times_away != self._times_away:  # while a motion was under way
            raise PortError(self._port.source, UNPLUGGED, hint=_RESUME)


class VirtualBench:
    """An aircraft in numbers, told in words. It goes as fast as it can.

    Args:
        rehearsal: the aircraft.
    """

    def __init__(self, rehearsal: Rehearsal) -> None:
        self._rehearsal = rehearsal

    def move(self, program: LockedProgram, *, read_key: ReadKey) -> tuple[Move | None, str]:
        """As Bench says."""
        t_utc, pressed = now_utc(), ""
        motion = self._rehearsal.begin(program)
        while not motion.is_over:
            if not pressed and motion.frames and (pressed := read_key(0)):
                motion.feed.stop()
                continue
            self._rehearsal.go_on(motion)
        ended = Ended.STOPPED if pressed else Ended.RAN
        return Move(t_utc, motion.duration_s, ended, seen=tuple(motion.words())), pressed

    def tick(self) -> None:
        """It waits."""
