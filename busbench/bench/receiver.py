"""One pump for every live source: reads the port, notes what happens to it, finds the frames, records on the side."""

from __future__ import annotations

import enum
from collections.abc import AsyncIterator, Callable, Generator
from dataclasses import dataclass
from time import perf_counter_ns
from types import TracebackType
from typing import Self

from busbench.capture.pcapng_write import PcapngWriter
from busbench.errors import OutputError, PortError
from busbench.model import Annotation, ByteLog, Chunk, WakeUps
from busbench.port.port import EventKind, LivePort, PortEvent
from busbench.wire.framing import FrameFinder
from busbench.wire.table import AlignmentResult, FrameTable

LOOK_S = 0.2
SILENT_NS = 500_000_000


class LinkState(enum.Enum):
    """Where the port of a receiver is.

    Attributes:
        OPEN: plugged in and read.
        AWAY: unplugged; it may come back.
        ENDED: nothing will come any more.
    """

    OPEN = enum.auto()
    AWAY = enum.auto()
    ENDED = enum.auto()


@dataclass(frozen=True, slots=True)
class Reception:
    """What one look at the port gave.

    Args:
        chunks: bytes with the times of their reads.
        log: the same as one log, offsets counted from the first byte of all.
        events: what happened to the port.
        found: the frames that are decided now, and the bytes in none.
        wakes: how late the process that reads the port was meanwhile.
    """

    chunks: tuple[Chunk, ...]
    log: ByteLog
    events: tuple[PortEvent, ...]
    found: AlignmentResult
    wakes: tuple[WakeUps, ...] = ()


Listener = Callable[[Reception], None]


class Receiver:
    """Frames of a live source as they come; iterate over it, with `for` or `async for`.

    Args:
        port: an open port; the receiver does not close it.
        record: path of a new pcapng recording of all that is received, or None.
        force: True writes over a recording that exists.
        keeps_going: True ends a recording that cannot be written on and goes on
            receiving; the cause is kept in `record_error`. False raises it.
        now: clock of the port's times, in ns; that of real ports where it is None.

    Raises:
        OutputError: the recording exists, or cannot be written.
    """

    def __init__(
        self,
        port: LivePort,
        *,
        record: str | None = None,
        force: bool = False,
        keeps_going: bool = False,
        now: Callable[[], int] | None = None,
    ) -> None:
        self.port, self.now = port, perf_counter_ns if now is None else now
        self.listeners: list[Listener] = []
        self.state = LinkState.OPEN
        self.wakes: list[WakeUps] = []
        self.annotations: list[Annotation] = []  # unplugged, back, and what was noted beside
        self.bytes_total = 0
        self.first_t_ns: int | None = None
        self.last_t_ns: int | None = None
        self.away_ns = 0  # without a port, until it was back
        self.times_away = 0
        self.record_error: OutputError | None = None
        self._keeps_going = keeps_going
        self._gone_ns: int | None = None
        self._finder = FrameFinder(clock=port.clock, line=port.line)
        self._writer: PcapngWriter | None = None
        if record is not None:
            self.start_recording(record, force=force)

    @property
    def is_in_sync(self) -> bool:
        """True where the last bytes were frames."""
        return self._finder.is_in_step

    @property
    def recording(self) -> str:
        """Path of the recording that runs, or an empty string."""
        return "" if self._writer is None else self._writer.path

    def start_recording(self, path: str, *, force: bool = False) -> None:
        """Record all that comes from now on.

        Args:
            path: file to make.
            force: True writes over one that exists.

        Raises:
            OutputError: it exists, or cannot be written.
        """
        port = self.port
        self._writer = PcapngWriter(
            path, port=port.source, line=port.line, clock=port.clock, start_utc_ns=port.start_utc_ns, force=force
        )

    def stop_recording(self) -> str:
        """End the recording that runs; gives its path, or an empty string.

        Raises:
            OutputError: its end could not be written.
        """
        writer, self._writer = self._writer, None
        if writer is None:
            return ""
        writer.close()
        return writer.path

    def annotate(self, t_ns: int, text: str) -> None:
        """Note something at a time, in the recording too.

        Raises:
            OutputError: the recording cannot be written on; it has ended.
        """
        self.annotations.append(Annotation(t_ns, text))
        if self._writer is not None:
            self._write(lambda writer: writer.mark(t_ns, text))

    def pump(self, timeout_s: float) -> Reception:
        """Take what came, waiting at most so long for the first byte.

        Args:
            timeout_s: seconds; 0 only looks.

        Raises:
            PortError: the port is lost for good; all that came before was given.
            OutputError: the recording cannot be written on, unless it keeps going.
        """
        chunks = tuple(self.port.read(timeout_s))
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
        self._record(reception)
        self._tell(reception)
        return reception

    def finish(self) -> Reception:
        """The last frames, where nothing more is read; ends the recording and says there how long the port was heard.

        Raises:
            OutputError: the recording's end cannot be written, unless it keeps going.
        """
        now_ns = self.now()
        if self._writer is not None and (self._gone_ns is not None or self.silent_ns(now_ns)):
            # Nothing else in the file shows that the port was heard so long.
            self._write(lambda writer: writer.mark(now_ns, "recording ended"))
        if self._gone_ns is not None:
            self.away_ns += now_ns - self._gone_ns
            self._gone_ns = None
        self._write(lambda _: self.stop_recording())
        reception = Reception((), ByteLog.from_chunks((), offset=self.bytes_total), (), self._finder.flush())
        self._tell(reception)
        return reception

    @property
    def heard_s(self) -> float:
        """From the first byte to the last."""
        return 0.0 if self.first_t_ns is None or self.last_t_ns is None else (self.last_t_ns - self.first_t_ns) / 1e9

    def silent_ns(self, now_ns: int) -> int:
        """How long nothing has come though the port was there; 0 where that is nothing to speak of."""
        if self.state is not LinkState.OPEN or self.last_t_ns is None or now_ns - self.last_t_ns <= SILENT_NS:
            return 0
        return now_ns - self.last_t_ns

    def __iter__(self) -> Generator[FrameTable]:
        """Frames as they come, until the source ends; a table for each look that gave some.

        Raises:
            PortError: the port is lost for good; all frames before were given.
        """
        lost: PortError | None = None
        try:
            while self.state is not LinkState.ENDED and lost is None:
                try:
                    found = self.pump(LOOK_S).found
                except PortError as error:
                    lost = error
                    continue
                if len(found.frames):
                    yield found.frames
        finally:
            last = self.finish().found
        if len(last.frames):
            yield last.frames
        if lost is not None:
            raise lost

    async def __aiter__(self) -> AsyncIterator[FrameTable]:
        """As `for`; other tasks run while the port is waited for."""
        import asyncio

        frames = self.__iter__()
        try:
            while (table := await asyncio.to_thread(next, frames, None)) is not None:
                yield table
        finally:
            await asyncio.to_thread(frames.close)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._writer is not None:
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

    def _record(self, reception: Reception) -> None:
        def write(writer: PcapngWriter) -> None:
            writer.write_log(reception.log)
            for event in reception.events:
                writer.mark(event.t_ns, event.text)
            writer.write_wakes(reception.wakes)
            writer.tick()

        self._write(write)

    def _write(self, act: Callable[[PcapngWriter], object]) -> None:
        if self._writer is None:
            return
        try:
            act(self._writer)
        except OutputError as error:
            self._writer = None
            self.record_error = error
            if not self._keeps_going:
                raise

    def _tell(self, reception: Reception) -> None:
        for listener in tuple(self.listeners):
            listener(reception)
