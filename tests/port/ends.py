"""Far ends of ports for the tests: a pseudo-terminal, and waiting for what must come."""

from __future__ import annotations

import contextlib
import os
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from busbench.model import Chunk
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
        assert time.monotonic() < until, f"still not there: {seen.kinds}, {len(seen.data)} bytes"
        seen.chunks += port.read(0.05)
        seen.events += port.events()
    return seen


def wait_for(is_so: Callable[[], bool]) -> None:
    """Wait until something is the case."""
    until = time.monotonic() + LIMIT_S
    while not is_so():
        assert time.monotonic() < until
        time.sleep(0.005)


class Far:
    """The far end of a pseudo-terminal whose near end stands at a path of our own."""

    def __init__(self, path: Path) -> None:
        import tty

        self.path = path
        self.master, slave = os.openpty()
        tty.setraw(slave)
        path.unlink(missing_ok=True)
        path.symlink_to(os.ttyname(slave))
        os.close(slave)

    @property
    def name(self) -> str:
        return str(self.path)

    def write(self, data: bytes) -> None:
        while data:
            data = data[os.write(self.master, data) :]

    def read(self) -> bytes:
        """What is there now."""
        import select

        data = b""
        while select.select([self.master], [], [], 0)[0]:
            try:
                data += os.read(self.master, 65_536)
            except OSError:
                break
        return data

    def is_listened_to(self) -> bool:
        """True where somebody has the near end open (told so on Linux alone)."""
        import select

        poll = select.poll()
        poll.register(self.master, select.POLLOUT)
        return not any(state & select.POLLHUP for _, state in poll.poll(0))

    def unplug(self) -> None:
        self.path.unlink(missing_ok=True)
        if self.master >= 0:
            os.close(self.master)
            self.master = -1


@dataclass
class Wire:
    """What is sent to the far end of a pseudo-terminal."""

    master: int
    name: str
    data: bytearray = field(default_factory=bytearray)

    def take(self, wait_s: float = 0) -> bytes:
        """Take what has come, or comes within a time; nothing where the near end is gone."""
        import select

        data = b""
        if select.select([self.master], [], [], wait_s)[0]:
            with contextlib.suppress(OSError):
                data = os.read(self.master, 4096)
        self.data += data
        return data

    def read(self, *, until_quiet_s: float = 0.6, most: int = 1 << 20) -> bytes:
        """What arrives until nothing has for a while, or until there is enough."""
        data = b""
        while len(data) < most and (more := self.take(until_quiet_s)):
            data += more
        return data
