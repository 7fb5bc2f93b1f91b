"""Bytes written to a port that the system still holds: the next frame waits for them, or is not sent.

What each system reports, and what bounds the rest:

- serial device: TIOCOUTQ counts the bytes that the driver holds. They leave at the rate of the line.
- Linux pseudo-terminal: TIOCOUTQ is always 0, though 20 kB fit between the ends. Each read by the far end that
  leaves 128 bytes or less wakes the writer; an edge-triggered poll notices it. One frame can lie unread, two where
  the computer was too busy to distinguish that wake from the one of our own write.
- TCP: SIOCOUTQ counts the bytes that the far system has not acknowledged. It acknowledges what its program has not
  read yet; on this computer the far socket can be asked for that (sock_diag). Of a program on another computer that
  stops reading nothing is known: its receive buffer is the bound.
- elsewhere `out_waiting`.
"""

from __future__ import annotations

import abc
import contextlib
import os
import select
import socket
import struct
import sys
from time import perf_counter_ns
from typing import Any

from busbench.wire.frame_spec import FRAME_BYTES

_OWN_WAKE_NS = 50_000  # later than this after a write, its own wake looks like that of a read
_PTY_MAJORS = range(136, 144)
_SIOCOUTQ = 0x5411
_SO_NWRITE = 0x1024  # macOS
_SOCK_DIAG, _DIAG_BY_FAMILY, _ERROR = 4, 20, 2


class Backlog(abc.ABC):
    """Written bytes that have not left yet."""

    @property
    @abc.abstractmethod
    def unsent(self) -> int:
        """Number of bytes that the system still holds, as far as reported."""

    @property
    def is_clear(self) -> bool:
        """True if a frame written now will leave in its slot."""
        return self.unsent <= FRAME_BYTES

    def note_write(self, written_ns: int) -> None:
        """Call directly after each write, with the perf_counter_ns at which it returned."""
        del written_ns

    @abc.abstractmethod
    def discard(self) -> bool:
        """Discard unsent bytes; True if that closes the port, as for a socket."""

    def close(self) -> None:  # noqa: B027 - most have nothing to release
        """Release opened descriptors."""


class TtyBacklog(Backlog):
    """A serial device."""

    def __init__(self, fd: int) -> None:
        self._fd = fd

    @property
    def unsent(self) -> int:
        """See Backlog."""
        if sys.platform == "win32":
            return 0
        import fcntl
        import termios

        try:
            return int(struct.unpack("i", fcntl.ioctl(self._fd, termios.TIOCOUTQ, bytes(4)))[0])
        except OSError:  # lost: reading the port reports it
            return 0

    def discard(self) -> bool:
        """See Backlog."""
        if sys.platform != "win32":
            import termios

            with contextlib.suppress(OSError, termios.error):
                termios.tcflush(self._fd, termios.TCOFLUSH)
        return False


class PtyBacklog(TtyBacklog):
    """A Linux pseudo-terminal, by the descriptor of the written end."""

    _wakes: Any  # select.epoll, only on Linux

    def __init__(self, fd: int) -> None:
        super().__init__(fd)
        self._is_unread = False
        if sys.platform == "linux":
            self._wakes = select.epoll()
            self._wakes.register(fd, select.EPOLLOUT | select.EPOLLET)
            self._wakes.poll(0)

    @property
    def unsent(self) -> int:
        """See Backlog; whole frames only."""
        if self._is_unread and self._wakes.poll(0):
            self._is_unread = False
        return FRAME_BYTES if self._is_unread else 0

    @property
    def is_clear(self) -> bool:
        """True if the far end has read everything, since it reads without spacing."""
        return not self.unsent

    def note_write(self, written_ns: int) -> None:
        """See Backlog."""
        self._wakes.poll(0)  # the write also wakes its own poll
        self._is_unread = perf_counter_ns() - written_ns < _OWN_WAKE_NS

    def close(self) -> None:
        """See Backlog."""
        self._wakes.close()


