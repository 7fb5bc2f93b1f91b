"""What is against a command in the table of errors, by the words in brackets above it."""

from __future__ import annotations

import contextlib
import errno
import os
import socket
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from types import SimpleNamespace
from typing import NoReturn

import numpy as np
import pytest

from busbench.cli import drive_port, keys
from busbench.port import port_client
from busbench.wire.codec import pack_frames
from tests.port.ends import Far, wait_for

Moment = Callable[[pytest.MonkeyPatch], contextlib.AbstractContextManager[object]]
"""Lasts as long as the command; gives the names of the table that mean something of it, if any."""

_DENY_TTY = """
import os
from errno import EACCES
real = os.open
def refuse(path, *more):
    if path == "/dev/tty": raise PermissionError(EACCES, "Permission denied")
    return real(path, *more)
os.open = refuse
"""


def failing(code: int) -> Callable[..., NoReturn]:
    """A call of the system that fails."""

    def fail(*_: object, **__: object) -> NoReturn:
        raise OSError(code, os.strerror(code))

    return fail


@contextmanager
def _terminal(patch: pytest.MonkeyPatch) -> Iterator[None]:
    for stream in (sys.stdin, sys.stderr):
        patch.setattr(stream, "isatty", lambda: True)
    patch.setenv("COLUMNS", "1000")  # lines are compared whole
    patch.setattr("busbench.cli.output.WIDTH_MOST", 1000)
    yield


@contextmanager
def _output_to_terminal(patch: pytest.MonkeyPatch) -> Iterator[None]:
    patch.setattr(sys.stdout, "isatty", lambda: True)
    yield


@contextmanager
def _plain_terminal(patch: pytest.MonkeyPatch) -> Iterator[None]:
    patch.setenv("TERM", "dumb")
    yield


@contextmanager
def _no_temporary_folder(patch: pytest.MonkeyPatch) -> Iterator[None]:
    patch.setattr(tempfile, "tempdir", str(Path("nowhere").absolute()))
    yield


@contextmanager
def _no_fsspec(patch: pytest.MonkeyPatch) -> Iterator[None]:
    patch.setitem(sys.modules, "fsspec", None)
    yield


@contextmanager
def _no_distributed(patch: pytest.MonkeyPatch) -> Iterator[None]:
    patch.setitem(sys.modules, "distributed", None)
    yield


@contextmanager
def _full_temporary_folder(patch: pytest.MonkeyPatch) -> Iterator[None]:
    patch.setattr("shutil.copyfileobj", failing(errno.ENOSPC))
    yield


@contextmanager
def _recorded_to(_: pytest.MonkeyPatch) -> Iterator[None]:
    from busbench.capture.pcapng_write import PcapngWriter
    from busbench.line import BUS_LINE
    from busbench.model import Clock, ClockKind

    clock = Clock(ClockKind.PER_READ, 1000)
    with PcapngWriter("kept.pcapng", port="", line=BUS_LINE, clock=clock, start_utc_ns=None):
        yield


@contextmanager
def _disk_fills_up(patch: pytest.MonkeyPatch) -> Iterator[None]:
    real, calls = os.write, iter(range(1 << 30))

    def write(fd: int, data: bytes) -> int:
        return real(fd, data) if next(calls) == 0 else failing(errno.ENOSPC)()

    patch.setattr("busbench.growing_file.os.write", write)
    yield


@contextmanager
def _no_process(patch: pytest.MonkeyPatch) -> Iterator[None]:
    patch.setattr(subprocess, "Popen", failing(errno.EAGAIN))
    yield


@contextmanager
def _dumb_port(patch: pytest.MonkeyPatch) -> Iterator[None]:
    patch.setattr(port_client, "_START", "import time; time.sleep(600)")
    patch.setattr(port_client, "_OPEN_S", 0.1)
    yield


@contextmanager
def _no_look(patch: pytest.MonkeyPatch) -> Iterator[None]:
    patch.setattr("busbench.port.open_serial.os.stat", failing(errno.EACCES))
    yield


