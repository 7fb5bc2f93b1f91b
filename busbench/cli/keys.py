"""Single keys, without Enter."""

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
from typing import Any

from busbench.errors import PortError

AnyKey = Callable[[float], bool]
"""Waits up to so many seconds; True as soon as a key was pressed, or the keyboard is gone."""

ReadKey = Callable[[float], str]
"""Waits up to so many seconds; what was typed meanwhile, nothing, or GONE."""

GONE = "\x04"  # the keyboard is lost, or the input ended

_LOOK_S = 0.02
_CTRL_C = b"\x03"


def has_keyboard() -> bool:
    """True if standard input is a terminal."""
    return sys.stdin is not None and sys.stdin.isatty()


@contextlib.contextmanager
def listen_for_keys() -> Iterator[AnyKey]:
    """Tell for a while whether a key was pressed; the terminal is as before afterwards."""
    with read_keys() as read_key:
        yield lambda seconds: bool(read_key(seconds))


@contextlib.contextmanager
def read_keys() -> Iterator[ReadKey]:
    """Read all keys inside the block, also those that otherwise suspend, quit or hold output.

    Ctrl-C raises KeyboardInterrupt. The terminal is restored at the end.

    Raises:
        PortError: the terminal cannot be set.
    """
    if sys.platform == "win32":
        yield _windows_key
        return
    import termios

    fd = sys.stdin.fileno()
    before = termios.tcgetattr(fd)
    try:
        termios.tcsetattr(fd, termios.TCSAFLUSH, _every_key(before))
    except termios.error as error:
        what = f"cannot be set to read single keys ({error.args[-1]})"
        raise PortError("standard input", what, hint="run it in the foreground of a terminal") from None
    try:
        with _ends_as_by_a_key():
            yield lambda seconds: _posix_key(fd, seconds)
    finally:
        # Keys typed meanwhile were meant for busbench, not for the shell.
        with contextlib.suppress(termios.error):
            termios.tcsetattr(fd, termios.TCSAFLUSH, before)


@contextlib.contextmanager
def read_answers() -> Iterator[ReadKey]:
    """Keys of a terminal; without one, the first letters of lines of standard input.

    A waiting line answers the question, but stops no motion.
    """
    if has_keyboard():
        with read_keys() as read_key:
            yield read_key
        return
    lines: queue.Queue[str] = queue.Queue()

    def feed() -> None:
        with contextlib.suppress(OSError, ValueError):  # closed meanwhile: no more lines
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


def _every_key(before: list[Any]) -> list[Any]:
    """Terminal settings without echo, line editing or special keys; output is unchanged."""
    if sys.platform == "win32":
        raise AssertionError("POSIX only")
    import termios

    inputs, outputs, control, local, *speeds, characters = before
    inputs &= ~(termios.IXON | termios.IXOFF | termios.IXANY | termios.BRKINT | termios.ISTRIP | termios.IGNCR)
    local &= ~(termios.ISIG | termios.ICANON | termios.ECHO | termios.ECHONL | termios.IEXTEN)
    characters = list(characters)
    characters[termios.VMIN], characters[termios.VTIME] = 1, 0
    return [inputs, outputs, control, local, *speeds, characters]


@contextlib.contextmanager
def _ends_as_by_a_key() -> Iterator[None]:
    """Treat signals to end or suspend as Ctrl-C: motion comes to rest, and the terminal is restored."""

    def interrupt(*_: object) -> None:
        raise KeyboardInterrupt

    if sys.platform == "win32" or threading.current_thread() is not threading.main_thread():
        yield
        return
    taken = (signal.SIGTERM, signal.SIGHUP, signal.SIGQUIT, signal.SIGTSTP)
    before = {number: signal.signal(number, interrupt) for number in taken}
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
    if _CTRL_C in data:
        raise KeyboardInterrupt
    return data.decode("utf-8", "replace") or GONE  # nothing to read: the terminal was closed


def _windows_key(seconds: float) -> str:
    if sys.platform != "win32":
        raise AssertionError("Windows only")
    import msvcrt

    deadline = time.perf_counter() + seconds
    while True:
        if msvcrt.kbhit():
            char = msvcrt.getwch()
            # Arrow keys send two characters; the second must not count as a letter.
            return f"\x1b{msvcrt.getwch()}" if char in "\x00\xe0" else char
        left = deadline - time.perf_counter()
        if left <= 0:
            return ""
        time.sleep(min(_LOOK_S, left))
