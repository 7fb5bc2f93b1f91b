"""A virtual receiver in real time: due reads, and outlets on a pty or a TCP port."""

from __future__ import annotations

import contextlib
import ipaddress
import os
import select
import socket
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from time import perf_counter_ns
from typing import Protocol

import numpy as np

from busbench.errors import OutputError, PortError
from busbench.line import Chunk
from busbench.model import ByteLog
from busbench.output_file import make_link, remove_link
from busbench.sim.receiver import BLOCK, ReceiverSettings, adapter_blocks

_READS_MAX = 4096
_NAP_S = 0.02
LISTENERS_MAX = 200  # max listeners at one TCP port; descriptors of a process are limited
STALL_S = 5.0


class Reads:
    """The reads of a virtual adapter as they become due."""

    def __init__(self, settings: ReceiverSettings) -> None:
        self._blocks: Iterator[ByteLog] = adapter_blocks(settings)
        self._block_ns = BLOCK * settings.period_s * 1e9
        self._until_ns = -settings.join_s * 1e9  # the current block covers the time up to here
        self._end_ns = float("inf") if settings.duration_s is None else settings.duration_s * 1e9
        self._log = ByteLog.from_bytes(b"")
        self._at = 0
        self.is_over = False
        self._advance()

    @property
    def next_ns(self) -> int | None:
        """Time of the next read or of the next block to make, None at the end."""
        if self.is_over:
            return None
        times = self._log.mark_t_ns
        if self._at < times.size:
            return int(times[self._at])
        return round(max(0.0, min(self._until_ns, self._end_ns)))

    def take(self, until_ns: int, *, most: int = _READS_MAX) -> list[Chunk]:
        """The reads due by a time, oldest first, up to a max number."""
        chunks: list[Chunk] = []
        while len(chunks) < most and (due := self.next_ns) is not None and due <= until_ns:
            if self._at >= self._log.mark_t_ns.size:
                self._advance()
                continue
            times, ends = self._log.mark_t_ns, self._log.mark_end
            stop = min(int(np.searchsorted(times, until_ns, "right")), self._at + most - len(chunks))
            chunks += self._chunks(times[self._at : stop].tolist(), ends[self._at : stop].tolist())
            self._at = stop
        return chunks

    def _chunks(self, times: list[int], ends: list[int]) -> Iterator[Chunk]:
        log = self._log
        start = int(log.mark_end[self._at - 1]) if self._at else log.offset
        base = start - log.offset
        data = log.data[base : ends[-1] - log.offset].tobytes()
        bad = b"" if log.bad is None else log.bad[base : ends[-1] - log.offset].tobytes()
        at = 0
        for t_ns, end in zip(times, ends, strict=True):
            stop = end - start
            marks = bad[at:stop]
            yield Chunk(t_ns, data[at:stop], marks if any(marks) else b"")
            at = stop

    def _advance(self) -> None:
        log = next(self._blocks, None)
        self._until_ns += self._block_ns
        self._at = 0
        if log is None:
            self.is_over = True
        else:
            self._log = log


class Outlet(Protocol):
    """The output of a virtual receiver's line."""

    @property
    def name(self) -> str:
        """The name that a listener opens."""

    @property
    def warning(self) -> str:
        """Who can reach it, if others than this computer can; else ""."""

    def is_heard(self) -> bool:
        """True if a program listens."""

    def write(self, data: bytes, *, waits_while: Callable[[], bool] | None = None) -> None:
        """Give bytes to the listener; waits while `waits_while` is true, without it drops them, as a line would."""

    def close(self) -> None:
        """Close it."""


def play(
    settings: ReceiverSettings,
    outlet: Outlet,
    *,
    is_fast: bool = False,
    is_wanted: Callable[[], bool] = lambda: True,
) -> int:
    """Run a receiver from the time a program listens; other bytes are lost.

    Args:
        outlet: its output.
        is_fast: True to give everything as fast as it is read.
        is_wanted: called now and then; False ends it.

    Returns:
        Number of bytes given.
    """
    reads = Reads(settings)
    given = 0
    while is_wanted() and not outlet.is_heard():
        time.sleep(_NAP_S)
    begin_ns = perf_counter_ns()
    while is_wanted() and (due := reads.next_ns) is not None:
        if is_fast:
            data = b"".join(chunk.data for chunk in reads.take(1 << 62, most=256))
            if outlet.is_heard():
                outlet.write(data, waits_while=is_wanted)
                given += len(data)
            continue
        is_heard = outlet.is_heard()  # also on a silent line, so that a listener is accepted
        left_s = (begin_ns + due - perf_counter_ns()) / 1e9
        if left_s > 0:
            time.sleep(min(left_s, 0.2))
            continue
        for chunk in reads.take(perf_counter_ns() - begin_ns):
            if is_heard:
                outlet.write(chunk.data)
                given += len(chunk.data)
    return given


