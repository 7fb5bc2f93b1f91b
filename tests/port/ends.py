"""Far ends of ports for the tests: a pseudo-terminal, and waiting for what must come."""

from __future__ import annotations

import os
import select
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path

from busbench.line import Chunk
from busbench.port.port import LivePort, PortEvent

LIMIT_S = 30.0  # for a machine that is busy; nothing is measured by it


@dataclass
class Seen:
    """What a live port has given so far."""

    chunks: list[Chunk] = field(default_factory=list)
    events: list[PortEvent] = field(default_factory=list)

    @property
    def data(self) -> bytes:
        return b"".join(chunk.data for chunk in self.chunks)

    @property
    def kinds(self) -> list[str]:
        return [event.kind.value for event in self.events]


def read_until(port: LivePort, seen: Seen, is_enough: Callable[[Seen], bool]) -> Seen:
    """Read on until there is enough."""
    until = time.monotonic() + LIMIT_S
    while not is_enough(seen):
        there = f"{seen.kinds}, {len(seen.data)} bytes, {port.transmission}"
        assert time.monotonic() < until, f"still not there: {there}"
        seen.chunks += port.read(0.05)
        seen.events += port.events()
    return seen


def wait_for(is_so: Callable[[], bool]) -> None:
    """Wait until something is the case."""
    until = time.monotonic() + LIMIT_S
    while not is_so():
        assert time.monotonic() < until
        time.sleep(0.005)


class Listener:
    """Reads a descriptor as soon as something comes, as a device at the far end would, and keeps it.

    Args:
        fd: the descriptor; a read of it does not wait from here on, since who opens the near end flushes what is there.
    """

    def __init__(self, fd: int) -> None:
        os.set_blocking(fd, False)
        self.fd = fd
        self._data = bytearray()
        self._lock = threading.Condition()
        self._is_closed = False
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def _run(self) -> None:
        while not self._is_closed:
            if select.select([self.fd], [], [], 0.02)[0] and not self._read():
                time.sleep(0.005)  # no one has the near end open

    def _read(self) -> bool:
        with self._lock:
            if self._is_closed or not select.select([self.fd], [], [], 0)[0]:
                return True
            try:
                data = os.read(self.fd, 65_536)
            except OSError:
                return False
            self._data += data
            self._lock.notify_all()
            return bool(data)

    def take(self, wait_s: float = 0, *, most: int = 1 << 20) -> bytes:
        """What has come, or comes within a time."""
        while self._read() and not self._is_closed and select.select([self.fd], [], [], 0)[0]:
            pass
        with self._lock:
            self._lock.wait_for(lambda: self._data, wait_s)
            data = bytes(self._data[:most])
            del self._data[:most]
        return data

    def close(self) -> None:
        """Read no more; the descriptor may be closed then."""
        self._is_closed = True
        self._thread.join()


class Far:
    """The far end of a pseudo-terminal whose near end is at a path of our own."""

    def __init__(self, path: Path) -> None:
        import tty

        self.path = path
        self.master, slave = os.openpty()
        tty.setraw(slave)
        path.unlink(missing_ok=True)
        path.symlink_to(os.ttyname(slave))
        os.close(slave)
        self.listener = Listener(self.master)

    @property
    def name(self) -> str:
        return str(self.path)

    def write(self, data: bytes) -> None:
        while data:
            select.select([], [self.master], [])
            with suppress(BlockingIOError):
                data = data[os.write(self.master, data) :]

    def read(self) -> bytes:
        """What is there now."""
        return self.listener.take()

    def is_listened_to(self) -> bool:
        """True if a user has the near end open (reported so on Linux alone)."""
        poll = select.poll()
        poll.register(self.master, select.POLLOUT)
        return not any(state & select.POLLHUP for _, state in poll.poll(0))

    def unplug(self) -> None:
        self.path.unlink(missing_ok=True)
        if self.master >= 0:
            self.listener.close()
            os.close(self.master)
            self.master = -1


@dataclass
class Wire:
    """What is sent to the far end of a pseudo-terminal."""

    listener: Listener
    name: str
    data: bytearray = field(default_factory=bytearray)

    def take(self, wait_s: float = 0, *, most: int = 1 << 20) -> bytes:
        """Take what has come, or comes within a time."""
        data = self.listener.take(wait_s, most=most)
        self.data += data
        return data

    def read(self, *, until_quiet_s: float = 0.6, most: int = 1 << 20) -> bytes:
        """What arrives until nothing has for a while, or until there is enough."""
        data = b""
        while len(data) < most and (more := self.take(until_quiet_s, most=most - len(data))):
            data += more
        return data


@contextmanager
def echoing(wire: Callable[[bytes], bytes], *, to_second: bool = False) -> Iterator[list[str]]:
    """One or two ports at whose far end everything goes through `wire` and back, as where TX is tied to RX."""
    import tty

    pairs = [os.openpty() for _ in range(1 + to_second)]
    for _, slave in pairs:
        tty.setraw(slave)
    done, wake = os.pipe()
    first, last = pairs[0][0], pairs[-1][0]
    os.set_blocking(first, False)

    def pump() -> None:
        while done not in select.select([first, done], [], [])[0]:
            with suppress(BlockingIOError):  # who opens a port flushes what is there
                os.write(last, wire(os.read(first, 4096)))

    thread = threading.Thread(target=pump)
    thread.start()
    try:
        yield [os.ttyname(slave) for _, slave in pairs]
    finally:
        os.write(wake, b"x")
        thread.join()
        for fd in (done, wake, *(fd for pair in pairs for fd in pair)):
            os.close(fd)
