"""Wait for port and parent at once: by select, or by threads where select cannot be used."""

from __future__ import annotations

import abc
import contextlib
import enum
import os
import queue
import select
import sys
import threading
from collections.abc import Callable
from time import perf_counter_ns
from typing import Any

from busbench.port.backlog import Backlog, backlog_of
from busbench.port.open_serial import descriptor
from busbench.port.serial_port import BusPort

_READ_BYTES = 65_536
_WRITE_BYTES = 262_144


class LoopEvent(enum.Enum):
    """The source of an event."""

    PARENT = 0  # bytes of commands
    PARENT_GONE = 1
    PORT = 2  # bytes from the line
    PORT_GONE = 3


Item = tuple[LoopEvent, int, bytes]


class IoLoop(abc.ABC):
    """Waits for port and parent, and buffers what the parent has not fetched yet."""

    def __init__(self) -> None:
        self.port: Any = None

    @abc.abstractmethod
    def wait(self, timeout_s: float, *, holds_back: bool) -> list[Item]:
        """The events, each with the time of its read; with `holds_back`, the port is not read."""

    @abc.abstractmethod
    def attach(self, port: Any) -> None:
        """Start reading this port."""

    @abc.abstractmethod
    def detach(self) -> Any:
        """Stop using the port; returns it."""

    @abc.abstractmethod
    def send(self, message: bytes) -> None:
        """Send bytes to the parent, in order, without waiting."""

    @abc.abstractmethod
    def transmit(self, data: bytes) -> None:
        """Write a whole frame; a rest that does not fit follows before anything else. Raises the port's errors."""

    @property
    @abc.abstractmethod
    def unfetched(self) -> int:
        """Number of bytes that the parent has not fetched."""

    @property
    @abc.abstractmethod
    def is_free(self) -> bool:
        """True if the system took all written bytes, and no frame before the last one is unsent."""

    @property
    @abc.abstractmethod
    def unsent(self) -> int:
        """Written bytes that have not left, as far as reported."""

    @abc.abstractmethod
    def discard(self) -> bool:
        """Discard unsent bytes; True if that closes the port."""


