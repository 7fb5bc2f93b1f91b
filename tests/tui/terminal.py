"""A real terminal for the tests: a pseudo-terminal, and what would be on its screen."""

from __future__ import annotations

import os
import select
import signal
import struct
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable

import pyte

# Makes its standard input the terminal of its session, then becomes the command.
_IN_TERMINAL = """
import fcntl, os, sys, termios
fcntl.ioctl(0, termios.TIOCSCTTY, 0)
os.execv(sys.argv[1], sys.argv[1:])
"""
LIMIT_S = 30.0  # for a machine that is busy; nothing is measured by it


class Terminal:
    """A command run in a terminal of its own.

    Args:
        words: after `python -m busbench`.
        size: columns and lines.
        environ: added to the environment.
    """

    def __init__(self, *words: str, size: tuple[int, int] = (80, 24), **environ: str) -> None:
        import fcntl
        import termios

        def set_size(fd: int, columns: int, lines: int) -> None:
            fcntl.ioctl(fd, termios.TIOCSWINSZ, struct.pack("HHHH", lines, columns, 0, 0))

        self.screen = pyte.Screen(*size)
        self._stream = pyte.ByteStream(self.screen)
        self.raw = b""
        self.code: int | None = None
        self._set_size = set_size
        self._get_modes: Callable[[], list[object]] = lambda: termios.tcgetattr(self._fd)[:4]
        self._fd, inside = os.openpty()
        set_size(self._fd, *size)
        self.modes = self._get_modes()
        self._process = subprocess.Popen(
            [sys.executable, "-I", "-S", "-c", _IN_TERMINAL, sys.executable, "-m", "busbench", *words],
            stdin=inside,
            stdout=inside,
            stderr=inside,
            start_new_session=True,
            env=os.environ
            | {"TERM": "xterm-256color", "COLORTERM": "truecolor", "XDG_CONFIG_HOME": tempfile.mkdtemp()}
            | environ,
        )
        os.close(inside)
        self._pid = self._process.pid

    def see(self, *wanted: str, line: int | None = None) -> str:
        """Wait until all words are on the screen, or on one line of it."""
        until = time.monotonic() + LIMIT_S
        while True:
            text = "\n".join(self.screen.display) if line is None else self.screen.display[line]
            if all(word in text for word in wanted):
                return text
            assert self.code is None, f"it has ended with {self.code}:\n{text}"
            assert time.monotonic() < until, f"{wanted} not on the screen:\n" + "\n".join(self.screen.display)
            self.take(0.1)

    def see_while(self, wanted: str, do: Callable[[], object]) -> None:
        """Do something again and again until a word is on the screen."""
        until = time.monotonic() + LIMIT_S
        while wanted not in "\n".join(self.screen.display):
            assert time.monotonic() < until, f"{wanted} not on the screen:\n" + "\n".join(self.screen.display)
            do()
            self.take(0.02)

    def press(self, keys: str | bytes) -> None:
        """Type; bytes as no keyboard sends them too."""
        os.write(self._fd, keys if isinstance(keys, bytes) else keys.encode())

    def resize(self, columns: int, lines: int) -> None:
        """Make the window another size."""
        self.screen.resize(lines, columns)
        self._set_size(self._fd, columns, lines)
        os.kill(self._pid, signal.SIGWINCH)

    def wait(self) -> int:
        """Wait until it has ended; its exit code."""
        until = time.monotonic() + LIMIT_S
        while self.code is None:
            assert time.monotonic() < until, "it does not end:\n" + "\n".join(self.screen.display)
            self.take(0.1)
        return self.code

    @property
    def is_restored(self) -> bool:
        """True if the terminal is as it was: its modes, the first screen, a cursor, no reports."""
        ends = {b"\x1b[?1049": b"l", b"\x1b[?25": b"h", b"\x1b[?2004": b"l"}
        last = {key: self.raw[self.raw.rfind(key) + len(key) :][:1] for key in ends}
        return last == ends and self._get_modes() == self.modes

    def close(self) -> None:
        """End it if it still runs."""
        if self._process.poll() is None:
            self._process.kill()
            self._process.wait()
        os.close(self._fd)

    def __enter__(self) -> Terminal:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def take(self, wait_s: float) -> None:
        """Take what it has sent."""
        ready, _, _ = select.select([self._fd], [], [], wait_s)
        data = b""
        if ready:
            try:
                data = os.read(self._fd, 1 << 16)
            except OSError:  # its other end is closed
                data = b""
        self.raw += data
        self._stream.feed(data)
        if not data:
            self.code = self._process.poll()
