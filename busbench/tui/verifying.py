"""A check against the plan as the screen needs it: a guided round on a live source, or a recording held against it.

Nothing here knows of a screen, and nothing is sent.
"""

from __future__ import annotations

import enum
from pathlib import Path

from busbench.bench.check_session import CheckSession as Round
from busbench.bench.receiver import Reception
from busbench.bench.sign_off import SignOff, find_answers, pulse_outputs, sign_off, with_answers
from busbench.errors import BusbenchError, require_kind
from busbench.output_file import write_output
from busbench.rig.check import check_rig
from busbench.rig.model import Rig
from busbench.sim.aircraft_port import AircraftPort
from busbench.tui.live import LiveSession
from busbench.tui.new_file import require_new
from busbench.tui.replay import ReplaySession
from busbench.verify.marks import DONE_MARK
from busbench.verify.procedure import TestStep
from busbench.verify.result import Check


class Stage(enum.Enum):
    """What a guided round waits for."""

    START = enum.auto()  # the word to begin
    READY = enum.auto()  # the word that the person has read what to do
    LISTENING = enum.auto()  # the least time of the step
    RETURN = enum.auto()  # the word that the control is back at rest
    OVER = enum.auto()  # nothing


class GuidedRound:
    """One round on a live source.

    Args:
        live: what is watched; its ticks drive the round.
        rig: the plan.
        rig_path: its file.
    """

    def __init__(self, live: LiveSession, rig: Rig, *, rig_path: str) -> None:
        self.live, self.rig, self.findings, self._rig_path = live, rig, check_rig(rig), rig_path
        self.stage = Stage.START
        self.at = 0
        self.since_row = 0  # first frame of the step
        self.done: SignOff | None = None
        self.results: dict[int, tuple[Check, ...] | None] = {}  # by step; None where it was skipped
        self.repeats: tuple[str, ...] = ()  # what the step before asks to do again, and why
        self._round = self._anew()
        self._until_ns = 0
        self.pilot = live.port if isinstance(live.port, AircraftPort) else None  # a virtual one does what is asked
        live.receiver.listeners.append(self._hear)

    @property
    def steps(self) -> tuple[TestStep, ...]:
        """All steps."""
        return self._round.steps

    @property
    def step(self) -> TestStep:
        """The step where it stands."""
        return self.steps[min(self.at, len(self.steps) - 1)]

    @property
    def left_s(self) -> float:
        """Time for which it still listens."""
        return max(0.0, (self._until_ns - self.live.now()) / 1e9)

    def go_on(self) -> None:
        """The person has done what was asked, or has read what to do."""
        match self.stage:
            case Stage.START | Stage.OVER:
                self._round = self._anew()
                self.done, self.results, self.repeats, self.at = None, {}, (), 0
                self.stage = Stage.READY
            case Stage.READY:
                self._begin()
            case Stage.RETURN:
                self._end()
            case Stage.LISTENING:
                pass  # it goes on by itself

    def back(self) -> None:
        """Begin the step anew, or the one before where this one has not begun."""
        if self.stage in (Stage.LISTENING, Stage.RETURN):
            self.stage = Stage.READY
        elif self.stage is Stage.READY:
            again = self._round.repeat_at if self.repeats else None
            self.at = max(0, self.at - 1) if again is None else again
            self.repeats = ()

    def skip(self) -> None:
        """Leave the step out; it is not tested."""
        if self.stage in (Stage.READY, Stage.LISTENING, Stage.RETURN):
            self.results[self.at], self.repeats = None, ()
            self._next()

    def finish(self) -> None:
        """End the round; steps that did not come are not tested."""
        if self.stage in (Stage.READY, Stage.LISTENING, Stage.RETURN):
            found = self._round.finish(t_ns=self._now())
            self.done = with_answers(found, find_answers(self.rig, rig_path=self._rig_path))
            self.stage = Stage.OVER

    def save(self, path: str) -> None:
        """Write what was received to a new recording.

        Raises:
            CaptureError: it is there already, or cannot be written.
        """
        self._round.save(path)

    def close(self) -> None:
        """Hear no more."""
        if self._hear in self.live.receiver.listeners:
            self.live.receiver.listeners.remove(self._hear)

    def _anew(self) -> Round:
        live = self.live
        utc_ns = live.port.start_utc_ns
        return Round(self.rig, source=live.source, clock=live.clock, start_utc_ns=utc_ns, line=live.line)

    def _now(self) -> int:
        return max(self.live.now(), self._round.last_t_ns)  # a virtual receiver may run ahead of the clock

    def _begin(self) -> None:
        t_ns = self._now()
        self._round.begin(self.step, t_ns=t_ns)
        self.repeats = ()
        self.live.mark(t_ns, self.step.mark)
        self.since_row = len(self.live.store)
        least_s = self.step.least_s if self.pilot is None else self.pilot.begin_step(self.step)
        self._until_ns = t_ns + round(least_s * 1e9)
        self.stage = Stage.LISTENING

    def _end(self) -> None:
        t_ns = self._now()
        self.results[self.at] = self._round.end(self.step, t_ns=t_ns)
        self.live.mark(t_ns, DONE_MARK)
        self.repeats = tuple(repeat.message for repeat in self._round.repeats)
        self._next()

    def _next(self) -> None:
        self.at += 1
        self.stage = Stage.READY
        if self.at >= len(self.steps):
            self.finish()

    def _hear(self, came: Reception) -> None:
        if self.stage in (Stage.START, Stage.OVER):
            return
        self._round.feed(came.chunks, wakes=came.wakes)
        for event in came.events:
            self._round.note(event.text, t_ns=event.t_ns)
        if self.live.port.has_ended or self.live.is_lost:
            self.finish()
        elif self.stage is Stage.LISTENING and self.live.now() >= self._until_ns:
            if self.step.channels and self.pilot is None:
                self.stage = Stage.RETURN
            else:
                self._end()


