"""The walk round the aircraft from the screen: the way to each motion, the motion, and the answers.

On `virtual:` it is rehearsed on the plan itself, as fast as it would go on the bench. On a port frames go on
between motions that hold all channels where they rest.
"""

from __future__ import annotations

import enum
from pathlib import Path

from busbench.bench.drive_run import UNPLUGGED, DriveRun, Outcome, RunState
from busbench.bench.plan_limits import NO_SOURCES
from busbench.bench.safety import error_text, refusal
from busbench.bench.sources import VIRTUAL, rig_in
from busbench.bench.surface_session import (
    answers_path,
    begin_walk,
    hold_of,
    now_utc,
    plan_walk,
    program_of,
    save_walk,
)
from busbench.drive.frame_generator import EndState
from busbench.drive.frame_source import DriveSource
from busbench.drive.locked_program import LockedProgram
from busbench.drive.surface_check import Ended, Event, Move, Moved, Station, SurfacePhase, Walk, Word
from busbench.drive.surface_file import WalkHead
from busbench.errors import BusbenchError
from busbench.port.pacer import Transmission, progress_text
from busbench.rig.load import read_rig
from busbench.rig.model import Rig
from busbench.sim.devices import VirtualRig
from busbench.sim.surface_rehearsal import Rehearsal, RehearsedMotion
from busbench.tui.app_state import AppState
from busbench.tui.live import LiveSession
from busbench.tui.session import Session

NO_RIG = "A walk needs the plan: start with `busbench watch SOURCE --rig RIG.toml`."
NO_PORT = "A recording cannot be walked: watch a port, or virtual: to rehearse."
QUIET_S = 0.4  # keys hit in haste are forgotten until the keyboard is quiet
_TICK_MAX_S = 0.25  # a screen that stood still must not swallow the countdown


class Way(enum.Enum):
    """How far a motion is."""

    NONE = enum.auto()
    COUNTING = enum.auto()
    HANDING_OVER = enum.auto()  # the frames that hold come to their end first
    MOVING = enum.auto()
    OVER = enum.auto()  # until the keyboard is quiet


_WAYS = {
    RunState.COUNTING: Way.COUNTING,
    RunState.HANDING_OVER: Way.HANDING_OVER,
    RunState.SENDING: Way.MOVING,
    RunState.STOPPING: Way.MOVING,
}


