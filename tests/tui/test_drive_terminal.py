"""Driving a real port from a real terminal: what the far end reads, and how it ends."""

from __future__ import annotations

import os
import select
import signal
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
import pytest

if sys.platform == "win32":
    pytest.skip("pseudo-terminals are not there on Windows", allow_module_level=True)

import tty

from busbench.model import I64
from tests.drive.helpers import counts_of
from tests.tui.terminal import LIMIT_S, Terminal


@dataclass
class Wire:
    """The far end of a port."""

    master: int
    name: str
    data: bytearray = field(default_factory=bytearray)

    def take(self) -> bool:
        """Take what has come; True where something had."""
        ready, _, _ = select.select([self.master], [], [], 0)
        if ready:
            self.data += os.read(self.master, 1 << 16)
        return bool(ready)

    def until_quiet(self, quiet_s: float) -> I64:
        """Counts of all that came until nothing more does."""
        last = time.monotonic()
        while time.monotonic() - last < quiet_s:
            last = time.monotonic() if self.take() else last
            time.sleep(0.005)
        return counts_of(bytes(self.data))


@pytest.fixture
def wire() -> Iterator[Wire]:
    master, slave = os.openpty()
    tty.setraw(slave)
    yield Wire(master, os.ttyname(slave))
    os.close(master)
    os.close(slave)


def drive(terminal: Terminal, wire: Wire) -> None:
    """Go through cautions and countdown until the channel has left its rest."""
    terminal.see("silent")
    terminal.press("7")
    terminal.see("ARMED on")
    terminal.press("\r")
    terminal.see("Before anything moves:")
    terminal.press("\r")
    terminal.see("moving in")
    assert not wire.data
    until = time.monotonic() + LIMIT_S
    while len(wire.data) < 100 * 25:
        assert time.monotonic() < until, "\n".join(terminal.screen.display)
        wire.take()
        terminal.take(0.01)


def test_a_key_ramps_to_rest_and_then_it_is_silent(wire: Wire) -> None:
    with Terminal("watch", wire.name, "--arm", "--motor", "3") as terminal:
        drive(terminal, wire)
        terminal.see("S T O P     any key stops")
        terminal.press("q")
        counts = wire.until_quiet(0.4)
        terminal.see("frames sent", "(stopped)")
        terminal.press("q")
        assert terminal.wait() == 0
        assert terminal.is_restored
    assert int(np.ptp(counts[:, 0])) > 200
    assert counts[-1].tolist() == [992, 992, 173] + [992] * 13
    assert set(counts[:, 2].tolist()) == {173}
    assert len(wire.data) % 25 == 0


def test_a_screen_that_does_not_answer_ends_the_drive(wire: Wire) -> None:
    with Terminal("watch", wire.name, "--arm", "--no-motor") as terminal:
        drive(terminal, wire)
        before = len(wire.data)
        os.kill(terminal._pid, signal.SIGSTOP)
        counts = wire.until_quiet(0.5)
        os.kill(terminal._pid, signal.SIGCONT)
        terminal.see("frames sent")
    # A second without a sign of life, then the ramp from where it stood; a sweep lasts 12 s.
    assert 0 < (len(wire.data) - before) / 25 * 0.007 < 3.0
    assert counts[-1].tolist() == [992] * 16
    assert len(wire.data) % 25 == 0


def test_unarmed_the_line_stays_silent(wire: Wire) -> None:
    with Terminal("watch", wire.name, "--no-motor") as terminal:
        terminal.see("silent")
        terminal.press("7\r\r\r\r")
        terminal.see("nothing was sent, since it is not armed")
        assert wire.until_quiet(0.3).size == 0
        terminal.press("q")
        assert terminal.wait() == 0
    assert not wire.data
