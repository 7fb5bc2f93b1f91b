"""The walk round the aircraft from the screen: a walk for the session shown, and the words that go with it."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from busbench.bench.drive_run import SendingRun
from busbench.bench.safety import error_text, refusal
from busbench.bench.sources import is_virtual
from busbench.bench.surface_plan import WalkPlan, answers_path, begin_walk, plan_walk
from busbench.bench.surface_session import SurfaceSession, WalkState
from busbench.drive.surface_check import Event, Station, Walk
from busbench.errors import BusbenchError
from busbench.line import Chunk
from busbench.tui.app_state import AppState
from busbench.tui.empty import NEEDS_PLAN
from busbench.tui.live import LiveSession
from busbench.tui.session import Session

NO_PORT = (
    "A recording cannot be walked. s opens the port that the aircraft is on, or virtual:RIG.toml, a virtual aircraft"
    " to rehearse on."
)


class Walking:
    """One walk after another; a Mover while it counts down and moves."""

    def __init__(self, ui: AppState) -> None:
        self.ui = ui
        self.trouble = NEEDS_PLAN  # why there can be no walk, or an empty string
        self.said = ""
        self.plan: WalkPlan | None = None
        self.session: SurfaceSession | None = None
        self.path: Path | None = None
        self._of: Session | None = None
        self._clock_ns = 0  # of the ticks
        self.moved: Station | None = None  # what the latest motion moved
        self.start_ns: int | None = None  # of its first frame, on the port's clock
        self.sent_s = 0.0  # of it so far

    @property
    def walk(self) -> Walk | None:
        """As far as it has come."""
        return None if self.session is None else self.session.walk

    @property
    def state(self) -> WalkState:
        """What it waits for; over before it has begun."""
        return WalkState.OVER if self.session is None else self.session.state

    @property
    def is_rehearsal(self) -> bool:
        """True if no aircraft moves."""
        return self._of is not None and is_virtual(self._of.source)

    @property
    def is_resumed(self) -> bool:
        """True if there are answers already."""
        return self.path is not None and self.path.exists()

    @property
    def left_s(self) -> float:
        """What is left of the countdown."""
        run = None if self.session is None else self.session.run
        return 0.0 if run is None else run.left_s

    @property
    def refusal(self) -> str:
        """Why nothing may move here, or an empty string."""
        if self.is_rehearsal or self._of is None or self.plan is None:
            return ""
        return refusal(self.plan.sources, port=self._of.source, is_armed=self.ui.is_armed, is_walk=True)

    @property
    def progress(self) -> str:
        """How far the frames of a motion are."""
        run = None if self.session is None else self.session.run
        if run is None or self.plan is None:
            return ""
        if self.is_rehearsal:
            return f"{run.duration_s:.1f} s, nothing is sent"
        return run.how.progress_text(self.plan.head.period_s)

    def look(self) -> None:
        """Take up another source; notice a port that has gone while it held still."""
        if self.ui.session is not self._of:
            self._take_up(self.ui.session)
        elif self.state is WalkState.WORD:
            self._go_on()

    def begin(self) -> None:
        """Begin, or go on with the answers that are there; the person has read the cautions."""
        if self.trouble or self.plan is None or not isinstance(self._of, LiveSession):
            return
        self.said = self.refusal
        if self.said:
            return
        try:
            start = begin_walk(self.plan, path=self.path, is_resumed=self.is_resumed)
            watched = self.plan.rehearsal(self.ui.faults) if self.is_rehearsal else self._of.receiver
            self.session = SurfaceSession(watched, start, now_ns=lambda: self._clock_ns)
        except BusbenchError as error:
            self.said = str(error)
            return
        self.said = "; ".join(f"{name}: the plan has changed since, so it is walked again" for name in start.renewed)

    def hear(self, event: Event) -> None:
        """The person said something; a motion that was asked for is set off."""
        if self.session is None or self.state is not WalkState.WORD:
            return
        self.said = ""
        self.session.hear(event)
        self._show()

    def rest(self) -> None:
        """End the frames that hold, when the view is left."""
        if self.session is not None:
            self.session.rest()

    def stop(self, key: str = "") -> None:
        """A key was pressed: call it off, or bring it back to rest."""
        if self.session is not None:
            self.session.stop(self.session.walk.keys.get(key))
            self._show()

    def tick(self, dt_s: float) -> None:
        """Count down, move, and wait for a quiet keyboard."""
        self._clock_ns += round(dt_s * 1e9)
        if self.ui.session is not self._of:  # it is closed, and its port with it
            self.session = self.ui.mover = None
        else:
            self._go_on()

    def _go_on(self) -> None:
        if self.session is None or not isinstance(self._of, LiveSession):
            return
        sent = self._of.port.sent()
        if self._of.is_lost:
            self.session.lose(self._of.notice)
        run = self.session.run
        was_sending = run is not None and run.is_sending
        self.session.tick()
        if run is not None:
            self._follow(run, sent, was_sending=was_sending)
        self._show()

    def _follow(self, run: SendingRun, sent: Sequence[Chunk], *, was_sending: bool) -> None:
        """Note when the first frame of a motion was sent; those before it hold."""
        if run.is_sending and not was_sending and self.walk is not None:
            self.moved, self.start_ns = self.walk.stop, None
        elif was_sending:
            self.sent_s = run.duration_s
            if self.start_ns is None and sent:
                self.start_ns = sent[0].t_ns

    def _show(self) -> None:
        """Take the keys while it moves; say what became of it."""
        session = self.session
        assert session is not None
        moves = session.is_moving or session.state is WalkState.QUIET
        if self.ui.mover is self and not moves and session.run is not None and not session.run.has_sent:
            self.said = session.run.result_text
        if moves or self.ui.mover is self:
            self.ui.mover = self if moves else None
        if session.save_error is not None:
            self.said = str(session.save_error)
        if session.lost:
            kept = f"; answers are in {self.path}" if self.path is not None else ""
            self.said = f"{session.lost}: see to the port; the positions of the surfaces are not known{kept}"

    def _take_up(self, session: Session | None) -> None:
        self._of, self.session, self.plan, self.said, self.moved = session, None, None, "", None
        rig = self.ui.rig
        self.trouble = NEEDS_PLAN if rig is None else "" if isinstance(session, LiveSession) else NO_PORT
        if self.trouble or rig is None or session is None:
            return
        self.path = None if self.is_rehearsal else answers_path(self.ui.rig_path)
        try:
            self.plan = plan_walk(rig, rig_path=self.ui.rig_path, port=session.source)
        except BusbenchError as error:
            self.trouble = error_text(error)