class PtyOutlet:
    """A pseudo-terminal, for Linux and macOS.

    Args:
        link: an additional path for it, or None.

    Raises:
        PortError: this system has no pseudo-terminals.
        OutputError: the path exists, or cannot be made.
    """

    name: str
    warning = ""
    _master: int
    _slave: int | None
    _link: Path | None

    def __init__(self, *, link: str | None = None) -> None:
        if sys.platform == "win32":
            raise PortError("pty", "Windows has none", hint="use --tcp, and open it as socket://")
        import pty
        import tty

        self._master, slave = pty.openpty()
        tty.setraw(slave)
        self.name = os.ttyname(slave)
        # While the listener's side is closed, the system reports that nothing listens.
        self._slave = slave if sys.platform != "linux" else None
        if self._slave is None:
            os.close(slave)
        os.set_blocking(self._master, False)
        self._link = Path(link) if link else None
        if self._link is not None:
            self._make_link(self._link)

    def _make_link(self, link: Path) -> None:
        try:
            make_link(link, self.name)
        except OutputError:
            self._link = None
            self.close()
            raise
        self._linked, self.name = self.name, str(link)

    def is_heard(self) -> bool:
        """See Outlet."""
        if sys.platform == "win32" or self._slave is not None:
            return True
        poll = select.poll()
        poll.register(self._master, select.POLLOUT)
        return not any(state & select.POLLHUP for _, state in poll.poll(0))

    def write(self, data: bytes, *, waits_while: Callable[[], bool] | None = None) -> None:
        """See Outlet."""
        while data:
            try:
                data = data[os.write(self._master, data) :]
            except BlockingIOError:
                if waits_while is None or not waits_while() or not self.is_heard():
                    return
                select.select([], [self._master], [], _NAP_S)
            except OSError:  # the listener left just now
                return

    def close(self) -> None:
        """See Outlet."""
        if self._link is not None:
            remove_link(self._link, self._linked)
        for fd in (self._master, self._slave):
            if fd is not None:
                with contextlib.suppress(OSError):
                    os.close(fd)


class TcpOutlet:
    """A TCP port for up to LISTENERS_MAX listeners at once.

    Args:
        host: address to serve; "", 0.0.0.0 and :: are all addresses of this computer.
        port: TCP port, 0 for any free one.

    Attributes:
        warning: who can reach it, if others than this computer can; else "".

    Raises:
        PortError: the address cannot be served.
    """

    def __init__(self, *, host: str = "127.0.0.1", port: int = 0) -> None:
        family = socket.AF_INET6 if ":" in host else socket.AF_INET
        try:
            self._server = socket.create_server((host, port), family=family)
        except (OSError, OverflowError) as error:
            code = getattr(error, "errno", None)
            what = os.strerror(code) if code else str(error)
            hint = "choose another port, or leave it to the system"
            raise PortError(f"{host}:{port}", f"cannot be served ({what})", hint=hint) from None
        self._server.setblocking(False)
        self._listeners: list[socket.socket] = []
        number = self._server.getsockname()[1]
        address = ipaddress.ip_address(self._server.getsockname()[0])
        here = "[::1]" if family == socket.AF_INET6 else "127.0.0.1"
        shown = here if address.is_unspecified else f"[{host}]" if family == socket.AF_INET6 else host
        self.name = f"socket://{shown}:{number}"
        self.warning = ""
        if not address.is_loopback:
            where = "this computer" if address.is_unspecified else str(address)
            self.warning = (
                f"anyone who can reach {where} over a network can listen at port {number};"
                " leave HOST out to keep it to this computer"
            )

    def is_heard(self) -> bool:
        """See Outlet."""
        for _ in range(LISTENERS_MAX):
            try:
                listener, _ = self._server.accept()
            except OSError:  # no connection waits, it has gone already, or this process has no descriptor left
                break
            self._admit(listener)
        return bool(self._listeners)

    def _admit(self, listener: socket.socket) -> None:
        try:
            listener.setblocking(False)
            listener.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        except OSError:
            listener.close()
            return
        if len(self._listeners) >= LISTENERS_MAX:
            for each in filter(_has_left, list(self._listeners)):
                self._drop(each)
        if len(self._listeners) >= LISTENERS_MAX:
            listener.close()
        else:
            self._listeners.append(listener)

    def write(self, data: bytes, *, waits_while: Callable[[], bool] | None = None) -> None:
        """See Outlet; a listener that takes nothing for STALL_S while others wait for the next bytes is dropped."""
        rests = {listener: memoryview(data) for listener in self._listeners}
        given_up = time.monotonic() + STALL_S
        while True:
            for listener, rest in list(rests.items()):
                try:
                    rests[listener] = rest[listener.send(rest) :]
                except BlockingIOError:
                    continue
                except OSError:
                    self._drop(listener)
                    del rests[listener]
                    continue
                given_up = time.monotonic() + STALL_S
                if not rests[listener]:
                    del rests[listener]
            if not rests or waits_while is None or not waits_while():
                return
            if time.monotonic() > given_up and len(rests) < len(self._listeners):
                for listener in rests:
                    self._drop(listener)
                return
            select.select([], list(rests), [], _NAP_S)

    def _drop(self, listener: socket.socket) -> None:
        self._listeners.remove(listener)
        listener.close()

    def close(self) -> None:
        """See Outlet."""
        for each in (*self._listeners, self._server):
            each.close()


def _has_left(listener: socket.socket) -> bool:
    """True if a listener will send nothing more; closing only its own direction looks the same."""
    try:
        return not listener.recv(1 << 16)
    except BlockingIOError:
        return False
    except OSError:
        return True