@contextmanager
def _served(_: pytest.MonkeyPatch) -> Iterator[dict[str, str]]:
    with socket.create_server(("127.0.0.1", 0)) as server:
        yield {"{taken}": str(server.getsockname()[1])}


@contextmanager
def _windows(patch: pytest.MonkeyPatch) -> Iterator[None]:
    patch.setattr("busbench.sim.playback.sys", SimpleNamespace(platform="win32"))
    yield


@contextmanager
def _busy_port(_: pytest.MonkeyPatch) -> Iterator[dict[str, str]]:
    import fcntl

    master, slave = os.openpty()
    fcntl.flock(slave, fcntl.LOCK_EX)
    yield {"{busy}": os.ttyname(slave)}
    os.close(slave)
    os.close(master)


@contextmanager
def _denied_port(patch: pytest.MonkeyPatch) -> Iterator[None]:
    patch.setattr(port_client, "_START", _DENY_TTY + port_client._START)
    yield


@contextmanager
def _at_a_port(patch: pytest.MonkeyPatch, *, read_key: Callable[[float], str] = lambda _: "") -> Iterator[Far]:
    """A far end at the path "port", and a keyboard."""
    patch.setattr(keys, "read_keys", lambda: contextlib.nullcontext(read_key))
    for module in (keys, drive_port):
        patch.setattr(module, "has_keyboard", lambda: True)
    far = Far(Path("port"))
    yield far
    far.unplug()


@contextmanager
def _unplugged_before_it_sends(patch: pytest.MonkeyPatch) -> Iterator[None]:
    ends: list[Far] = []

    def read_key(_: float) -> str:
        ends[0].unplug()
        return ""

    with _at_a_port(patch, read_key=read_key) as far:
        ends.append(far)
        yield


@contextmanager
def _unplugged_while_it_sends(patch: pytest.MonkeyPatch) -> Iterator[None]:
    with _at_a_port(patch) as far:
        patch.setattr(drive_port, "COUNTDOWN_S", 0)

        def unplug() -> None:
            wait_for(lambda: bool(far.read()))
            far.unplug()

        thread = threading.Thread(target=unplug)
        thread.start()
        yield
        thread.join()


@contextmanager
def _where_another_sends(patch: pytest.MonkeyPatch) -> Iterator[None]:
    ends: list[Far] = []

    def read_key(_: float) -> str:
        if ends:
            ends.pop().write(pack_frames(np.full((20, 16), 992, np.uint16)).tobytes())
        time.sleep(0.05)
        return ""

    with _at_a_port(patch, read_key=read_key) as far:
        patch.setattr(drive_port, "COUNTDOWN_S", 0.3)
        ends.append(far)
        yield


MOMENTS: dict[str, Moment] = {
    "": lambda _: contextlib.nullcontext(),
    "in a terminal": _terminal,
    "where standard output is a terminal": _output_to_terminal,
    "in a terminal that shows no screens": _plain_terminal,
    "on Windows": _windows,
    "where no temporary file can be made": _no_temporary_folder,
    "where distributed is not installed": _no_distributed,
    "where fsspec is not installed": _no_fsspec,
    "where there is no room for temporary files": _full_temporary_folder,
    "while another program records to it": _recorded_to,
    "where the disk fills up": _disk_fills_up,
    "where no program can be started": _no_process,
    "while another program has the port": _busy_port,
    "where access to the port is denied": _denied_port,
    "where the port cannot be looked at": _no_look,
    "where the port does not answer": _dumb_port,
    "where another program serves there": _served,
    "where a receiver sends on the line": _where_another_sends,
    "where the port is unplugged in the countdown": _unplugged_before_it_sends,
    "where the port is unplugged while a question is asked": _unplugged_before_it_sends,
    "where the port is unplugged while frames go out": _unplugged_while_it_sends,
}