class RecordedCheck:
    """A recording held against the plan; `work` takes a while and runs beside the screen.

    Args:
        session: the recording.
        rig: the plan.
        rig_path: its file.
    """

    def __init__(self, session: ReplaySession, rig: Rig, *, rig_path: str) -> None:
        self._session, self._rig, self._rig_path = session, rig, rig_path
        self.done: SignOff | None = None
        self.error = ""

    def work(self) -> None:
        """Read it and make the checks."""
        try:
            answers = find_answers(self._rig, rig_path=self._rig_path)
            pulses = pulse_outputs(self._session.path, self._session.options)
            recording = self._session.read_whole()
        except BusbenchError as error:
            self.error = str(error)
            return
        self.done = sign_off(recording, self._rig, answers=answers, pulses=pulses)


def write_page(work: GuidedRound | RecordedCheck, path: str, *, source: str, rig_path: str) -> str:
    """Write the page to print and sign to a new file; of a guided round also what it stands on, beside it.

    Answers of a walk that were kept for this rig file stand on it too.

    Args:
        work: what was checked.
        path: the file.
        source: port or recording.
        rig_path: the rig file.

    Returns:
        For people: what was written.

    Raises:
        BusbenchError: one of them is there already, or cannot be written.
    """
    done = work.done
    if done is None:
        raise BusbenchError("there is no page before the end")
    require_kind(path, suffix=".html", what="HTML", then="a browser prints it to PDF")
    require_new(path)
    kept, beside = (source if Path(source).is_file() else None), ""
    if done.answers is not None:
        beside = f", with the answers of {done.answers.path}"
    if isinstance(work, GuidedRound):
        kept = str(Path(path).with_suffix(".pcapng"))
        require_new(kept)
        work.save(kept)
        beside += f"; beside it {kept}, which it names"
    text = done.page(source=source, recording_path=kept, rig_path=rig_path)
    write_output(path, text)
    return f"wrote {path} (page to print and sign{beside})"
