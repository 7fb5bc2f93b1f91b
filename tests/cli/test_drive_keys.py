"""Any key means any key: in a real terminal, with and without a shell above, wherever the messages go."""

from __future__ import annotations

import os
import re
import select
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

if sys.platform == "win32":
    pytest.skip("pseudo-terminals are POSIX", allow_module_level=True)

import fcntl
import termios

from tests.cli.test_keys import KEYS
from tests.drive.helpers import counts_of
from tests.port.ends import LIMIT_S, Wire, wait_for

NO_COUNTDOWN = "import busbench.cli.drive_port as p; p.COUNTDOWN_S = 0; from busbench.cli.main import main; main()"
COUNTDOWN = "from busbench.cli.main import main; main()"


class Terminal:
    """`busbench drive` in a session and terminal of its own.

    Args:
        wire: where it sends to.
        start: Python that starts the command.
        has_shell: True starts it as a job of a shell.
        errors: file that takes standard error, or None for the terminal.
    """

    def __init__(self, wire: Wire, start: str, *, has_shell: bool = False, errors: Path | None = None) -> None:
        self.master, slave = os.openpty()
        self.before = termios.tcgetattr(slave)
        self.keep = slave
        args = ["drive", "hold", "--channel", "1", "--level", "20", "--duration", "60", "--to", wire.name]
        words = [sys.executable, "-c", start, *args, "--no-motor", "--arm"]
        if has_shell:
            words = ["sh", "-c", 'set -m; "$@"; echo code=$?', "sh", *words]

        def take_terminal() -> None:
            os.setsid()
            fcntl.ioctl(0, termios.TIOCSCTTY, 0)

        self.errors = errors.open("wb") if errors is not None else None
        self.process = subprocess.Popen(
            words,
            stdin=slave,
            stdout=slave,
            stderr=self.errors or slave,
            preexec_fn=take_terminal,
            env={**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)},
        )
        self.text = b""

    def take(self, wait_s: float = 0.05) -> None:
        if select.select([self.master], [], [], wait_s)[0]:
            self.text += os.read(self.master, 65_536)

    def see(self, word: bytes) -> None:
        until = time.monotonic() + LIMIT_S
        while word not in self.text:
            assert time.monotonic() < until, self.text.decode()
            self.take()

    def press(self, key: bytes) -> None:
        os.write(self.master, key)

    def wait(self) -> int:
        until = time.monotonic() + LIMIT_S
        while self.process.poll() is None:
            assert time.monotonic() < until, self.text.decode()
            self.take()
        self.take()
        return self.process.returncode

    @property
    def is_restored(self) -> bool:
        return termios.tcgetattr(self.keep) == self.before

    def close(self) -> None:
        self.process.kill()
        self.process.wait()
        for fd in (self.master, self.keep):
            os.close(fd)
        if self.errors is not None:
            self.errors.close()


@pytest.fixture
def terminals() -> Iterator[list[Terminal]]:
    made: list[Terminal] = []
    yield made
    for one in made:
        one.close()


def until_moved(wire: Wire, terminal: Terminal) -> None:
    def is_up() -> bool:
        terminal.take(0)
        assert terminal.process.poll() is None, terminal.text.decode()  # on a busy machine a drive may end itself
        wire.take()
        frames = bytes(wire.data[: len(wire.data) // 25 * 25])
        return bool(frames) and int(counts_of(frames)[-1, 0]) == 1156

    wait_for(is_up)


def at_rest(wire: Wire) -> bool:
    """The end that any key leads to: a ramp back, three frames at rest, silence."""
    wire.read(until_quiet_s=0.3)
    level = counts_of(bytes(wire.data))[:, 0].tolist()
    return bool(level[-3:] == [992, 992, 992] and max(level) == 1156)


# One of each kind: all keys are read in test_keys.
@pytest.mark.parametrize("key", ["Ctrl-Z", "Ctrl-S", "Ctrl-backslash", "Ctrl-C", "no text", "arrow"])
def test_every_key_stops(wire: Wire, terminals: list[Terminal], key: str) -> None:
    terminal = Terminal(wire, NO_COUNTDOWN)
    terminals.append(terminal)
    until_moved(wire, terminal)
    assert not terminal.is_restored
    terminal.press(KEYS[key])
    assert terminal.wait() == 130
    assert b"(stopped)" in terminal.text
    assert terminal.is_restored
    assert at_rest(wire)


# A shell adds its own end to keys that send signals; the others only have to arrive.
@pytest.mark.parametrize("key", ["Ctrl-Z", "Ctrl-backslash", "Ctrl-C", "Ctrl-S", "space"])
def test_every_key_cancels_below_a_shell(wire: Wire, terminals: list[Terminal], key: str) -> None:
    terminal = Terminal(wire, COUNTDOWN, has_shell=True)
    terminals.append(terminal)
    terminal.see(b"moving in 3 s")
    terminal.press(KEYS[key])
    terminal.see(b"code=130")
    terminal.wait()
    assert b"cancelled; nothing was sent" in terminal.text
    assert terminal.is_restored
    assert wire.take() == b""


@pytest.mark.parametrize("key", ["Ctrl-Z", "no text"])
def test_a_key_stops_where_messages_go_elsewhere(
    wire: Wire, terminals: list[Terminal], key: str, tmp_path: Path
) -> None:
    errors = tmp_path / "errors"
    terminal = Terminal(wire, NO_COUNTDOWN, has_shell=True, errors=errors)
    terminals.append(terminal)
    until_moved(wire, terminal)
    terminal.press(KEYS[key])
    terminal.see(b"code=130")
    terminal.wait()
    assert terminal.is_restored
    assert at_rest(wire)
    assert "any key stops" in errors.read_text(encoding="utf-8")


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGHUP, signal.SIGQUIT, signal.SIGTSTP], ids=str)
def test_a_signal_that_ends_or_suspends_stops_and_the_terminal_is_restored(
    wire: Wire, terminals: list[Terminal], number: signal.Signals
) -> None:
    terminal = Terminal(wire, NO_COUNTDOWN)
    terminals.append(terminal)
    until_moved(wire, terminal)
    terminal.process.send_signal(number)
    assert terminal.wait() == 130
    assert terminal.is_restored
    assert at_rest(wire)


def test_a_command_that_was_stopped_for_longer_than_a_second_does_not_go_on(
    wire: Wire, terminals: list[Terminal]
) -> None:
    terminal = Terminal(wire, NO_COUNTDOWN)
    terminals.append(terminal)
    until_moved(wire, terminal)
    terminal.process.send_signal(signal.SIGSTOP)
    assert at_rest(wire)
    terminal.process.send_signal(signal.SIGCONT)
    assert terminal.wait() == 2
    assert b"no sign of life for one second" in terminal.text
    assert terminal.is_restored
    assert wire.read(until_quiet_s=0.2) == b""


def test_a_command_that_was_stopped_in_the_countdown_moves_nothing(wire: Wire, terminals: list[Terminal]) -> None:
    terminal = Terminal(wire, COUNTDOWN)
    terminals.append(terminal)
    terminal.see(b"moving in 3 s")
    terminal.process.send_signal(signal.SIGSTOP)
    time.sleep(1.5)
    terminal.process.send_signal(signal.SIGCONT)
    assert terminal.wait() == 130
    assert re.search(rb"cancelled: busbench was stopped for [1-9]", terminal.text)  # seconds; a busy machine adds some
    assert terminal.is_restored
    assert wire.take() == b""