class SocketBacklog(Backlog):
    """A TCP socket."""

    def __init__(self, connection: socket.socket) -> None:
        self._socket = connection
        self._far = _PeerSocket.of(connection)

    @property
    def unsent(self) -> int:
        """See Backlog, with what a program on this computer has not read."""
        far = None if self._far is None else self._far.unread()
        return self._unacknowledged() if far is None else far

    @property
    def is_clear(self) -> bool:
        """True if the far end has received everything, and has read it if that is known."""
        far = None if self._far is None else self._far.unread()
        return self._unacknowledged() <= FRAME_BYTES if far is None else far == 0

    def _unacknowledged(self) -> int:
        try:
            if sys.platform == "linux":
                import fcntl

                return int(struct.unpack("i", fcntl.ioctl(self._socket, _SIOCOUTQ, bytes(4)))[0])
            if sys.platform == "darwin":
                return int(self._socket.getsockopt(socket.SOL_SOCKET, _SO_NWRITE))
        except (OSError, ValueError):  # closed: reading the port reports it
            pass
        return 0

    def discard(self) -> bool:
        """As Backlog says: closing a socket that does not linger resets it."""
        with contextlib.suppress(OSError):
            self._socket.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
            self._socket.close()
        return True

    def close(self) -> None:
        """See Backlog."""
        if self._far is not None:
            self._far.close()


class _PeerSocket:
    """The other end of a connection within this computer."""

    def __init__(self, link: socket.socket, request: bytes) -> None:
        self._link, self._request = link, request

    @classmethod
    def of(cls, connection: socket.socket) -> _PeerSocket | None:
        """The other end, None if it is on another computer or cannot be queried."""
        if sys.platform != "linux":
            return None
        try:
            family, far, near = connection.family, connection.getpeername(), connection.getsockname()
            if family not in (socket.AF_INET, socket.AF_INET6):
                return None
            ports = struct.pack(">HH", far[1], near[1])
            addresses = b"".join(
                socket.inet_pton(family, one[0].partition("%")[0]).ljust(16, b"\0") for one in (far, near)
            )
            any_cookie = struct.pack("=III", 0, 0xFFFFFFFF, 0xFFFFFFFF)
            body = struct.pack("=BBBBI", family, socket.IPPROTO_TCP, 0, 0, 0xFFFFFFFF) + ports + addresses + any_cookie
            request = struct.pack("=IHHII", 16 + len(body), _DIAG_BY_FAMILY, 1, 1, 0) + body
            link = socket.socket(socket.AF_NETLINK, socket.SOCK_RAW, _SOCK_DIAG)
            link.settimeout(0.002)
        except OSError:
            return None
        found = cls(link, request)
        if found.unread() is None:
            link.close()
            return None
        return found

    def unread(self) -> int | None:
        """Bytes that its program has not read, None if unknown."""
        try:
            self._link.send(self._request)
            answer = self._link.recv(4096)
        except OSError:
            return None
        if len(answer) < 72 or struct.unpack_from("=H", answer, 4)[0] == _ERROR:
            return None
        return int(struct.unpack_from("=I", answer, 16 + 4 + 48 + 4)[0])

    def close(self) -> None:
        self._link.close()


class QueueBacklog(Backlog):
    """A port without a descriptor."""

    def __init__(self, port: Any) -> None:
        self._port = port

    @property
    def unsent(self) -> int:
        """See Backlog; 0 if the port cannot say."""
        try:
            return int(self._port.out_waiting)
        except Exception:  # not every kind of port has it, and a lost one may raise anything
            return 0

    def discard(self) -> bool:
        """See Backlog."""
        with contextlib.suppress(Exception):
            self._port.reset_output_buffer()
        return False


def backlog_of(port: Any) -> Backlog:
    """The Backlog of an open port."""
    connection = getattr(port, "_socket", None)
    if isinstance(connection, socket.socket):
        return SocketBacklog(connection)
    try:
        fd = int(port.fileno())
        if not os.isatty(fd):
            return QueueBacklog(port)
    except Exception:  # no descriptor, as on Windows
        return QueueBacklog(port)
    is_pty = sys.platform == "linux" and os.major(os.fstat(fd).st_rdev) in _PTY_MAJORS
    return PtyBacklog(fd) if is_pty else TtyBacklog(fd)