class SelectIoLoop(IoLoop):
    """One thread with one select; for systems where every descriptor can be selected."""

    def __init__(self, parent_in: int, parent_out: int) -> None:
        super().__init__()
        self._in, self._out = parent_in, parent_out
        if sys.platform != "win32":  # pipes cannot be selected there, and this class is not used
            os.set_blocking(parent_out, False)
        self._parent_listens = self._parent_speaks = True
        self._unfetched = bytearray()
        self._fd: int | None = None
        self._unwritten = b""
        self._backlog: Backlog | None = None
        self._spy: Any = None

    def wait(self, timeout_s: float, *, holds_back: bool) -> list[Item]:
        """See IoLoop."""
        readers = [self._in] if self._parent_speaks else []
        if self._fd is not None and not holds_back:
            readers.append(self._fd)
        writers = [self._out] if self._unfetched else []
        if self._unwritten and self._fd is not None:
            writers.append(self._fd)
        ready, writable, _ = select.select(readers, writers, [], max(0.0, timeout_s))
        now = perf_counter_ns()
        items: list[Item] = []
        if self._fd is not None and self._fd in ready:
            items.append(self._read_port(now))
        if self._in in ready:
            data = os.read(self._in, _READ_BYTES)
            self._parent_speaks = bool(data)
            items.append((LoopEvent.PARENT if data else LoopEvent.PARENT_GONE, now, data))
        if self._unwritten and self._fd in writable:
            try:
                self.transmit(b"")
            except OSError:
                items.append((LoopEvent.PORT_GONE, now, b""))
        if self._unfetched and self._out in writable:
            self._flush()
        return items

    def _read_port(self, now: int) -> Item:
        assert self._fd is not None
        try:
            data = os.read(self._fd, _READ_BYTES)
            if not data and isinstance(self.port, BusPort) and self.port.in_waiting >= 0:
                # A live terminal: another program took the bytes. A lost one raises here.
                return LoopEvent.PORT, now, data
        except BlockingIOError:
            return LoopEvent.PORT, now, b""
        except OSError:
            data = b""
        if self._spy is not None and data:
            self._spy.rx(data)
        return (LoopEvent.PORT, now, data) if data else (LoopEvent.PORT_GONE, now, b"")

    def attach(self, port: Any) -> None:
        """See IoLoop."""
        self.port, self._fd, self._unwritten = port, descriptor(port), b""
        if self._fd is None:
            raise ValueError("the port has no descriptor")
        self._backlog = backlog_of(port)
        self._spy = getattr(port, "formatter", None)  # of spy://, which lists all traffic

    def detach(self) -> Any:
        """See IoLoop."""
        port, self.port, self._fd, self._unwritten = self.port, None, None, b""
        if self._backlog is not None:
            self._backlog.close()
        return port

    def send(self, message: bytes) -> None:
        """See IoLoop."""
        if self._parent_listens:
            self._unfetched += message
            if len(self._unfetched) == len(message):
                self._flush()

    def _flush(self) -> None:
        try:
            while self._unfetched:
                with memoryview(self._unfetched) as view:
                    done = os.write(self._out, view[:_WRITE_BYTES])
                del self._unfetched[:done]
        except BlockingIOError:
            pass
        except OSError:  # the reader has gone; the end of the commands shows it too
            self._parent_listens = False
            self._unfetched.clear()

    def transmit(self, data: bytes) -> None:
        """See IoLoop."""
        assert self._fd is not None
        assert self._backlog is not None
        self._unwritten += data
        if self._spy is not None and data:
            self._spy.tx(data)
        with contextlib.suppress(BlockingIOError):
            written = os.write(self._fd, self._unwritten)
            self._backlog.note_write(perf_counter_ns())
            self._unwritten = self._unwritten[written:]

    @property
    def unfetched(self) -> int:
        """See IoLoop."""
        return len(self._unfetched)

    @property
    def is_free(self) -> bool:
        """See IoLoop."""
        return not self._unwritten and (self._backlog is None or self._backlog.is_clear)

    @property
    def unsent(self) -> int:
        """See IoLoop."""
        return len(self._unwritten) + (0 if self._backlog is None else self._backlog.unsent)

    def discard(self) -> bool:
        """See IoLoop."""
        self._unwritten = b""
        return self._backlog is not None and self._backlog.discard()


