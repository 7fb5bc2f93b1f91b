"""The pump of every live source: reads the port, notes its events, finds frames, and records."""

from __future__ import annotations

import contextlib
import enum
from collections.abc import AsyncIterator, Callable, Generator
from dataclasses import dataclass
from functools import partial
from time import perf_counter_ns
from typing import Self

from busbench.bench.recorder import SILENT_NS, Recorder, line_of_port
from busbench.errors import OutputError, PortError
from busbench.line import Chunk, WakeUps
from busbench.model import Annotation, ByteLog
from busbench.port.port import EventKind, LivePort, PortEvent
from busbench.wire.framing import FrameFinder
from busbench.wire.table import AlignmentResult, FrameTable

__all__ = ["EventKind", "LinkState", "LivePort", "PortEvent", "Receiver", "Reception"]

LOOK_S = 0.2


class LinkState(enum.Enum):
    """The state of a receiver's port.

    Attributes:
        OPEN: plugged in and read.
        AWAY: unplugged; it may come back.
        ENDED: the source has ended.
        LOST: the port is lost.
    """

    OPEN = enum.auto()
    AWAY = enum.auto()
    ENDED = enum.auto()
    LOST = enum.auto()


@dataclass(frozen=True, slots=True)
class Reception:
    """The result of one read of the port.

    Args:
        chunks: bytes with the times of their reads.
        log: the same as one log, with stream offsets.
        events: events of the port.
        found: the frames decided now, and the bytes in none.
        wakes: lateness of the reading process meanwhile.
        notes: annotations set meanwhile.
    """

    chunks: tuple[Chunk, ...]
    log: ByteLog
    events: tuple[PortEvent, ...]
    found: AlignmentResult
    wakes: tuple[WakeUps, ...] = ()
    notes: tuple[Annotation, ...] = ()


Listener = Callable[[Reception], None]


