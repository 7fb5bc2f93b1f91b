"""What moves at a halt of the walk: an aircraft on a port, or one that exists in numbers only."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Protocol

from busbench.bench.surface_session import now_utc
from busbench.cli.drive_port import LOOK_S, count_down, require_plugged, send
from busbench.cli.keys import ReadKey
from busbench.cli.output import say
from busbench.drive.frame_generator import EndState
from busbench.drive.frame_source import DriveSource
from busbench.drive.locked_program import LockedProgram
from busbench.drive.surface_check import Ended, Move
from busbench.errors import PortError
from busbench.port.pacer import result_line
from busbench.port.port import LivePort
from busbench.sim.surface_rehearsal import Rehearsal

_RESUME = "see to the port, then go on with --resume: where the surfaces stand is not known"


class Bench(Protocol):
    """What the walk moves."""

    def move(self, program: LockedProgram, *, read_key: ReadKey) -> tuple[Move | None, str]:
        """Make one motion; any key stops it.

        Args:
            program: the motion.
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
        live: the open port.
        hold: what is sent between motions.
    """

    def __init__(self, live: LivePort, *, hold: LockedProgram) -> None:
        self._live = live
        self._hold = hold

    def move(self, program: LockedProgram, *, read_key: ReadKey) -> tuple[Move | None, str]:
        """As Bench says, after a countdown."""
        pressed: list[str] = []

        def any_key(seconds: float) -> bool:
            text = read_key(seconds)
            if text:
                pressed.append(text)
            return bool(text)

        waiting = patient(lambda seconds: read_key(seconds), self.tick)
        if not count_down(lambda seconds: bool(waiting(seconds))):
            return None, ""
        self._end_hold()
        t_utc, begun = now_utc(), time.monotonic()
        try:
            is_stopped = send(self._live, DriveSource(program), any_key=any_key)
            how = self._live.transmission
            reason = how.reason if how is not None else "its process has ended"
        except PortError as error:
            is_stopped, how, reason = False, None, str(error)
        duration_s = round(time.monotonic() - begun, 3)
        if how is not None:
            say(result_line(how))
        if how is None or how.is_broken_off:
            return Move(t_utc, duration_s, Ended.LOST, reason), ""
        self._live.transmit(DriveSource(self._hold, end=EndState.SILENCE))
        ended = Ended.STOPPED if is_stopped else Ended.RAN
        return Move(t_utc, duration_s, ended), pressed[0] if pressed else ""

    def tick(self) -> None:
        """Show a sign of life, and notice a port that has gone.

        Raises:
            PortError: it has.
        """
        require_plugged(self._live, hint=_RESUME)
        how = self._live.transmission
        if how is not None and how.is_over and how.is_broken_off:
            raise PortError(self._live.source, how.reason, hint=_RESUME)

    def _end_hold(self) -> None:
        if self._live.transmission is None:
            return
        self._live.stop_transmission()
        while not self._live.transmission.is_over:
            self._live.read(LOOK_S)
        self.tick()  # what was away meanwhile does not move by itself


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
