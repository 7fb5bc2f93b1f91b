"""Keys as they are pressed, without Enter."""

from __future__ import annotations

import contextlib
import os
import select
import sys
import time
from collections.abc import Callable, Iterator

AnyKey = Callable[[float], bool]
"""Waits up to so many seconds; True as soon as a key was pressed, or the keyboard is gone."""

_LOOK_S = 0.02


def has_keyboard() -> bool:
    """True where standard input is a terminal."""
    return sys.stdin is not None and sys.stdin.isatty()


@contextlib.contextmanager
def listen_for_keys() -> Iterator[AnyKey]:
    """Hand over single keys for a while; the terminal is as before afterwards."""
    if sys.platform == "win32":
        yield _windows_key
        return
    import termios
    import tty

    fd = sys.stdin.fileno()
    before = termios.tcgetattr(fd)
    tty.setcbreak(fd, termios.TCSAFLUSH)
    try:
        yield lambda seconds: _posix_key(fd, seconds)
    finally:
        # What was typed meanwhile was meant for us, not for the shell.
        with contextlib.suppress(termios.error):
            termios.tcsetattr(fd, termios.TCSAFLUSH, before)


def _posix_key(fd: int, seconds: float) -> bool:
    try:
        ready, _, _ = select.select([fd], [], [], seconds)
        if ready:
            os.read(fd, 1024)  # nothing to read is a terminal that was closed: as good as a key
    except OSError:
        return True
    return bool(ready)


def _windows_key(seconds: float) -> bool:
    if sys.platform != "win32":
        raise AssertionError("Windows only")
    import msvcrt

    deadline = time.perf_counter() + seconds
    while True:
        if msvcrt.kbhit():
            msvcrt.getwch()
            return True
        left = deadline - time.perf_counter()
        if left <= 0:
            return False
        time.sleep(min(_LOOK_S, left))
