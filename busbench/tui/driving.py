"""Driving from the screen: what is set, the way from the cautions to movement, and what was sent."""

from __future__ import annotations

import enum
from collections import deque
from dataclasses import dataclass

from busbench.bench.safety import COUNTDOWN_S
from busbench.bench.sources import VIRTUAL
from busbench.drive.field_reader import Fields
from busbench.drive.frame_generator import EndState
from busbench.drive.frame_source import DriveSource
from busbench.drive.locked_program import LockedProgram
from busbench.drive.part_parser import ReplaySource
from busbench.drive.program import FRAME_PERIOD_S
from busbench.drive.program_file import build_program
from busbench.errors import BusbenchError, DriveError, pluralize
from busbench.port.pacer import Transmission, progress_text, result_line
from busbench.tui.allowed import error_text, refusal
from busbench.tui.app_state import AppState
from busbench.tui.live import LiveSession
from busbench.wire.codec import CHANNELS, FRAME_BYTES
from busbench.wire.frame_spec import ALL_CHANNELS

END = EndState.REST
SHAPES = ("sine", "triangle", "square", "ramp", "staircase", "wander")
FIELDS = ("channel", "shape", "low", "high", "period", "cycles")
PERIODS_S = (0.5, 1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0, 15.0, 20.0)
CYCLES_MAX = 20
TRAVEL_PCT, STEP_PCT = 100, 5
KEPT_S = 10.0  # of what was sent
_TICK_MAX_S = 0.25  # a screen that stood still must not swallow the countdown


class DrivePhase(enum.Enum):
    """How far one is from movement."""

    SETTING = "setting"
    CAUTIONS = "cautions"
    COUNTING = "counting"
    MOVING = "moving"


@dataclass(slots=True)
class Settings:
    """What is to be driven; levels in percent."""

    channel: int = 1
    shape: str = SHAPES[0]
    low: int = -50
    high: int = 50
    period: float = 4.0
    cycles: int = 3

    def change(self, field: str, steps: int) -> None:
        """Turn one field on or back; low stays below high."""
        match field:
            case "channel":
                self.channel = (self.channel - 1 + steps) % ALL_CHANNELS + 1
            case "shape":
                self.shape = SHAPES[(SHAPES.index(self.shape) + steps) % len(SHAPES)]
            case "low":
                self.low = min(max(self.low + STEP_PCT * steps, -TRAVEL_PCT), self.high)
            case "high":
                self.high = max(min(self.high + STEP_PCT * steps, TRAVEL_PCT), self.low)
            case "period":
                self.period = PERIODS_S[min(max(PERIODS_S.index(self.period) + steps, 0), len(PERIODS_S) - 1)]
            case "cycles":
                self.cycles = min(max(self.cycles + steps, 1), CYCLES_MAX)


@dataclass(frozen=True, slots=True)
class Commanded:
    """A frame as it was sent, or as it would have been.

    Args:
        t_s: from the start of the run.
        data: 25 bytes.
    """

    t_s: float
    data: bytes


class _Rehearsal:
    """A run on nothing: the frames are made here and go nowhere."""

    def __init__(self, program: LockedProgram) -> None:
        self._source = DriveSource(program, end=END)
        self._now_s = 0.0
        self._slots = 0
        self.how = Transmission()

    def stop(self) -> None:
        self._source.request_stop()
        self.how = Transmission(self.how.frames, reason="stopped")

    def take(self, dt_s: float) -> list[Commanded]:
        self._now_s += dt_s
        out: list[Commanded] = []
        while not self.how.is_over and (t_s := self._slots * self._source.period_s) <= self._now_s:
            data = self._source.next_frame()
            self.how = Transmission(self._slots, is_over=data is None, reason=self.how.reason)
            if data is not None:
                self._slots += 1
                out.append(Commanded(t_s, data))
        return out


class _PortRun:
    """A run on a port; the process that owns the port stops by itself when the session's ticks fail to come."""

    def __init__(self, session: LiveSession, program: LockedProgram) -> None:
        self._session = session
        session.port.sent()  # of an earlier run
        session.port.transmit(DriveSource(program, end=END))
        self._start_ns: int | None = None

    @property
    def how(self) -> Transmission:
        how = self._session.port.transmission or Transmission()
        if self._session.is_lost and not how.is_over:
            return Transmission(how.frames, how.late, how.skipped, how.worst_late_ns, True, "the port was lost")
        return how

    def stop(self) -> None:
        self._session.port.stop_transmission()

    def take(self, dt_s: float) -> list[Commanded]:
        del dt_s
        chunks = [chunk for chunk in self._session.port.sent() if len(chunk.data) == FRAME_BYTES]
        if chunks and self._start_ns is None:
            self._start_ns = chunks[0].t_ns
        return [Commanded((chunk.t_ns - (self._start_ns or 0)) / 1e9, chunk.data) for chunk in chunks]


