"""The walk: takes a person's answers; gives motions, questions and kept answers.

Used by the command line and the screen. It reads no port and no key: the caller pumps
the receiver, then calls `tick`, passes on the answers, and draws.
"""

from __future__ import annotations

import enum
from collections.abc import Callable

from busbench.bench.drive_run import STEP_NS, UNPLUGGED, Outcome, RunState, SendingRun, WatchedPort
from busbench.bench.safety import COUNTDOWN_S
from busbench.bench.surface_plan import WalkStart, now_utc
from busbench.drive.frame_generator import EndState
from busbench.drive.frame_source import DriveSource
from busbench.drive.surface_check import Ended, Event, Move, Moved, SurfacePhase, Word
from busbench.drive.surface_file import write_walk
from busbench.errors import OutputError, PortError
from busbench.port.clocks import real_ns
from busbench.sim.surface_rehearsal import Rehearsal

QUIET_NS = 400_000_000  # keys are ignored until the keyboard is quiet for this time
_FAST_S = 0.5  # simulated time per tick of a motion rehearsed at full speed


class WalkState(enum.Enum):
    """The states of a walk: what it waits for."""

    WORD = enum.auto()  # an answer of the person
    COUNTING = enum.auto()  # the end of the countdown; any key cancels
    HANDING_OVER = enum.auto()  # the end of the holding frames
    MOVING = enum.auto()  # the end of a motion; any key stops it
    QUIET = enum.auto()  # a quiet keyboard after a motion
    OVER = enum.auto()  # nothing


_STATES = {
    RunState.COUNTING: WalkState.COUNTING,
    RunState.HANDING_OVER: WalkState.HANDING_OVER,
    RunState.SENDING: WalkState.MOVING,
    RunState.STOPPING: WalkState.MOVING,
}


