"""A recording as a session: loaded in the background, played, searched and cut."""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Mapping
from pathlib import Path

from busbench.analysis.recording import Recording, RecordingTimes, read_recording
from busbench.bench.convert import write_part
from busbench.capture.annotations import read_annotations, write_annotations
from busbench.capture.base import CHOICE, Capture, ReadOptions
from busbench.capture.frames import Span, read_frames
from busbench.capture.open import open_capture
from busbench.errors import CaptureError, OutputError, pluralize, require_kind
from busbench.model import Annotation, Rejects
from busbench.tui.events import Events
from busbench.tui.new_file import require_new
from busbench.tui.session import Session
from busbench.tui.timing import TimingFigures, look_at_timing
from busbench.wire.scale import Scale


class ReplaySession(Session):
    """A recording."""

    def __init__(
        self,
        capture: Capture,
        *,
        options: ReadOptions = ReadOptions(),  # noqa: B008 - frozen
        names: Mapping[int, str] | None = None,
        scale: Scale = Scale(),  # noqa: B008 - frozen
    ) -> None:
        info = capture.info
        super().__init__(info.path, clock=info.clock, line=options.line, names=names, scale=scale)
        self._capture, self.options = capture, options
        self._span = Span()
        self._is_closing = threading.Event()
        self._idle = threading.Event()
        self._idle.set()
        self._timing: TimingFigures | None = None
        self._notes: list[Annotation] = []  # annotations made here, now or earlier; kept in a file beside the recording
        self._notes_error = ""  # why that file is not written
        self.is_loaded = False
        self.format = info.format
        self.title = info.origin.unit or (info.source if options.interface is not None else info.path)
        self.start_utc_ns = info.start_utc_ns

    def load(self) -> None:
        """Read the recording in a thread; what was read so far can be shown meanwhile."""
        self._idle.clear()
        try:
            self._load()
        except CaptureError as error:
            self.notice = str(error)
            self.is_loaded = True
        finally:
            self._idle.set()

    def _load(self) -> None:
        rejects, span = [], self._span
        for found in read_frames(self._capture, span=span, line=self.line):
            if self._is_closing.is_set():
                return
            rejects.append(found.rejects)
            self.store.add(found.frames, found.rejects)
            self._see_ends()
        times = self.store.times(0, len(self.store))
        info, first_offset = self._capture.info, self.store.first_offset(0)
        timeline = RecordingTimes(info, span, times, Rejects.concat(rejects), first_offset)
        outages = timeline.outages(clock=self.clock)
        self.losses = outages
        self.events = Events.of(outages.events, store=self.store, start_ns=self.start).prepare()
        self.marks = sorted([*self.marks, *info.marks, *self._kept_notes()], key=lambda one: one.t_ns)
        notes = [note for note in info.notes if self.options.interface is None or not note.startswith(CHOICE)]
        if said := [*notes, *filter(None, [self._notes_error])]:
            self.notice = "; ".join(said)
        if not outages.frames:
            self.notice = "no frames in it: a wrong rate or polarity, or another line?"
        self.is_loaded = True
        if self.unkept_marks:
            with contextlib.suppress(OutputError):  # the user is asked before leaving
                self._write_notes()
        if len(times) and not self._is_closing.is_set():
            self._timing = look_at_timing(times, clock=self.clock, wakes=info.wakes, scope="whole recording")

    def _kept_notes(self) -> list[Annotation]:
        """Annotations of the file beside the recording; an invalid file is reported and left unchanged."""
        try:
            kept = read_annotations(self.path, start_ns=self._notes_start)
        except CaptureError as error:
            self._notes_error = str(error)
            return []
        self._notes = [*kept, *self._notes]
        return kept

    @property
    def _notes_start(self) -> int | None:
        return self.start if self.clock.is_known else None

    def mark(self, place: int, text: str) -> None:
        """Set an annotation at a position, and write it to the file beside the recording.

        Raises:
            BusbenchError: writing failed; it is kept here.
        """
        super().mark(place, text)
        self._notes = sorted([*self._notes, Annotation(place, text)], key=lambda one: one.t_ns)
        self.unkept_marks += 1
        if self.is_loaded:
            self._write_notes()

    def _write_notes(self) -> None:
        if self._notes_error:
            raise OutputError(self.path, "the annotation is not kept", hint=self._notes_error)
        if self.path == "-":
            raise OutputError("-", "the annotation is not kept", hint="keep the recording in a file first")
        write_annotations(self.path, self._notes, start_ns=self._notes_start)
        self.unkept_marks = 0

    def _see_ends(self) -> None:
        if self.clock.is_known:
            first, last = self._span.first_t_ns, self._span.last_t_ns
            if first is None or last is None:
                return
            if not self.end:
                self.start = self.place = first
            self.end = last
        else:
            self.end = max(0, len(self.store) - 1)

    @property
    def progress(self) -> str:
        """Progress of reading, for people; empty at the end."""
        if self.is_loaded:
            return ""
        try:
            share = f", {min(1.0, self._span.bytes_total / self._payload_bytes):.0%}"
        except OSError:
            share = ""
        return f"reading: {pluralize(len(self.store), 'frame')}{share}"

    @property
    def _payload_bytes(self) -> float:
        # A packet of one frame takes 60 bytes of a pcapng file, a byte of a CSV about 20.
        whole = max(1, Path(self.source).stat().st_size)
        return whole * {"pcapng": 25 / 60, "raw bytes": 1.0}.get(self.format, 0.06)

    @property
    def path(self) -> str:
        """File of the recording."""
        return self._capture.info.path

    def read_whole(self) -> Recording:
        """Read the recording again, with everything that checks need (raises CaptureError: it cannot be read again)."""
        if self._capture.info.path == "-":
            raise CaptureError("-", "cannot be read a second time", hint="keep it in a file first")
        return read_recording(self._capture.info.path, options=self.options)

    @property
    def is_at_end(self) -> bool:
        """True if nothing comes after the position."""
        return self.is_loaded and len(self.store) > 0 and self.place >= self.end

    def tick(self, dt_s: float) -> None:
        """Continue playing."""
        if self.is_moving and len(self.store):
            self.place = min(self.end, self.place + round(dt_s * self.pace * self.store.ticks_per_s))
            if self.place == self.end and self.is_loaded:
                self.is_moving = False

    def toggle(self) -> None:
        """Play or pause; at the end, play from the start."""
        super().toggle()
        if self.is_moving and self.place >= self.end:
            self.place = self.start

    def refresh(self) -> None:
        """Update glitches near the position."""
        self.refresh_glitches()

    def timing(self) -> TimingFigures | None:
        """Timing of the whole recording."""
        return self._timing

    @property
    def link(self) -> str:
        """The state of the link at the position."""
        if not len(self.store):
            return "no frames" if self.is_loaded else "reading"
        row = self.row
        offset = int(self.store.offset[row]) if row >= 0 else 0
        if any(start <= offset < end for start, end in self._span.ambiguous):
            return "ambiguous"
        at = self.events.at(self.place)
        if at is None or not self.events.items[at].missing:
            return "in sync"
        return "out of sync" if self.events.items[at].kind == "damaged" else "silent"

    def export(self, path: str) -> str:
        """Write the cut to a new pcapng file; reads the recording again.

        Raises:
            OutputError: no cut, or the file cannot be written.
        """
        if self.cut_in is None or self.cut_out is None:
            raise OutputError(path, "there is no cut", hint="set its start with i and its end with o")
        first, last = max(0, self.store.row_at(self.cut_in)), self.store.row_at(self.cut_out)
        if last < first:
            raise OutputError(path, "there is no frame in the cut", hint="set it wider")
        require_kind(path, suffix=".pcapng", what="a recording", then="`busbench convert` writes other formats")
        require_new(path)
        lo, hi = int(self.store.offset[first]), int(self.store.offset[last]) + 25
        self._idle.clear()
        try:
            with open_capture(self.source, options=self.options) as again:
                write_part(
                    again, path, bytes_=(lo, hi), times=(self.cut_in, self.cut_out), line=self.line,
                    marks=self.marks, check=lambda: self._require_open(path),
                )  # fmt: skip
        finally:
            self._idle.set()
        return f"wrote {path} ({pluralize(last - first + 1, 'frame')})"

    def _require_open(self, path: str) -> None:
        if self._is_closing.is_set():
            raise OutputError(path, "was not written: the screen was left before its end")

    def close(self) -> None:
        """Stop reading, and close the file."""
        self._is_closing.set()
        self._idle.wait(5)
        self._capture.close()
        super().close()
