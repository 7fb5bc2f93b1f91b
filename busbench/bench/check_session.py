"""A guided check on a live port: takes what was received, and the words of the person, and gives checks.

Nothing here reads a port or a key: whoever leads the session, in text or in the terminal UI, hands them in.
"""

from __future__ import annotations

from collections.abc import Sequence

from busbench.analysis.recording import Recording
from busbench.capture.base import CaptureInfo
from busbench.capture.frames import Span
from busbench.capture.pcapng_write import PcapngWriter
from busbench.model import BUS_LINE, Annotation, ByteLog, Chunk, Clock, LineSettings, WakeUps
from busbench.rig.model import Rig
from busbench.verify.marks import DONE_MARK
from busbench.verify.procedure import TestStep, round_of
from busbench.verify.repeats import Repeat, checks_of, find_repeats
from busbench.verify.result import Check
from busbench.verify.verify import Verification, verify
from busbench.wire.framing import FrameFinder
from busbench.wire.table import AlignmentResult


class CheckSession:
    """One guided round.

    Args:
        rig: the plan.
        source: name of the port.
        clock: of its chunks.
        start_utc_ns: Unix time of the clock's zero, where known.
        line: how the line is set.
    """

    def __init__(
        self, rig: Rig, *, source: str, clock: Clock, start_utc_ns: int | None = None, line: LineSettings = BUS_LINE
    ) -> None:
        self.rig = rig
        self.steps = round_of(rig)
        self.info = CaptureInfo(source, "live", clock, start_utc_ns, source)
        self._line = line
        self._chunks: list[Chunk] = []
        self._finder = FrameFinder(clock=clock, line=line)
        self._found: list[AlignmentResult] = []
        self._span = Span()
        self.repeats: tuple[Repeat, ...] = ()  # what the step that ended last asks to do again

    @property
    def repeat_at(self) -> int | None:
        """Index of the first step that the one that ended last asks to do again, None where there is none."""
        marks = [step.mark for step in self.steps]
        return min((marks.index(one.mark) for one in self.repeats if one.mark in marks), default=None)

    @property
    def last_t_ns(self) -> int:
        """Time of the last byte, 0 before the first."""
        return self._span.last_t_ns or 0

    @property
    def frames(self) -> int:
        """Frames so far."""
        return sum(len(found.frames) for found in self._found)

    def feed(self, chunks: Sequence[Chunk], *, wakes: Sequence[WakeUps] = ()) -> None:
        """Take what was received, and how late the computer was meanwhile."""
        self.info.wakes += wakes
        log = ByteLog.from_chunks(chunks, offset=self._span.bytes_total)
        if not len(log):
            return
        if self._span.first_t_ns is None:
            self._span.first_t_ns = int(log.mark_t_ns[0])
        self._span.last_t_ns = int(log.mark_t_ns[-1])
        self._span.bytes_total = log.end
        self._chunks += chunks
        self._found.append(self._finder.feed(log))

    def save(self, path: str) -> None:
        """Write all that was received, with the marks, to a new recording: what a page stands on.

        Raises:
            OutputError: it is there already, or cannot be written.
        """
        info = self.info
        marks = sorted(info.marks, key=lambda mark: mark.t_ns)
        with PcapngWriter(
            path, port=info.source, line=self._line, clock=info.clock, start_utc_ns=info.start_utc_ns, is_whole=True
        ) as writer:
            for chunk in self._chunks:
                while marks and marks[0].t_ns <= chunk.t_ns:
                    writer.mark(marks[0].t_ns, marks.pop(0).text)
                writer.write(chunk)
            for mark in marks:
                writer.mark(mark.t_ns, mark.text)
            writer.write_wakes(info.wakes)

    def note(self, text: str, *, t_ns: int) -> None:
        """Something happened beside the steps, as an adapter that was unplugged."""
        self.info.marks.append(Annotation(t_ns, text))

    def begin(self, step: TestStep, *, t_ns: int) -> None:
        """A step begins; beginning one again puts the later time in place of the earlier."""
        self.info.marks.append(Annotation(t_ns, step.mark))
        self.repeats = ()

    def end(self, step: TestStep, *, t_ns: int) -> tuple[Check, ...]:
        """A step has ended; see `repeats` for what to do again.

        Returns:
            The checks that can be made by now: of a control's channels, of what rests after the first step, of the
            failsafe and of power-up after their last.
        """
        self.info.marks.append(Annotation(t_ns, DONE_MARK))
        self.repeats = ()
        if not self.frames:
            return ()
        found = verify(self.recording(), self.rig)
        self.repeats = tuple(find_repeats(found, step))
        return checks_of(found, step)

    def recording(self, *, until_ns: int | None = None) -> Recording:
        """All that was received so far.

        Args:
            until_ns: time up to which the port was heard, so that silence at the end counts.
        """
        found = AlignmentResult.concat(self._found)
        last = self._span.last_t_ns
        if until_ns is not None and last is not None:
            last = max(last, until_ns)
        span = Span(self._span.bytes_total, self._span.first_t_ns, last, list(found.ambiguous))
        return Recording(self.info, span, found.frames, found.rejects)

    def finish(self, *, t_ns: int) -> Verification:
        """The round is over.

        Args:
            t_ns: time up to which the port was heard.

        Returns:
            All checks; of steps that were left out, not tested.
        """
        self._found.append(self._finder.flush())
        return verify(self.recording(until_ns=t_ns), self.rig)