class ThreadIoLoop(IoLoop):
    """A thread per side and one queue; for Windows and for stream addresses without a descriptor."""

    def __init__(self, parent_in: int, parent_out: int) -> None:
        super().__init__()
        self._in, self._out = parent_in, parent_out
        self._items: queue.SimpleQueue[Item] = queue.SimpleQueue()
        self._messages: queue.SimpleQueue[bytes] = queue.SimpleQueue()
        self._unfetched = 0
        self._lock = threading.Lock()
        self._may_read = threading.Event()
        self._reader: threading.Thread | None = None
        self._is_reading = False
        self._writer: _Outbound | None = None
        for work in (self._hear_parent, self._tell_parent):
            threading.Thread(target=work, daemon=True).start()

    def wait(self, timeout_s: float, *, holds_back: bool) -> list[Item]:
        """See IoLoop."""
        if holds_back:
            self._may_read.clear()
        else:
            self._may_read.set()
        items: list[Item] = []
        with contextlib.suppress(queue.Empty):
            items.append(self._items.get(timeout=max(0.0, timeout_s)))
            while len(items) < 64:
                items.append(self._items.get_nowait())
        return items

    def attach(self, port: Any) -> None:
        """See IoLoop."""
        self.port, self._is_reading = port, True
        self._reader = threading.Thread(target=self._read_port, args=(port,), daemon=True)
        self._reader.start()
        self._writer = _Outbound(port, on_error=lambda: self._items.put((LoopEvent.PORT_GONE, perf_counter_ns(), b"")))

    def detach(self) -> Any:
        """See IoLoop."""
        port, self.port, self._is_reading = self.port, None, False
        self._may_read.set()
        with contextlib.suppress(Exception):  # not every kind of port can, and a lost one may raise anything
            port.cancel_read()
        if self._writer is not None:
            self._writer.close()
        if self._reader is not None:
            self._reader.join(2)
        return port

    def _read_port(self, port: Any) -> None:
        try:
            while self._is_reading:
                self._may_read.wait()
                data = port.read(1)
                if data:
                    data += port.read(port.in_waiting or 0)
                    self._items.put((LoopEvent.PORT, perf_counter_ns(), bytes(data)))
        except Exception:  # an unplugged port raises what it likes
            if self._is_reading:
                self._items.put((LoopEvent.PORT_GONE, perf_counter_ns(), b""))

    def _hear_parent(self) -> None:
        data = b"-"
        while data:
            try:
                data = os.read(self._in, _READ_BYTES)
            except OSError:
                data = b""
            self._items.put((LoopEvent.PARENT if data else LoopEvent.PARENT_GONE, perf_counter_ns(), data))

    def _tell_parent(self) -> None:
        while True:
            message = self._messages.get()
            with contextlib.suppress(OSError):  # the reader has gone: the end of the commands shows it too
                rest = memoryview(message)
                while rest:
                    rest = rest[os.write(self._out, rest) :]
            with self._lock:
                self._unfetched -= len(message)

    def send(self, message: bytes) -> None:
        """See IoLoop."""
        with self._lock:
            self._unfetched += len(message)
        self._messages.put(message)

    def transmit(self, data: bytes) -> None:
        """See IoLoop."""
        if data and self._writer is not None:
            self._writer.write(data)

    @property
    def unfetched(self) -> int:
        """See IoLoop."""
        return self._unfetched

    @property
    def is_free(self) -> bool:
        """See IoLoop."""
        return self._writer is None or self._writer.is_clear

    @property
    def unsent(self) -> int:
        """See IoLoop."""
        return 0 if self._writer is None else self._writer.unsent

    def discard(self) -> bool:
        """See IoLoop."""
        return self._writer is not None and self._writer.backlog.discard()


class _Outbound:
    """Writes in its own thread, so that the far end delays nothing else; reports a lost port."""

    def __init__(self, port: Any, *, on_error: Callable[[], None]) -> None:
        self._port, self._on_error = port, on_error
        self.backlog = backlog_of(port)
        self._frames: queue.SimpleQueue[bytes] = queue.SimpleQueue()
        self._held = 0  # bytes in a write that has not returned
        self._is_closed = False
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def write(self, data: bytes) -> None:
        """Write it after everything before."""
        self._held += len(data)
        self._frames.put(data)

    @property
    def is_clear(self) -> bool:
        """True if a frame written now leaves in its slot."""
        return not self._held and self.backlog.is_clear

    @property
    def unsent(self) -> int:
        """Bytes that have not left, as far as known."""
        return self._held + self.backlog.unsent

    def close(self) -> None:
        """Stop writing."""
        self._is_closed = True
        self._frames.put(b"")
        with contextlib.suppress(Exception):  # not every kind of port can
            self._port.cancel_write()
        self._thread.join(0.5)
        self.backlog.close()

    def _run(self) -> None:
        try:
            while data := self._frames.get():
                self._port.write(data)
                self._held = 0
        except Exception:  # an unplugged port raises what it likes
            if not self._is_closed:
                self._on_error()


def make_io_loop(source: str, *, parent_in: int, parent_out: int) -> IoLoop:
    """Make the loop for a source on this system, given the descriptors of the pipes from and to the parent."""
    scheme = source.partition("://")[0].lower() if "://" in source else ""
    has_descriptor = scheme in ("", "socket", "hwgrep", "spy", "alt")
    kind = SelectIoLoop if has_descriptor and sys.platform != "win32" else ThreadIoLoop
    return kind(parent_in, parent_out)