class Receiver:
    """Frames of a live source as they arrive; iterate over it with `for` or `async for`.

    Args:
        port: an open port; the receiver does not close it.
        record: path of a new pcapng recording of all received bytes, or None.
        force: True writes over a recording that exists.
        unit: the receiver or aircraft, written into recordings.
        note: a note about the whole recording, written into recordings.
        keeps_going: if True, a failed recording ends and receiving continues;
            the cause is kept in `record_errors`. If False, it is raised.
        now: clock of the port's times, in ns; None for that of real ports.

    Raises:
        OutputError: the recording exists, or cannot be written.
    """

    def __init__(
        self,
        port: LivePort,
        *,
        record: str | None = None,
        force: bool = False,
        unit: str = "",
        note: str = "",
        keeps_going: bool = False,
        now: Callable[[], int] | None = None,
    ) -> None:
        self.port, self.now = port, perf_counter_ns if now is None else now
        self.listeners: list[Listener] = []
        self.state = LinkState.OPEN
        self.wakes: list[WakeUps] = []
        self.annotations: list[Annotation] = []  # unplugged, plugged in, and annotations
        self.bytes_total = self.frames_total = 0
        self.first_t_ns: int | None = None
        self.last_t_ns: int | None = None
        self.away_ns = 0  # without a port, until it was back
        self.times_away = 0
        self.record_errors: dict[str, OutputError] = {}  # by path
        self._keeps_going, self._unit, self._note_text = keeps_going, unit, note
        self._gone_ns: int | None = None
        self._finder = FrameFinder(clock=port.clock, line=port.line)
        self._recorders: dict[str, Recorder] = {}
        if record is not None:
            self.start_recording(record, force=force)

    @property
    def is_in_sync(self) -> bool:
        """True if the last bytes were frames."""
        return self._finder.is_in_sync

    @property
    def recordings(self) -> tuple[str, ...]:
        """Paths of the running recordings."""
        return tuple(self._recorders)

    def start_recording(self, path: str, *, force: bool = False) -> None:
        """Record all bytes from now on; several recordings may run.

        Args:
            path: the new file.
            force: True writes over one that exists.

        Raises:
            OutputError: it exists, or cannot be written.
        """
        self.record_errors.pop(path, None)
        line = line_of_port(self.port, unit=self._unit, note=self._note_text)
        self._recorders[path] = Recorder(path, [line], start_utc_ns=self.port.start_utc_ns, force=force, now=self.now)

    def stop_recording(self, path: str) -> None:
        """End a recording, if it runs, and note up to when the port was read.

        Raises:
            OutputError: its end could not be written (unless keeps_going).
        """
        if (recorder := self._recorders.pop(path, None)) is not None:
            self._attempt(path, partial(_end, recorder, self.unwritten_end_ns()))

    def unwritten_end_ns(self) -> int | None:
        """The time now, if no byte shows that the port was read until now; else None."""
        now_ns = self.now()
        return now_ns if self._gone_ns is not None or self.silent_ns(now_ns) else None

    def annotate(self, t_ns: int, text: str) -> None:
        """Set an annotation, also in the recordings; listeners receive it.

        Raises:
            OutputError: writing a recording failed (unless keeps_going); that recording has ended.
        """
        note = Annotation(t_ns, text)
        self.annotations.append(note)
        self._hand_on(Reception((), self._no_bytes(), (), AlignmentResult.concat(()), notes=(note,)))

    def pump(self, timeout_s: float) -> Reception:
        """Read the port, waiting at most this long for the first byte.

        Args:
            timeout_s: seconds; 0 does not wait.

        Raises:
            PortError: the port is lost; all earlier data was returned.
            OutputError: writing the recording failed (unless keeps_going).
        """
        try:
            chunks = tuple(self.port.read(timeout_s))
        except PortError:
            self.state = LinkState.LOST
            raise
        log = ByteLog.from_chunks(chunks, offset=self.bytes_total)
        if log.mark_t_ns.size:
            self.first_t_ns = int(log.mark_t_ns[0]) if self.first_t_ns is None else self.first_t_ns
            self.last_t_ns = int(log.mark_t_ns[-1])
        self.bytes_total = log.end
        events = tuple(event for event in self.port.events() if event.kind is not EventKind.OPENED)
        for event in events:
            self._note(event)
        if self.port.has_ended:
            self.state = LinkState.ENDED
        wakes = tuple(self.port.wakes())
        self.wakes += wakes
        reception = Reception(chunks, log, events, self._finder.feed(log), wakes)
        self.frames_total += len(reception.found.frames)
        self._hand_on(reception)
        return reception

    def finish(self) -> Reception:
        """Return the last frames and end all recordings.

        Raises:
            OutputError: the end of one cannot be written (unless keeps_going).
        """
        reception = Reception((), self._no_bytes(), (), self._finder.flush())
        self._hand_on(reception)
        for path in self.recordings:
            self.stop_recording(path)
        if self._gone_ns is not None:
            self.away_ns += self.now() - self._gone_ns
            self._gone_ns = None
        return reception

    @property
    def heard_s(self) -> float:
        """Time from the first byte to the last."""
        return 0.0 if self.first_t_ns is None or self.last_t_ns is None else (self.last_t_ns - self.first_t_ns) / 1e9

    def silent_ns(self, now_ns: int) -> int:
        """How long nothing has arrived from a connected port; 0 for short times."""
        if self.state in (LinkState.AWAY, LinkState.ENDED) or self.last_t_ns is None:
            return 0
        quiet_ns = now_ns - self.last_t_ns
        return quiet_ns if quiet_ns > SILENT_NS else 0

    def receptions(self, *, is_over: Callable[[], bool] = lambda: False) -> Generator[Reception]:
        """All receptions until the source ends, including that of `finish`.

        Args:
            is_over: called before each read; True ends the iteration.

        Raises:
            PortError: the port is lost; all earlier data was yielded.
        """
        lost: PortError | None = None
        try:
            while self.state is not LinkState.ENDED and lost is None and not is_over():
                try:
                    came = self.pump(LOOK_S)
                except PortError as error:
                    lost = error
                else:
                    yield came
        finally:
            last = self.finish()
        yield last
        if lost is not None:
            raise lost

    def __iter__(self) -> Generator[FrameTable]:
        """Frames as they arrive, until the source ends; a table per read with frames.

        Raises:
            PortError: the port is lost; all earlier frames were yielded.
        """
        with contextlib.closing(self.receptions()) as receptions:
            for came in receptions:
                if len(came.found.frames):
                    yield came.found.frames

    async def __aiter__(self) -> AsyncIterator[FrameTable]:
        """Like `for`; other tasks run while it waits for the port."""
        import asyncio

        frames = self.__iter__()
        try:
            while (table := await asyncio.to_thread(next, frames, None)) is not None:
                yield table
        finally:
            await asyncio.to_thread(frames.close)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        if self._recorders:
            self.finish()

    def _note(self, event: PortEvent) -> None:
        self.annotations.append(Annotation(event.t_ns, event.text))
        if event.kind is EventKind.UNPLUGGED:
            self.state, self._gone_ns = LinkState.AWAY, event.t_ns
            self.times_away += 1
        elif event.kind is EventKind.RECONNECTED:
            self.state = LinkState.OPEN
            if self._gone_ns is not None:
                self.away_ns += event.t_ns - self._gone_ns
                self._gone_ns = None

    def _no_bytes(self) -> ByteLog:
        return ByteLog.from_chunks((), offset=self.bytes_total)

    def _hand_on(self, reception: Reception) -> None:
        for path, recorder in tuple(self._recorders.items()):
            self._attempt(path, partial(recorder.add, reception))
        for listener in tuple(self.listeners):
            listener(reception)

    def _attempt(self, path: str, act: Callable[[], None]) -> None:
        try:
            act()
        except OutputError as error:
            self._recorders.pop(path, None)
            self.record_errors[path] = error
            if not self._keeps_going:
                raise


def _end(recorder: Recorder, end_ns: int | None) -> None:
    recorder.end(end_ns)
    recorder.close()
