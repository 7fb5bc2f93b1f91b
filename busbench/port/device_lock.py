"""One user per device and one sender per socket, under any address."""

from __future__ import annotations

import contextlib
import os
import re
import socket
import stat
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path
from urllib.parse import urlsplit


def device_in(source: str) -> str:
    """The device inside a spy:// or alt:// address, else the source unchanged; `resolve` is for hwgrep://."""
    if re.match(r"(?i)(spy|alt)://", source):
        parts = urlsplit(source)
        return parts.netloc + parts.path
    return source


def socket_keys(source: str) -> tuple[str, ...]:
    """Lock names of the TCP port after socket:// and rfc2217://, one per address of its host; empty for others."""
    parts = urlsplit(source)
    if parts.scheme.lower() not in ("socket", "rfc2217"):
        return ()
    try:
        host, port = parts.hostname or "", parts.port
        found = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)
    except (OSError, ValueError, UnicodeError):  # opening it explains what is wrong
        return ()
    return tuple(sorted({f"tcp {str(address[0]).removeprefix('::ffff:')} {port}" for *_, address in found}))


def device_keys(source: str) -> tuple[str, ...]:
    """The lock name of a serial device by its number, the same for all its nodes; empty for others."""
    try:
        state = os.stat(device_in(source))  # noqa: PTH116 - a name may be any text, such as one with a NUL
    except (OSError, ValueError):
        return ()
    if sys.platform == "win32" or not stat.S_ISCHR(state.st_mode):
        return ()
    return (f"device {os.major(state.st_rdev)} {os.minor(state.st_rdev)}",)


class DeviceLock:
    """A lock until released or until the process ends.

    Args:
        keys: lock names; without any, nothing is locked.

    Raises:
        BlockingIOError: another process holds one of them.
    """

    def __init__(self, keys: tuple[str, ...]) -> None:
        self.keys = keys
        self._held = contextlib.ExitStack()
        with contextlib.ExitStack() as held:
            for key in keys:
                held.enter_context(_lock_abstract(key) if sys.platform == "linux" else _lock_file(key))
            self._held = held.pop_all()

    def release(self) -> None:
        """Release the lock."""
        self._held.close()


@contextlib.contextmanager
def _lock_abstract(key: str) -> Iterator[None]:
    """Lock a name in the kernel: no file remains, and none can be removed."""
    if sys.platform != "linux":
        raise NotImplementedError
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as holder:
        try:
            holder.bind(f"\0busbench {key}")
        except OSError:
            raise BlockingIOError(f"{key} is locked") from None
        yield


@contextlib.contextmanager
def _lock_file(key: str) -> Iterator[None]:
    folder = Path(tempfile.gettempdir() if sys.platform == "win32" else "/tmp")
    path = folder / f"busbench-{re.sub('[^0-9A-Za-z.]', '-', key)}.lock"
    try:
        fd = os.open(path, os.O_RDWR | os.O_CREAT | getattr(os, "O_NOFOLLOW", 0), 0o666)
    except OSError:  # no space or permission in the folder: no lock is better than no port
        yield
        return
    try:
        if sys.platform == "win32":
            import msvcrt

            msvcrt.locking(fd, msvcrt.LK_NBLCK, 1)
        else:
            import fcntl

            fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        os.close(fd)
        raise BlockingIOError(f"{key} is locked") from None
    try:
        yield
    finally:
        os.close(fd)