class Walking:
    """One walk; a Mover while it counts down and moves.

    Args:
        ui: its session and its plan are walked.
    """

    def __init__(self, ui: AppState) -> None:
        self.ui = ui
        self.trouble = NO_RIG  # why there can be no walk, or an empty string
        self.said = ""
        self.head: WalkHead | None = None
        self.stops: tuple[Station, ...] = ()
        self.sources = NO_SOURCES
        self.walk: Walk | None = None
        self.path: Path | None = None
        self.way = Way.NONE
        self.rehearsal: Rehearsal | None = None
        self._of: Session | None = None
        self._motion: RehearsedMotion | None = None
        self._due_s = self._quiet_s = 0.0
        self._is_stopped = self._holds = False
        self._run: DriveRun | None = None  # of a motion on a port
        self._clock_ns = 0  # of the ticks
        self._began_utc = ""
        self._event: Moved | None = None

    @property
    def is_rehearsal(self) -> bool:
        """True where no aircraft moves."""
        return self._of is not None and self._of.source.startswith(VIRTUAL)

    @property
    def is_resumed(self) -> bool:
        """True where there are answers already."""
        return self.path is not None and self.path.exists()

    @property
    def left_s(self) -> float:
        """What is left of the countdown."""
        return 0.0 if self._run is None else self._run.left_s

    @property
    def refusal(self) -> str:
        """Why nothing may move here, or an empty string."""
        if self.is_rehearsal or self._of is None:
            return ""
        return refusal(self.sources, port=self._of.source, is_armed=self.ui.is_armed, is_walk=True)

    @property
    def progress(self) -> str:
        """How far the frames of a motion are."""
        if self._motion is not None:
            return f"{self._motion.duration_s:.1f} s, nothing is sent"
        return progress_text(self._how, self.head.period_s) if self.head else ""

    def look(self) -> None:
        """Take up another source; notice a port that has gone while it held still."""
        session, rig = self.ui.session, self.ui.rig
        if session is not self._of:
            self._take_up(session, rig)
        elif self.walk is not None and not self.walk.is_over and self.way is Way.NONE and not self.is_rehearsal:
            if self._live.is_lost or (self._holds and self._how.is_over and self._how.is_broken_off):
                self._give_up(self._how.reason or self._live.notice)
            self._live.port.sent()  # nobody looks at it

    def begin(self) -> None:
        """Begin, or go on with the answers that are there; the person has read the cautions."""
        if self.trouble or self.head is None or self.ui.rig is None:
            return
        self.said = self.refusal
        if self.said:
            return
        try:
            self.head, walk, anew = begin_walk(self.head, self.stops, path=self.path, is_resumed=self.is_resumed)
            save_walk(self.path, self.head, walk)  # before anything moves, a file that cannot be written is known
            if self.is_rehearsal:
                self.rehearsal = Rehearsal(self.ui.rig, self._aircraft(self.ui.rig), hold=self._hold)
        except BusbenchError as error:
            self.said = str(error)
            return
        self.walk = walk
        self.said = "; ".join(f"{name}: the plan has changed since, so it is walked anew" for name in anew)

    def hear(self, event: Event) -> None:
        """The person said something; a motion that was asked for is set off."""
        walk = self.walk
        if walk is None or self.way is not Way.NONE:
            return
        self.said = ""
        self._keep(walk.after(event))
        if self.walk is not None and self.walk.phase is SurfacePhase.MOVING:
            self._set_off()
        elif self.walk is not None and self.walk.is_over:
            self.rest()

    def rest(self) -> None:
        """End the frames that hold; for whoever leaves."""
        self._holds = False
        if not self.is_rehearsal and isinstance(self._of, LiveSession) and not self._how.is_over:
            self._of.port.stop_transmission()

    def stop(self) -> None:
        """A key was pressed: call it off, or bring it back to rest."""
        self._quiet_s = QUIET_S
        if self._run is not None and not self._is_stopped:
            is_held = self.way is Way.HANDING_OVER
            self._is_stopped = self._run.is_sending
            self._run.stop()
            if self._run.is_over:
                self.said = f"called off before it began{'; frames have stopped' if is_held else ''}"
                self._end(None)
        elif self._motion is not None and self.way is Way.MOVING and not self._is_stopped:
            self._is_stopped = True
            self._motion.feed.stop()

    def tick(self, dt_s: float) -> None:
        """Count down, move, and wait for a quiet keyboard."""
        self._clock_ns += round(dt_s * 1e9)
        dt_s = min(dt_s, _TICK_MAX_S)
        self._quiet_s -= dt_s
        if self.ui.session is not self._of:  # it is closed, and its port with it
            self.way, self.ui.mover, self._run = Way.NONE, None, None
            return
        match self.way:
            case Way.MOVING if self._motion is not None:
                self._rehearse(dt_s, self._motion)
            case Way.COUNTING | Way.HANDING_OVER | Way.MOVING if self._run is not None:
                self._follow(self._run)
            case Way.OVER:
                self._settle()
            case Way.NONE:
                pass

    @property
    def _live(self) -> LiveSession:
        assert isinstance(self._of, LiveSession)
        return self._of

    @property
    def _how(self) -> Transmission:
        """Of what is sent now; over where nothing was."""
        return self._live.port.transmission or Transmission(is_over=True)

    def _aircraft(self, plan: Rig) -> VirtualRig:
        """What is walked in a rehearsal: the aircraft that the source names, else the plan itself."""
        assert self._of is not None
        path = rig_in(self._of.source)
        return VirtualRig(plan if path is None else read_rig(path), faults=self.ui.faults)

    @property
    def _hold(self) -> LockedProgram:
        assert self.head is not None
        return hold_of(self.head, self.sources)

    def _take_up(self, session: Session | None, rig: Rig | None) -> None:
        self._of, self.walk, self.rehearsal, self.head, self._motion = session, None, None, None, None
        self._run = None
        self.stops, self.said, self.way, self._holds = (), "", Way.NONE, False
        self.trouble = NO_RIG if rig is None else "" if isinstance(session, LiveSession) else NO_PORT
        if self.trouble or rig is None or session is None:
            return
        self.path = None if self.is_rehearsal else answers_path(self.ui.rig_path)
        try:
            path = rig_in(session.source)
            self.head, self.stops, self.sources = plan_walk(
                rig,
                rig_path=self.ui.rig_path,
                port=session.source,
                is_rehearsal=self.is_rehearsal,
                aircraft=(path, read_rig(path)) if path and path != self.ui.rig_path else None,
            )
        except BusbenchError as error:
            self.trouble = error_text(error)

    def _keep(self, walk: Walk) -> None:
        before, self.walk = self.walk, walk
        if before is None or before.entries != walk.entries:
            try:
                assert self.head is not None
                save_walk(self.path, self.head, walk)
            except BusbenchError as error:
                self.said = str(error)

    def _set_off(self) -> None:
        assert self.walk is not None
        assert self.head is not None
        self._is_stopped, self._due_s, self._motion = False, 0.0, None
        self.ui.mover = self
        if self.rehearsal is not None:
            self._motion = self.rehearsal.begin(program_of(self.walk.stop, self.head, self.sources))
            self._began_utc = now_utc()
            self.way = Way.MOVING
        else:
            source = DriveSource(program_of(self.walk.stop, self.head, self.sources))
            self._run = DriveRun(self._live.receiver, source, now_ns=lambda: self._clock_ns)
            self.way = Way.COUNTING

    def _rehearse(self, dt_s: float, motion: RehearsedMotion) -> None:
        assert self.rehearsal is not None
        assert self.head is not None
        self._due_s += dt_s
        frames = int(self._due_s / self.head.period_s + 1e-6)
        self._due_s -= frames * self.head.period_s
        if frames:
            self.rehearsal.go_on(motion, frames=frames)
        if motion.is_over:
            ended = Ended.STOPPED if self._is_stopped else Ended.RAN
            self._end(Move(self._began_utc, motion.duration_s, ended, seen=tuple(motion.words())))

    def _follow(self, run: DriveRun) -> None:
        run.tick()
        if self._live.is_lost:
            run.lose(self._live.notice)
        if run.state is not RunState.COUNTING:
            self._holds = False
        if run.is_sending and self.way is not Way.MOVING:
            self._began_utc = now_utc()
        if not run.is_over:
            self.way = _WAYS[run.state]
        elif not run.has_sent:
            is_lost = run.outcome is Outcome.LOST and run.reason != UNPLUGGED
            self.said = run.reason if is_lost else f"called off: {run.reason}"
            self._end(None)
        elif run.outcome is Outcome.LOST:
            self._end(Move(self._began_utc, round(run.duration_s, 3), Ended.LOST, run.reason))
        else:
            ended = Ended.STOPPED if run.outcome is Outcome.STOPPED else Ended.RAN
            self._end(Move(self._began_utc, round(run.duration_s, 3), ended))
            try:
                self._live.port.transmit(DriveSource(self._hold, end=EndState.SILENCE))
                self._holds = True
            except BusbenchError as error:
                self.said = str(error)

    def _end(self, move: Move | None) -> None:
        self._event, self._run = Moved(move), None
        self.way = Way.OVER
        self._settle()

    def _settle(self) -> None:
        if self._quiet_s > 0 or self._event is None or self.walk is None:
            return
        event, self._event = self._event, None
        self.way, self.ui.mover = Way.NONE, None
        self._keep(self.walk.after(event))
        if event.move is not None and event.move.ended is Ended.LOST:
            self._give_up(event.move.reason)

    def _give_up(self, reason: str) -> None:
        kept = f"; answers are in {self.path}" if self.path is not None else ""
        self.said = f"{reason}: see to the port; where the surfaces stand is not known{kept}"
        if self.walk is not None:
            self._keep(self.walk.after(Word.END))
