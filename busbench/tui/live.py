"""A live session: the data of a port as it arrives, and its recordings."""

from __future__ import annotations

import contextlib
import time
from collections.abc import Callable, Mapping
from pathlib import Path
from time import perf_counter_ns

from busbench.bench.receiver import EventKind, LinkState, LivePort, Receiver, Reception
from busbench.errors import OutputError, PortError, pluralize
from busbench.line import Chunk
from busbench.model import Annotation
from busbench.tui.events import GrowingOutages
from busbench.tui.new_file import free_name, require_new
from busbench.tui.session import Session
from busbench.tui.timing import TimingFigures, look_at_timing
from busbench.wire.scale import Scale

# Bytes younger than this may still be on their way through an adapter and its driver.
LAG_NS = 40_000_000
TIMING_S = 60.0
_SILENT_NS = 300_000_000
_AMBIGUOUS_NS = 2_000_000_000
_HEARD_BYTES = 4_096
_TIMING_EVERY_NS = 2_000_000_000


class LiveSession(Session):
    """Polled by the screen; has no thread of its own."""

    is_live = True

    def __init__(
        self,
        port: LivePort,
        *,
        names: Mapping[int, str] | None = None,
        scale: Scale = Scale(),  # noqa: B008 - frozen
        now: Callable[[], int] = perf_counter_ns,
    ) -> None:
        super().__init__(port.source, clock=port.clock, line=port.line, names=names, scale=scale)
        self.port, self.now = port, now
        self.receiver = Receiver(port, keeps_going=True, now=now)
        self.receiver.listeners.append(self._hear)
        self.start = self.end = self.place = now()
        self._outages = GrowingOutages(self.store, start_ns=self.start)
        self._recording = ""
        self._told: list[OutputError] = []  # of recordings that could not be written on
        self._recorded_from = 0  # number of frames before
        self._recorded_since = 0  # start time of the recording
        self._size = self._sized_ns = 0  # size of the recording, and when it was read
        self._heard: list[Chunk] = []  # the first bytes, until they hold a frame
        self._heard_bytes = 0
        self._probed = 0, "", ""  # number of judged chunks, result, advice
        self.wrote = ""  # result of the recording at the end of the session
        self._ambiguous_ns = 0
        self._timing: TimingFigures | None = None
        self._timing_place = 0
        self._rung = 0
        self._is_closed = False

    @property
    def is_lost(self) -> bool:
        """True if it is lost."""
        return self.receiver.state is LinkState.LOST

    @property
    def is_unplugged(self) -> bool:
        """True while it is unplugged."""
        return self.receiver.state is LinkState.AWAY

    @property
    def recording(self) -> str:
        """Path of the running recording, or ""."""
        return self._recording if self._recording in self.receiver.recordings else ""

    @property
    def recorded_s(self) -> float:
        """Duration of the recording."""
        return (self.now() - self._recorded_since) / 1e9

    @property
    def recorded_bytes(self) -> int:
        """Size of the recording so far, read once per second."""
        if not self.recording:
            return 0
        now_ns = self.now()
        if now_ns - self._sized_ns >= 1_000_000_000:
            self._sized_ns = now_ns
            with contextlib.suppress(OSError):
                self._size = Path(self.recording).stat().st_size
        return self._size

    @property
    def unkept(self) -> list[str]:
        """See Session; a running recording is kept, but ends."""
        runs = [f"the recording {self.recording} that runs"] if self.recording else []
        return [*runs, *super().unkept]

    @property
    def no_frames(self) -> tuple[str, str]:
        """The result of `busbench probe` and advice; empty once frames arrived."""
        if len(self.store):
            return "", ""
        from busbench.analysis.line_probe import classify

        if self._probed[0] != len(self._heard) or not self._probed[1]:
            result = classify(self._heard, clock=self.clock, line=self.line)
            self._probed = len(self._heard), result.says, result.advice
        return self._probed[1:]

    @property
    def link(self) -> str:
        """The state of the link now."""
        if self.is_lost:
            return "port lost"
        if self.is_unplugged:
            return "unplugged"
        if self.receiver.state is LinkState.ENDED:
            return "ended"
        if self.end - (self.receiver.last_t_ns or 0) > _SILENT_NS:
            return "silent"
        if self._ambiguous_ns and self.end - self._ambiguous_ns < _AMBIGUOUS_NS:
            return "ambiguous"
        if self.is_moving and len(self.store) and self.age_s > self.stale_s and self.receiver.is_in_sync:
            return "no frame"
        return "in sync" if self.receiver.is_in_sync else "out of sync"

    def tick(self, dt_s: float) -> None:
        """Take new data."""
        del dt_s
        if self.is_lost or self._is_closed:
            return
        looked_ns = self.now()
        try:
            self.receiver.pump(0)
        except PortError as error:
            self.notice = str(error)
            self.stop_recording(why=self.notice)
            self.receiver.finish()
            return
        if self.receiver.state is not LinkState.ENDED:
            self.end = max(self.end, looked_ns - LAG_NS)
        self.end = max(self.end, self.receiver.last_t_ns or 0)
        if self.is_moving:
            self.place = self.end

    def refresh(self) -> None:
        """Update outages."""
        self._outages.update(self.end)
        self.losses, self.events = self._outages.losses, self._outages.events
        self.refresh_glitches()

    def timing(self) -> TimingFigures | None:
        """Timing of the last minute before the place; updated every two seconds at most."""
        hi = self.row + 1
        if hi > 2 and abs(self.place - self._timing_place) >= _TIMING_EVERY_NS:
            self._timing_place = self.place
            lo = max(0, self.store.row_at(self.place - round(TIMING_S * 1e9)))
            times, scope = self.store.times(lo, hi), f"last {TIMING_S:.0f} s"
            wakes = self.receiver.wakes[-2 * round(TIMING_S) :]
            self._timing = look_at_timing(times, clock=self.clock, wakes=wakes, scope=scope)
        return self._timing

    def takes_alarm(self) -> bool:
        """True once after each new loss of frames."""
        rings = self.losses.missed > self._rung
        self._rung = self.losses.missed
        return rings

    def start_recording(self, path: str) -> None:
        """Record all data from now on to a new file (raises OutputError: it exists or cannot be written)."""
        require_new(path)
        self.receiver.start_recording(path)
        self._recording = path
        self._recorded_from, self._recorded_since = len(self.store), self.now()
        self._size = self._sized_ns = 0
        self.notice = f"recording to {path}"

    def stop_recording(self, *, why: str = "") -> None:
        """End the running recording, if any."""
        if not self.recording:
            return
        frames = pluralize(len(self.store) - self._recorded_from, "frame")
        self.receiver.stop_recording(self._recording)
        wrote = f"wrote {self._recording} ({frames})"
        self.notice = f"{why}; {wrote}" if why else wrote
        for error in self._record_errors():
            self.notice = str(error)

    def mark(self, place: int, text: str) -> None:
        """Set an annotation at a place, and in the running recording."""
        self.receiver.annotate(place, text)
        for error in self._record_errors():
            raise error

    def close(self) -> None:
        """End the recording and close the port."""
        self._is_closed = True
        if self.recording:
            self.stop_recording()
            self.wrote = self.notice
        for path in self.receiver.recordings:  # of a guided check
            self.receiver.stop_recording(path)
            self.wrote = "; ".join(filter(None, (self.wrote, f"wrote {path}")))
        self.port.close()
        super().close()

    def _hear(self, came: Reception) -> None:
        if len(self.store):
            self._heard = []
        elif self._heard_bytes < _HEARD_BYTES:
            self._heard += came.chunks
            self._heard_bytes += sum(len(chunk.data) for chunk in came.chunks)
        self.store.add(came.found.frames, came.found.rejects)
        self._outages.add(came.found)
        if came.found.ambiguous:
            self._ambiguous_ns = max(self.receiver.last_t_ns or 0, 1)
        for event in came.events:
            self.notice = event.text
            if event.kind in (EventKind.UNPLUGGED, EventKind.RECONNECTED):
                self.marks = [*self.marks, Annotation(event.t_ns, event.text)]
        for note in came.notes:
            super().mark(note.t_ns, note.text)
        # A full disk ends the recording, not the session, which reports the error.
        for error in () if came.notes else self._record_errors():
            self.notice = str(error)

    def _record_errors(self) -> list[OutputError]:
        errors = [error for error in self.receiver.record_errors.values() if error not in self._told]
        self._told += errors
        return errors


def recording_name(*, now_s: float | None = None) -> str:
    """A free name for a new recording in the current folder."""
    return free_name(time.strftime("bench-%Y%m%d-%H%M%S.pcapng", time.localtime(now_s)))
