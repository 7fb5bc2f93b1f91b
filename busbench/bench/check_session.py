"""A guided check on a live port, step by step, for the command line and the screen.

It reads no port and no key: the caller drives the session and passes on the person's answers.
"""

from __future__ import annotations

import enum
from typing import TYPE_CHECKING

from busbench.analysis.recording import Recording
from busbench.bench.receiver import LinkState, Receiver, Reception
from busbench.bench.sign_off import Answers, Baseline, SignOff, complete
from busbench.capture.base import ENDED_MARK, CaptureInfo
from busbench.capture.frames import Span
from busbench.drive.surface_check import Word
from busbench.errors import BusbenchError
from busbench.model import Annotation, ByteLog
from busbench.rig.check import check_rig
from busbench.rig.model import Rig
from busbench.verify.procedure import TestStep, round_of
from busbench.verify.repeats import Repeat, checks_of, find_repeats
from busbench.verify.result import Check
from busbench.verify.verify import verify, verify_controls
from busbench.verify.windows import DONE_MARK
from busbench.wire.framing import FrameFinder
from busbench.wire.table import AlignmentResult

if TYPE_CHECKING:
    from busbench.sim.aircraft_port import AircraftPort


class CheckState(enum.Enum):
    """The states of a guided check: what it waits for."""

    START = enum.auto()  # the start
    READY = enum.auto()  # confirmation that the person has read the step
    LISTENING = enum.auto()  # the minimum time of the step
    RETURN = enum.auto()  # confirmation that the control is back at rest
    OVER = enum.auto()  # nothing


