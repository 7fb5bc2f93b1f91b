"""Keys as they are pressed, without Enter."""

from __future__ import annotations

import contextlib
import os
import queue
import select
import signal
import sys
import threading
import time
from collections.abc import Callable, Iterator

AnyKey = Callable[[float], bool]
"""Waits up to so many seconds; True as soon as a key was pressed, or the keyboard is gone."""

ReadKey = Callable[[float], str]
"""Waits up to so many seconds; what was typed meanwhile, nothing, or GONE."""

GONE = "\x04"  # the keyboard is gone, or its user ended the input

_LOOK_S = 0.02


def has_keyboard() -> bool:
    """True where standard input is a terminal."""
    return sys.stdin is not None and sys.stdin.isatty()


@contextlib.contextmanager
def listen_for_keys() -> Iterator[AnyKey]:
    """Tell for a while whether a key was pressed; the terminal is as before afterwards."""
    with read_keys() as read_key:
        yield lambda seconds: bool(read_key(seconds))


@contextlib.contextmanager
def read_keys() -> Iterator[ReadKey]:
    """Hand over keys for a while; the terminal is as before afterwards."""
    if sys.platform == "win32":
        yield _windows_key
        return
    import termios
    import tty

    fd = sys.stdin.fileno()
    before = termios.tcgetattr(fd)
    tty.setcbreak(fd, termios.TCSAFLUSH)
    try:
        with _ends_as_by_a_key():
            yield lambda seconds: _posix_key(fd, seconds)
    finally:
        # What was typed meanwhile was meant for us, not for the shell.
        with contextlib.suppress(termios.error):
            termios.tcsetattr(fd, termios.TCSAFLUSH, before)


@contextlib.contextmanager
def read_answers() -> Iterator[ReadKey]:
    """Keys at a terminal; where there is none, lines of standard input, whose first letters count.

    A line that stands ready answers what is asked, and stops nothing that is under way.
    """
    if has_keyboard():
        with read_keys() as read_key:
            yield read_key
        return
    lines: queue.Queue[str] = queue.Queue()

    def feed() -> None:
        with contextlib.suppress(OSError, ValueError):  # closed under us: no more lines
            for line in sys.stdin or ():
                lines.put(line)
        lines.put(GONE)

    def read(seconds: float) -> str:
        if not seconds:
            return ""
        try:
            line = lines.get(timeout=seconds)
        except queue.Empty:
            return ""
        if line == GONE:
            lines.put(GONE)
        return line

    threading.Thread(target=feed, daemon=True).start()
    yield read


@contextlib.contextmanager
def _ends_as_by_a_key() -> Iterator[None]:
    """Being told to end is taken as Ctrl-C: what moves comes to rest, and the terminal is given back."""

    def interrupt(*_: object) -> None:
        raise KeyboardInterrupt

    if sys.platform == "win32" or threading.current_thread() is not threading.main_thread():
        yield
        return
    before = {number: signal.signal(number, interrupt) for number in (signal.SIGTERM, signal.SIGHUP)}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def _posix_key(fd: int, seconds: float) -> str:
    try:
        ready, _, _ = select.select([fd], [], [], seconds)
        if not ready:
            return ""
        data = os.read(fd, 1024)
    except OSError:
        return GONE
    return data.decode("utf-8", "replace") or GONE  # nothing to read is a terminal that was closed


def _windows_key(seconds: float) -> str:
    if sys.platform != "win32":
        raise AssertionError("Windows only")
    import msvcrt

    deadline = time.perf_counter() + seconds
    while True:
        if msvcrt.kbhit():
            char = msvcrt.getwch()
            # An arrow or the like comes in two; its second must not pass for a letter.
            return f"\x1b{msvcrt.getwch()}" if char in "\x00\xe0" else char
        left = deadline - time.perf_counter()
        if left <= 0:
            return ""
        time.sleep(min(_LOOK_S, left))
