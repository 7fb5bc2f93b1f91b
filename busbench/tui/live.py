"""A live session: what a port gives, as it comes, and a recording of it on the side."""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping, Sequence
from time import perf_counter_ns

from busbench.capture.pcapng_write import PcapngWriter
from busbench.errors import BusbenchError, CaptureError, PortError, pluralize
from busbench.model import Annotation, ByteLog, Chunk
from busbench.port.port import EventKind, LivePort, PortEvent
from busbench.tui.events import GrowingOutages
from busbench.tui.growing_array import give_back_what_is_freed
from busbench.tui.new_file import require_new
from busbench.tui.session import Session
from busbench.tui.timing import TimingFigures, look_at_beat
from busbench.wire.framing import FrameFinder
from busbench.wire.scale import Scale
from busbench.wire.table import AlignmentResult

# Bytes younger than this may still be on their way through an adapter and its driver.
LAG_NS = 40_000_000
BEAT_S = 60.0
_SILENT_NS = 300_000_000
_AMBIGUOUS_NS = 2_000_000_000
_BEAT_EVERY_NS = 2_000_000_000


class LiveSession(Session):
    """Polled by whoever shows it; no thread of its own.

    Args:
        port: an open port; is closed with the session.
        names: channel names by channel from 1.
        scale: what counts mean.
        now: the clock of the port's chunks.
    """

    is_live = True

    def __init__(
        self,
        port: LivePort,
        *,
        names: Mapping[int, str] | None = None,
        scale: Scale = Scale(),  # noqa: B008 - frozen
        now: Callable[[], int] = perf_counter_ns,
    ) -> None:
        give_back_what_is_freed()
        super().__init__(port.source, clock=port.clock, line=port.line, names=names, scale=scale)
        self.port, self.now = port, now
        self.listeners: list[Callable[[Sequence[Chunk]], None]] = []  # called at each tick with what came
        self._finder = FrameFinder(clock=port.clock, line=port.line)
        self.start = self.end = self.place = now()
        self._outages = GrowingOutages(self.store, start_ns=self.start)
        self._writer: PcapngWriter | None = None
        self._recorded_from = 0  # frames that had come before
        self.wrote = ""  # what became of the recording that ran when the session was closed
        self._bytes = 0
        self._last_byte_ns = 0
        self._ambiguous_ns = 0
        self._beat: TimingFigures | None = None
        self._beat_place = 0
        self._rung = 0
        self._is_closed = False
        self.unplugged = 0
        self.is_unplugged = self.is_lost = False

    @property
    def recording(self) -> str:
        """Path of the recording that runs, or an empty string."""
        return "" if self._writer is None else self._writer.path

    @property
    def link(self) -> str:
        """The link now."""
        if self.is_lost:
            return "port lost"
        if self.is_unplugged:
            return "unplugged"
        if self.port.has_ended:
            return "ended"
        if self.end - self._last_byte_ns > _SILENT_NS:
            return "silent"
        if self._ambiguous_ns and self.end - self._ambiguous_ns < _AMBIGUOUS_NS:
            return "ambiguous"
        return "in step" if self._finder.is_in_step else "searching"

    def tick(self, dt_s: float) -> None:
        """Take what came."""
        del dt_s
        if self.is_lost or self._is_closed:
            return
        looked_ns = self.now()
        try:
            chunks = self.port.read(0)
        except PortError as error:
            self.is_lost = True
            self.notice = str(error)
            self._take(self._finder.flush())
            self.stop_recording(why=self.notice)
            self._tell(())
            return
        events = self.port.events()
        for event in events:
            self._note(event.kind, event.t_ns, event.text)
        self._write_down(chunks, events)
        if chunks:
            log = ByteLog.from_chunks(chunks, offset=self._bytes)
            self._bytes = log.end
            if log.mark_t_ns.size:
                self._last_byte_ns = int(log.mark_t_ns[-1])
            self._take(self._finder.feed(log))
        self._tell(chunks)
        if not self.port.has_ended:
            self.end = max(self.end, looked_ns - LAG_NS)
        self.end = max(self.end, self._last_byte_ns)
        if self.is_moving:
            self.place = self.end

    def refresh(self) -> None:
        """Bring outages up to date."""
        self._outages.update(self.end)
        self.losses, self.events = self._outages.losses, self._outages.events
        self.refresh_glitches()

    def beat(self) -> TimingFigures | None:
        """The beat of the last minute before the place; measured anew every two seconds at most."""
        hi = self.row + 1
        if hi > 2 and abs(self.place - self._beat_place) >= _BEAT_EVERY_NS:
            self._beat_place = self.place
            lo = max(0, self.store.row_at(self.place - round(BEAT_S * 1e9)))
            self._beat = look_at_beat(self.store.times(lo, hi), clock=self.clock, scope=f"last {BEAT_S:.0f} s")
        return self._beat

    def takes_alarm(self) -> bool:
        """True once after each time that further frames were lost."""
        rings = self.losses.missed > self._rung
        self._rung = self.losses.missed
        return rings

    def start_recording(self, path: str) -> None:
        """Write all that comes from now on to a new file.

        Raises:
            CaptureError: it exists or cannot be written.
        """
        require_new(path)
        port = self.port
        self._writer = PcapngWriter(
            path, port=port.source, line=self.line, clock=port.clock, start_utc_ns=port.start_utc_ns
        )
        self._recorded_from = len(self.store)
        self.notice = f"recording to {path}"

    def stop_recording(self, *, why: str = "") -> None:
        """End the recording that runs, if one does."""
        writer, self._writer = self._writer, None
        if writer is None:
            return
        frames = pluralize(len(self.store) - self._recorded_from, "frame")
        try:
            writer.close()
            self.notice = f"{why}; wrote {writer.path} ({frames})" if why else f"wrote {writer.path} ({frames})"
        except CaptureError as error:
            self.notice = str(error)

    def mark(self, place: int, text: str) -> None:
        """Set a word at a place, and in the recording that runs."""
        super().mark(place, text)
        if self._writer is not None:
            try:
                self._writer.mark(place, text)
            except CaptureError:
                self._writer = None
                raise

    def close(self) -> None:
        """End the recording and close the port."""
        self._is_closed = True
        if self.recording:
            self.stop_recording()
            self.wrote = self.notice
        self.port.close()
        super().close()

    def _tell(self, chunks: Sequence[Chunk]) -> None:
        for hear in tuple(self.listeners):
            hear(chunks)

    def _take(self, found: AlignmentResult) -> None:
        self.store.add(found.frames, found.rejects)
        self._outages.add(found.rejects)
        if found.ambiguous:
            self._ambiguous_ns = max(self._last_byte_ns, 1)

    def _note(self, kind: EventKind, t_ns: int, text: str) -> None:
        if kind is EventKind.OPENED:
            return
        self.notice = text
        if kind is EventKind.UNPLUGGED:
            self.unplugged += 1
            self.is_unplugged = True
        elif kind is EventKind.RECONNECTED:
            self.is_unplugged = False
        if kind in (EventKind.UNPLUGGED, EventKind.RECONNECTED):
            self.marks = [*self.marks, Annotation(t_ns, text)]

    def _write_down(self, chunks: Sequence[Chunk], events: Sequence[PortEvent]) -> None:
        """Put what came into the recording that runs; a disk that is full ends the recording, not the session."""
        if self._writer is None:
            return
        try:
            for chunk in chunks:
                self._writer.write(chunk)
            for event in events:
                if event.kind is not EventKind.OPENED:
                    self._writer.mark(event.t_ns, event.text)
            self._writer.tick()
        except CaptureError as error:
            self._writer = None
            self.notice = str(error)


def recording_name(*, now_s: float | None = None) -> str:
    """A name for a new recording in the current folder."""
    return time.strftime("bench-%Y%m%d-%H%M%S.pcapng", time.localtime(now_s))


__all__ = ["BusbenchError", "LiveSession", "recording_name"]
