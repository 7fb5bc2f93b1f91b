"""The interface of a live source of bytes."""

from __future__ import annotations

import abc
import time
from collections.abc import Callable
from time import perf_counter_ns
from typing import Self

from busbench.errors import PortError
from busbench.line import BUS_LINE, Chunk, LineSettings, WakeUps
from busbench.model import Clock, ClockKind
from busbench.port.ipc import EventKind, PortEvent
from busbench.port.pacer import FrameSource, Transmission

__all__ = ["EventKind", "FrameSource", "HearingPort", "LivePort", "PortEvent", "Transmission", "open_client"]


class LivePort(abc.ABC):
    """An open port, or a virtual receiver; a context manager.

    Args:
        source: as given by the user.
        line: settings of the line.
    """

    def __init__(self, source: str, *, line: LineSettings) -> None:
        self.source = source
        self.line = line
        step_ns = max(1, round(time.get_clock_info("perf_counter").resolution * 1e9))
        self.clock = Clock(ClockKind.PER_READ, step_ns)  # of the chunks
        self.start_utc_ns = time.time_ns() - time.perf_counter_ns()  # Unix time in ns of the zero of their times

    @property
    def adapter_serial(self) -> str:
        """Serial number of the adapter, "" without one."""
        return ""

    @property
    def has_ended(self) -> bool:
        """True if the source has ended; an unplugged port may still come back."""
        return False

    @abc.abstractmethod
    def read(self, timeout_s: float) -> list[Chunk]:
        """Return the chunks received since the last call, oldest first.

        Call it at least once per second during a transmission: it is
        the sign of life without which the transmission ends.

        Args:
            timeout_s: max wait for the first chunk; 0 does not wait.

        Raises:
            PortError: the port could not be opened, or its process has died.
                All earlier bytes were returned.
        """

    @abc.abstractmethod
    def events(self) -> list[PortEvent]:
        """Events since the last call, as far as `read` has seen them."""

    @abc.abstractmethod
    def sent(self) -> list[Chunk]:
        """Chunks sent since the last call, as far as `read` has seen them."""

    @abc.abstractmethod
    def wakes(self) -> list[WakeUps]:
        """Lateness of the reading process since the last call, an entry per second; empty if it says nothing."""

    @property
    @abc.abstractmethod
    def transmission(self) -> Transmission | None:
        """State or result of the latest transmission, as far as `read` has seen it."""

    @abc.abstractmethod
    def transmit(self, source: FrameSource) -> None:
        """Send frames from a source, one per period, until it ends or is stopped.

        Args:
            source: is pickled, and used in the process that owns the port.

        Raises:
            PortError: the port cannot send, or a transmission is running already.
        """

    @abc.abstractmethod
    def stop_transmission(self) -> None:
        """Let the source go to its end state; its last frames are still sent."""

    @abc.abstractmethod
    def close(self) -> None:
        """Stop and close the port; waits for the end state of a transmission."""

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


class HearingPort(LivePort):
    """A port that can only receive, such as the virtual ones."""

    cannot_send = "name a port to send to"  # what to do to send

    def __init__(self, source: str, *, line: LineSettings) -> None:
        super().__init__(source, line=line)
        self._clock_ns: Callable[[], int] = perf_counter_ns
        self._begin_ns = 0  # on that clock, where the port's own time begins
        self._events: list[PortEvent] = []
        self._read_ns: tuple[int, int] | None = None  # since the last call of wakes()
        self.is_closed = False

    def events(self) -> list[PortEvent]:
        """See LivePort."""
        happened, self._events = self._events, []
        return happened

    def sent(self) -> list[Chunk]:
        """See LivePort."""
        return []

    def read(self, timeout_s: float) -> list[Chunk]:
        """See LivePort."""
        if self.is_closed:
            raise PortError(self.source, "the port is closed")
        until = self._clock_ns() + round(timeout_s * 1e9)
        while True:
            now = self._clock_ns()
            chunks = self._take(now - self._begin_ns)
            if chunks or now >= until:
                return self._on_time(chunks)
            time.sleep(max(0.0, min(self._nap_s(now - self._begin_ns), (until - now) / 1e9)))

    def _take(self, until_ns: int) -> list[Chunk]:
        """What came up to a time of its own."""
        raise NotImplementedError

    def _nap_s(self, now_ns: int) -> float:
        """How long nothing can come, at a time of its own."""
        raise NotImplementedError

    def _on_time(self, chunks: list[Chunk]) -> list[Chunk]:
        """What is read, laid on the clock of the reader: it is never late."""
        chunks = [Chunk(self._begin_ns + one.t_ns, one.data, one.bad) for one in chunks]
        if chunks:
            first_ns = chunks[0].t_ns if self._read_ns is None else self._read_ns[0]
            self._read_ns = first_ns, chunks[-1].t_ns
        return chunks

    def wakes(self) -> list[WakeUps]:
        """See LivePort."""
        if self._read_ns is None:
            return []
        wakes = WakeUps.on_time(*self._read_ns)
        if wakes:
            self._read_ns = wakes[-1].t_ns, self._read_ns[1]
        return wakes

    @property
    def transmission(self) -> Transmission | None:
        """See LivePort."""
        return None

    def transmit(self, source: FrameSource) -> None:
        """See LivePort."""
        del source
        raise PortError(self.source, "a virtual receiver does not listen", hint=self.cannot_send)

    def stop_transmission(self) -> None:
        """See LivePort."""

    def close(self) -> None:
        """See LivePort."""
        self.is_closed = True


def open_client(source: str, *, line: LineSettings = BUS_LINE, waits: bool = True, is_sender: bool = False) -> LivePort:
    """Open a port in a process of its own.

    Args:
        source: a device name or a pyserial URL.
        waits: False to return while the port is being opened; then `read` reports a failure.
        is_sender: True to refuse a socket to which another process sends; a device has one user anyway.

    Raises:
        PortError: it cannot be opened; says why and what to do.
    """
    from busbench.port.port_client import PortClient

    if not source:
        raise PortError('""', "is not the name of a port", hint="see `busbench ports`")
    port = PortClient(source, line=line, is_sender=is_sender)
    if waits:
        port.wait_open()
    return port