class CheckSession:
    """One guided check after another on one receiver of an open port; each pump drives the session."""

    def __init__(self, receiver: Receiver, rig: Rig) -> None:
        from busbench.sim.aircraft_port import AircraftPort

        port = receiver.port
        self.rig, self.steps, self.findings = rig, round_of(rig), check_rig(rig)
        self.pilot: AircraftPort | None = port if isinstance(port, AircraftPort) else None  # a virtual one
        self.state = CheckState.START
        self.recording_path: str | None = None
        self.done: SignOff | None = None
        self.at = 0
        self.begun_ns = 0  # of the step
        self.results: dict[int, tuple[Check, ...] | None] = {}  # by step; None if it was skipped
        self.repeats: tuple[Repeat, ...] = ()  # the step to repeat after the last one, and why
        self._receiver = receiver
        self._clear(None, None)
        receiver.listeners.append(self._hear)

    @property
    def step(self) -> TestStep:
        """The current step."""
        return self.steps[min(self.at, len(self.steps) - 1)]

    @property
    def left_s(self) -> float:
        """Remaining listening time."""
        return max(0.0, (self._until_ns - self._receiver.now()) / 1e9)

    @property
    def repeat_at(self) -> int | None:
        """Index of the first step to repeat after the last one, None without any."""
        marks = [step.mark for step in self.steps]
        return min((marks.index(one.mark) for one in self.repeats if one.mark in marks), default=None)

    @property
    def words(self) -> tuple[Word, ...]:
        """The answers that are possible now."""
        match self.state:
            case CheckState.READY:
                return (Word.GO, Word.SKIP, *((Word.BACK,) if self.at else ()), Word.END)
            case CheckState.LISTENING:
                return (Word.SKIP, Word.BACK, Word.END)
            case CheckState.RETURN:
                return (Word.GO, Word.SKIP, Word.BACK, Word.END)
            case _:
                return ()

    def start(
        self,
        record: str | None = None,
        *,
        force: bool = False,
        answers: Answers | None = None,
        baseline: Baseline | None = None,
    ) -> None:
        """Begin a check, from its first step.

        Args:
            record: path of a new recording of all received bytes, or None.
            force: True to overwrite an existing file.
            answers: answers of a walk, for the verdict.
            baseline: an earlier recording, for the verdict.

        Raises:
            OutputError: the recording exists, or cannot be written.
        """
        if self.state not in (CheckState.START, CheckState.OVER):
            return
        if record is not None:
            if not record.lower().endswith(".pcapng"):
                raise BusbenchError(
                    f"{record}: recordings are pcapng", hint="end the name in .pcapng, and convert it afterwards"
                )
            self._receiver.start_recording(record, force=force)
        self._clear(answers, baseline)
        self.recording_path = record
        self.state = CheckState.READY

    def hear(self, word: Word) -> None:
        """Take an answer of the person; ignored if it has no meaning now."""
        if word not in self.words:
            return
        if word is Word.END:
            self.finish()
        elif word is Word.SKIP:
            self.results.setdefault(self.at)  # a step that is finished stays finished
            self.repeats = ()
            self._next()
        elif self.state is not CheckState.READY:
            if word is Word.GO:
                self._end()
            else:
                self.state = CheckState.READY  # a repeated step replaces the earlier time
        elif word is Word.GO:
            self._begin()
        else:
            again = self.repeat_at
            self.at, self.repeats = self.at - 1 if again is None else again, ()

    def finish(self) -> None:
        """End the check and its recording; remaining steps are not tested."""
        if self.state in (CheckState.START, CheckState.OVER):
            return
        self.state = CheckState.OVER
        self._found.append(self._finder.flush())
        end_ns = self._receiver.unwritten_end_ns()
        self.stop_recording()
        found = verify(self.recording(end_ns=end_ns), self.rig)
        self.done = complete(found, answers=self._answers, baseline=self._baseline)

    def stop_recording(self) -> None:
        """End the recording, if one runs."""
        if self.recording_path is not None:
            self._receiver.stop_recording(self.recording_path)

    def close(self) -> None:
        """Stop listening; a check in progress ends without a verdict."""
        if self._hear in self._receiver.listeners:
            self._receiver.listeners.remove(self._hear)
        self.stop_recording()

    def recording(self, *, end_ns: int | None = None) -> Recording:
        """All that was received since the start; the port was read up to `end_ns`, if no byte shows it."""
        found, span = AlignmentResult.concat(self._found), self._span
        self._info.marks = self._receiver.annotations[self._notes_before :]
        last = span.last_t_ns
        if end_ns is not None:
            self._info.marks.append(Annotation(end_ns, ENDED_MARK))
            last = None if last is None else max(last, end_ns)
        span = Span(span.bytes_total, span.first_t_ns, last, list(found.ambiguous))
        return Recording(self._info, span, found.frames, found.rejects)

    def _clear(self, answers: Answers | None, baseline: Baseline | None) -> None:
        port, self._answers, self._baseline = self._receiver.port, answers, baseline
        self._info = CaptureInfo(port.source, "live", port.clock, port.start_utc_ns, port.source)
        self._finder = FrameFinder(clock=port.clock, line=port.line)
        self._found: list[AlignmentResult] = []
        self._span = Span()
        self._notes_before = len(self._receiver.annotations)
        self._until_ns = 0
        self._period_ns: float | None = None  # frame period found in an earlier step
        self.done, self.at, self.begun_ns, self.results, self.repeats = None, 0, 0, {}, ()

    def _now(self) -> int:
        return max(self._receiver.now(), self._span.last_t_ns or 0)  # a virtual receiver can run ahead of the clock

    def _begin(self) -> None:
        self.begun_ns = self._now()
        self.repeats = ()
        pilot, step = self.pilot, self.step
        least_s = step.least_s if pilot is None else pilot.begin_step(step, t_ns=self.begun_ns)
        self._until_ns = self.begun_ns + round(least_s * 1e9)
        self.state = CheckState.LISTENING
        self._receiver.annotate(self.begun_ns, self.step.mark)

    def _end(self) -> None:
        self._receiver.annotate(self._now(), DONE_MARK)
        checks: tuple[Check, ...] = ()
        if any(len(found.frames) for found in self._found):
            found = verify_controls(self.recording(), self.rig, period_ns=self._period_ns, findings=self.findings)
            self._period_ns = found.evidence.found_period_ns
            checks, self.repeats = checks_of(found, self.step), tuple(find_repeats(found, self.step))
        self.results[self.at] = checks
        self._next()

    def _next(self) -> None:
        self.at += 1
        self.state = CheckState.READY
        if self.at >= len(self.steps):
            self.finish()

    def _hear(self, came: Reception) -> None:
        if self.state in (CheckState.START, CheckState.OVER) or came.notes:
            return
        self._info.wakes += came.wakes
        log = ByteLog.from_chunks(came.chunks, offset=self._span.bytes_total)
        if len(log):
            self._span.first_t_ns = int(log.mark_t_ns[0]) if self._span.first_t_ns is None else self._span.first_t_ns
            self._span.last_t_ns = int(log.mark_t_ns[-1])
            self._span.bytes_total = log.end
            self._found.append(self._finder.feed(log))
        if self._receiver.state in (LinkState.ENDED, LinkState.LOST):
            self.finish()
        elif self.state is CheckState.LISTENING and self._receiver.now() >= self._until_ns:
            if self.step.channels and self.pilot is None:
                self.state = CheckState.RETURN
            else:
                self._end()