class Drive:
    """From setting to movement and back; a Mover while it counts down and moves.

    Args:
        ui: its session is driven.
    """

    def __init__(self, ui: AppState) -> None:
        self.ui = ui
        self.settings = Settings()
        self.phase = DrivePhase.SETTING
        self.left_s = 0.0
        self.said = ""
        self.is_stopping = False
        self.sent: deque[Commanded] = deque()
        self.first_row = 0  # the first frame received since the start
        self._run: _Rehearsal | _PortRun | None = None
        self._on: LiveSession | None = None
        self._unplugged = 0  # how often its port was, when the countdown began

    @property
    def is_rehearsal(self) -> bool:
        """True where nothing can be sent."""
        return self.ui.needs.source.startswith(VIRTUAL)

    @property
    def target(self) -> str:
        """Where frames go, in a few words."""
        allowed = "rehearsal: nothing is sent" if self.is_rehearsal else f"ARMED on {self.ui.needs.source}"
        return self.refusal or allowed

    @property
    def refusal(self) -> str:
        """Why nothing may move here, or an empty string."""
        if not self.ui.needs.is_live:
            return "A recording cannot be driven: watch a port, or virtual: to rehearse"
        return (
            "" if self.is_rehearsal else refusal(self.ui.sources, port=self.ui.needs.source, is_armed=self.ui.is_armed)
        )

    @property
    def _period_s(self) -> float:
        return FRAME_PERIOD_S if self.ui.rig is None else self.ui.rig.plan.period_ms / 1e3

    @property
    def program(self) -> LockedProgram:
        """What the settings make, inside the limits of all sources.

        Raises:
            DriveError: they make nothing.
        """
        now, scale = self.settings, self.ui.needs.scale
        part: dict[str, object] = {"channel": now.channel, "period": now.period, "cycles": now.cycles}
        if now.channel <= CHANNELS:
            part |= {"shape": now.shape, "low": now.low, "high": now.high}
        else:
            part["shape"] = "square"
        top = {
            "scale": {
                "centre_counts": scale.centre_counts,
                "centre_us": scale.centre_us,
                "us_per_count": scale.us_per_count,
            }
        }
        name = f"{part['shape']} on channel {now.channel}"
        program = build_program(
            Fields(top, place="drive"),
            name=name,
            load=_none,
            parts=[Fields(part, place="drive")],
            period_s=self._period_s,
        )
        return self.ui.sources.lock(program)

    @property
    def how(self) -> Transmission:
        """How the run goes."""
        return Transmission() if self._run is None else self._run.how

    def progress(self) -> str:
        """How far the run is."""
        text = progress_text(self.how, self._period_s)
        return text.replace(", 0 late, 0 skipped", "") if self.is_rehearsal else text

    def go_on(self) -> None:
        """One step nearer to movement: to the cautions, then to the countdown."""
        self.said = ""
        try:
            if self.refusal or not isinstance(self.ui.needs, LiveSession):
                raise DriveError(self.refusal)
            program = self.program.program
            channel = self.settings.channel - 1
            if program.limits.is_locked(channel):
                raise DriveError(f"{program.named(channel)} is locked", hint="it will not move; choose another")
            if self.phase is DrivePhase.SETTING:
                self.phase = DrivePhase.CAUTIONS
            elif self.phase is DrivePhase.CAUTIONS:
                self._on, self._unplugged = self.ui.needs, self.ui.needs.unplugged
                self.phase, self.left_s, self.ui.mover = DrivePhase.COUNTING, float(COUNTDOWN_S), self
        except BusbenchError as error:
            self.said, self.phase = error_text(error), DrivePhase.SETTING

    def back(self) -> None:
        """Leave the cautions."""
        if self.phase is DrivePhase.CAUTIONS:
            self.phase = DrivePhase.SETTING

    def stop(self) -> None:
        """A key was pressed while counting or moving."""
        if self.phase is DrivePhase.COUNTING:
            self._end("cancelled; nothing was sent")
        elif self._run is not None:
            self.is_stopping = True
            self._run.stop()

    def tick(self, dt_s: float) -> None:
        """Count down, then follow the run."""
        if self.ui.session is not self._on:  # the session that was driven is closed, and its port with it
            self._end("stopped: another source was chosen")
        elif self.phase is DrivePhase.COUNTING and self._on is not None and self._on.unplugged != self._unplugged:
            self._end("cancelled: the port was unplugged; nothing was sent")  # back or not
        elif self.phase is DrivePhase.COUNTING:
            self.left_s -= min(dt_s, _TICK_MAX_S)
            if self.left_s <= 1e-9:
                self._start()
        elif self._run is not None:
            self.sent += self._run.take(dt_s)
            while self.sent and self.sent[-1].t_s - self.sent[0].t_s > KEPT_S:
                self.sent.popleft()
            if self._run.how.is_over:
                word = "rehearsed, stopped" if self.is_stopping else "rehearsed"
                words = f"{word}: {pluralize(self._run.how.frames, 'frame')}; nothing was sent"
                self._end(words if isinstance(self._run, _Rehearsal) else result_line(self._run.how))

    def _start(self) -> None:
        assert self._on is not None
        self.sent.clear()
        self.is_stopping = False
        self.first_row = len(self._on.store)
        self._on.is_moving = True
        try:
            self._run = _Rehearsal(self.program) if self.is_rehearsal else _PortRun(self._on, self.program)
            self.phase = DrivePhase.MOVING
        except BusbenchError as error:
            self._end(str(error))

    def _end(self, words: str) -> None:
        self.said, self.phase = words, DrivePhase.SETTING
        self._run = self._on = self.ui.mover = None


def _none(name: str) -> ReplaySource:
    raise DriveError(f"{name}: no recording is replayed here")