class SurfaceSession:
    """One walk. Between motions, frames that hold all channels at rest are sent.

    Args:
        watched: a receiver of the port, or the virtual aircraft of a rehearsal.
        start: the walk, and the file of its answers, written after each answer.
        countdown_s: before each motion of a real aircraft.
        is_fast: True to rehearse at full speed.
        now_ns: a clock that also runs while the process is stopped or the computer suspended.

    Raises:
        OutputError: the file cannot be written.
    """

    def __init__(
        self,
        watched: WatchedPort | Rehearsal,
        start: WalkStart,
        *,
        countdown_s: float = COUNTDOWN_S,
        is_fast: bool = False,
        now_ns: Callable[[], int] = real_ns,
    ) -> None:
        self.plan, self.walk, self._path = start.plan, start.walk, start.path
        if self._path is not None:  # before anything moves, an unwritable file is reported
            write_walk(self._path, self.plan.head, self.walk.entries)
        self.state = WalkState.WORD
        self.run: SendingRun | None = None  # of the current or last motion
        self.lost = ""  # why the port ended the walk; then the positions of the surfaces are unknown
        self.save_error: OutputError | None = None  # error of the last write; the next answer tries again
        self._watched, self._now_ns = watched, now_ns
        self._countdown_s, self._is_fast = countdown_s, is_fast
        self._times_away = watched.times_away
        self._looked_ns = now_ns()
        self._quiet_ns = 0
        self._holds = False
        self._began_utc = ""
        self._word: Word | None = None  # text of the key that stopped the motion
        self._event = Moved(None)

    @property
    def rehearsal(self) -> Rehearsal | None:
        """The virtual aircraft, None on a port."""
        return self._watched if isinstance(self._watched, Rehearsal) else None

    @property
    def is_moving(self) -> bool:
        """True from the command to move until the motion is over or cancelled."""
        return self.state in (WalkState.COUNTING, WalkState.HANDING_OVER, WalkState.MOVING)

    def hear(self, event: Event) -> None:
        """Take an answer; starts a motion if asked for."""
        if self.state is not WalkState.WORD:
            return
        self._take(event)
        if self.walk.phase is SurfacePhase.MOVING:
            self._set_off()
        elif self.walk.is_over:
            self._end()

    def stop(self, word: Word | None = None) -> None:
        """A key was pressed before or during a motion: cancel, or return to rest; the first key counts."""
        self._quiet_ns = QUIET_NS
        run = self.run
        if run is None or not self.is_moving or run.state is RunState.STOPPING:
            return
        if run.is_sending:
            self._word = word
        run.stop()
        self._follow(run)

    def lose(self, reason: str) -> None:
        """The port is lost: reading it raised this error."""
        if self.run is not None and self.is_moving:
            self.run.lose(reason)
            self._follow(self.run)
        elif self.state is not WalkState.OVER:
            self._give_up(reason)

    def rest(self) -> None:
        """Stop the holding frames while the view is left."""
        how = self._watched.port.transmission
        if self._holds and how is not None and not how.is_over:
            self._watched.port.stop_transmission()
        self._holds = False

    def tick(self) -> None:
        """Advance by the clock; call it after each read of the port, at least every 0.25 s."""
        now_ns = self._now_ns()
        gone_ns, self._looked_ns = min(now_ns - self._looked_ns, STEP_NS), now_ns
        self._quiet_ns -= gone_ns
        if self.run is not None and self.is_moving:
            if self.rehearsal is not None:
                self.rehearsal.play(_FAST_S if self._is_fast else gone_ns / 1e9)
            self.run.tick()
            self._follow(self.run)
        elif self.state is WalkState.QUIET:
            self._settle()
        elif self.state is WalkState.WORD:
            how = self._watched.port.transmission
            if self._watched.times_away != self._times_away:
                self._give_up(UNPLUGGED)
            elif self._holds and how is not None and how.is_over and how.is_broken_off:
                self._give_up(how.reason)

    def _set_off(self) -> None:
        source = DriveSource(self.plan.program_of(self.walk.stop))
        self._word, self._began_utc = None, ""
        if self.rehearsal is not None:
            self.run = SendingRun(self.rehearsal, source, countdown_s=0, now_ns=self.rehearsal.now_ns)
            self.run.tick()
        else:
            self.run = SendingRun(self._watched, source, countdown_s=self._countdown_s, now_ns=self._now_ns)
        self._follow(self.run)

    def _follow(self, run: SendingRun) -> None:
        """Take the result of a motion."""
        if run.state in (RunState.HANDING_OVER, RunState.SENDING):
            self._holds = False
        if run.is_sending and not self._began_utc:
            self._began_utc = now_utc()
        if not run.is_over:
            self.state = _STATES[run.state]
            return
        move: Move | None = None
        if run.has_sent:
            ended = Ended(str(run.outcome))
            seen = () if self.rehearsal is None else self.rehearsal.seen()
            move = Move(self._began_utc, round(run.duration_s, 3), ended, run.reason, seen)
        if run.outcome is Outcome.LOST:
            self._event = Moved(move)
            self._give_up(run.reason)
            return
        self._event, self.state = Moved(move, self._word), WalkState.QUIET
        if move is not None and self.rehearsal is None:
            try:
                self._watched.port.transmit(DriveSource(self.plan.hold, end=EndState.SILENCE))
                self._holds = True
            except PortError as error:
                self._give_up(error.problem)
                return
        self._settle()

    def _settle(self) -> None:
        if self._quiet_ns <= 0:
            self.state = WalkState.WORD
            self._take(self._event)
            if self.walk.is_over:
                self._end()

    def _take(self, event: Event) -> None:
        before, self.walk = self.walk, self.walk.after(event)
        if self._path is not None and (self.walk.entries != before.entries or self.save_error is not None):
            try:
                write_walk(self._path, self.plan.head, self.walk.entries)
                self.save_error = None
            except OutputError as error:
                self.save_error = error

    def _give_up(self, reason: str) -> None:
        self.lost = reason
        if self.walk.phase is SurfacePhase.MOVING:
            self._take(self._event)
        self._take(Word.END)
        self._end()

    def _end(self) -> None:
        self.rest()
        self.state = WalkState.OVER
