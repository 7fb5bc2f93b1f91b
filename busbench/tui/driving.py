"""Driving from the screen: what is set, the way from the cautions to movement, and what was sent."""

from __future__ import annotations

import enum
from collections import deque
from dataclasses import dataclass

from busbench.bench.drive_run import Outcome, RunState, SendingRun
from busbench.bench.safety import error_text, refusal
from busbench.bench.sources import is_virtual
from busbench.drive.frame_generator import EndState
from busbench.drive.frame_source import DriveSource
from busbench.drive.locked_program import LockedProgram
from busbench.drive.part_parser import ReplaySource
from busbench.drive.program import FRAME_PERIOD_S
from busbench.drive.program_file import ProgramReader, build_program
from busbench.drive.shape_words import SHAPES
from busbench.errors import BusbenchError, DriveError, pluralize
from busbench.sim.rehearsal_port import RehearsalPort
from busbench.tui.app_state import AppState
from busbench.tui.live import LiveSession
from busbench.wire.frame_spec import ALL_CHANNELS, CHANNELS, FRAME_BYTES

END = EndState.REST
WAVES = tuple(sorted((word for word, declared in SHAPES.items() if declared.is_wave), key=lambda word: word != "sine"))
FIELDS = ("channel", "shape", "low", "high", "period", "cycles")
PERIODS_S = (0.5, 1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0, 15.0, 20.0)
CYCLES_MAX = 20
TRAVEL_PCT, STEP_PCT = 100, 5
KEPT_S = 10.0  # of what was sent


class DrivePhase(enum.Enum):
    """How far one is from movement."""

    SETTING = "setting"
    CAUTIONS = "cautions"
    COUNTING = "counting"
    MOVING = "moving"


@dataclass(slots=True)
class DriveSettings:
    """What is to be driven; levels in percent."""

    channel: int = 1
    shape: str = WAVES[0]
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
                self.shape = WAVES[(WAVES.index(self.shape) + steps) % len(WAVES)]
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
    """A frame as it was sent, or as it would have been."""

    t_s: float  # from the start of the run
    data: bytes  # 25 bytes


class Drive:
    """From setting to movement and back; a Mover while it counts down and moves."""

    def __init__(self, ui: AppState) -> None:
        self.ui = ui
        self.settings = DriveSettings()
        self.phase = DrivePhase.SETTING
        self.said = ""
        self.sent: deque[Commanded] = deque()
        self.first_row = 0  # the first frame received since the start
        self._run: SendingRun | None = None
        self._rehearsal = RehearsalPort()
        self._on: LiveSession | None = None
        self._clock_ns = 0  # of the ticks
        self.start_ns = 0  # of the first frame, on the port's clock

    @property
    def is_rehearsal(self) -> bool:
        """True if nothing can be sent."""
        return is_virtual(self.ui.needs.source)

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
        name = f"{part['shape']} on channel {now.channel}"
        program = build_program(
            ProgramReader({"part": [part]}, source="drive"),
            name=name,
            load=_none,
            period_s=self._period_s,
            scale=scale,
        )
        return self.ui.sources.lock(program)

    @property
    def left_s(self) -> float:
        """What is left of the countdown."""
        return 0.0 if self._run is None else self._run.left_s

    @property
    def is_stopping(self) -> bool:
        """True if it goes to its end state."""
        return self._run is not None and (self._run.state is RunState.STOPPING or bool(self._run.how.reason))

    @property
    def sent_s(self) -> float:
        """Time of the program that was sent so far."""
        return self.sent[-1].t_s if self.sent else 0.0

    def progress(self) -> str:
        """How far the run is."""
        text = "" if self._run is None else self._run.how.progress_text(self._period_s)
        return text.replace(", 0 late, 0 skipped", "") if self.is_rehearsal else text

    def go_on(self) -> None:
        """One step nearer to movement: to the cautions, then to the countdown."""
        self.said = ""
        try:
            if self.refusal or not isinstance(self.ui.needs, LiveSession):
                raise DriveError(self.refusal)
            locked = self.program
            program = locked.program
            channel = self.settings.channel - 1
            if program.limits.is_locked(channel):
                raise DriveError(f"{program.named(channel)} is locked", hint="it will not move; choose another")
            if self.phase is DrivePhase.SETTING:
                self.phase = DrivePhase.CAUTIONS
            elif self.phase is DrivePhase.CAUTIONS:
                self._on, self._rehearsal = self.ui.needs, RehearsalPort()
                watched = self._rehearsal if self.is_rehearsal else self._on.receiver
                self._run = SendingRun(watched, DriveSource(locked, end=END), now_ns=lambda: self._clock_ns)
                self.phase, self.ui.mover = DrivePhase.COUNTING, self
        except BusbenchError as error:
            self.said, self.phase = error_text(error), DrivePhase.SETTING

    def back(self) -> None:
        """Leave the cautions."""
        if self.phase is DrivePhase.CAUTIONS:
            self.phase = DrivePhase.SETTING

    def stop(self, key: str = "") -> None:
        """A key was pressed, or a button clicked, while counting or moving; any key does."""
        del key
        if self._run is not None:
            self._run.stop()
            if self._run.is_over:
                self._end(self._run)

    def tick(self, dt_s: float) -> None:
        """Count down, then follow the run."""
        run, on = self._run, self._on
        if run is None or on is None:
            return
        if self.ui.session is not on:  # the session that was driven is closed, and its port with it
            self._leave("stopped: another source was chosen")
            return
        self._clock_ns += round(dt_s * 1e9)
        was_sending = run.is_sending
        taken = self._taken(on, dt_s)
        run.tick()
        if on.is_lost:
            run.lose("the port was lost")
        if was_sending:
            self._keep(taken)
        elif run.is_sending:
            self.phase, self.first_row, on.is_moving = DrivePhase.MOVING, len(on.store), True
            self.sent.clear()
        if run.is_over:
            self._end(run)

    def _taken(self, on: LiveSession, dt_s: float) -> list[Commanded]:
        if self.is_rehearsal:
            return [Commanded(t_s, data) for t_s, data in self._rehearsal.play(dt_s)]
        chunks = [chunk for chunk in on.port.sent() if len(chunk.data) == FRAME_BYTES]
        if chunks and not (self.sent and self.phase is DrivePhase.MOVING):
            self.start_ns = chunks[0].t_ns
        return [Commanded((chunk.t_ns - self.start_ns) / 1e9, chunk.data) for chunk in chunks]

    def _keep(self, taken: list[Commanded]) -> None:
        self.sent += taken
        while self.sent and self.sent[-1].t_s - self.sent[0].t_s > KEPT_S:
            self.sent.popleft()

    def _end(self, run: SendingRun) -> None:
        if run.has_sent and self.is_rehearsal:
            word = "rehearsed, stopped" if run.outcome is Outcome.STOPPED else "rehearsed"
            self._leave(f"{word}: {pluralize(run.how.frames, 'frame')}; nothing was sent")
        else:
            self._leave(run.result_text)

    def _leave(self, message: str) -> None:
        self.said, self.phase = message, DrivePhase.SETTING
        self._run = self._on = self.ui.mover = None


def _none(name: str) -> ReplaySource:
    raise DriveError(f"{name}: no recording is replayed here")
