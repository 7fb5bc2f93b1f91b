"""Driving a real port from a real terminal: what the far end reads, and how it ends."""

from __future__ import annotations

import os
import signal
import sys
import time

import numpy as np
import pytest

if sys.platform == "win32":
    pytest.skip("pseudo-terminals are not there on Windows", allow_module_level=True)


from busbench.model import I64
from tests.drive.helpers import counts_of
from tests.port.ends import Wire
from tests.tui.terminal import LIMIT_S, Terminal


def until_quiet(wire: Wire, quiet_s: float) -> I64:
    """Counts of all that came until nothing more does."""
    wire.read(until_quiet_s=quiet_s)
    return counts_of(bytes(wire.data))


def drive(terminal: Terminal, wire: Wire) -> None:
    """Go through cautions and countdown until the channel has left its rest."""
    terminal.see("silent")
    terminal.press("7")
    terminal.see("ARMED on")
    terminal.press("\r")
    terminal.see("WARNING: before anything moves:")
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
        counts = until_quiet(wire, 0.4)
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
        counts = until_quiet(wire, 1.5)
        os.kill(terminal._pid, signal.SIGCONT)
        terminal.see("frames sent")
    # A second without a sign of life, then the ramp from where it was; a sweep lasts 12 s.
    assert 0 < (len(wire.data) - before) / 25 * 0.007 < 3.0
    assert counts[-1].tolist() == [992] * 16
    assert len(wire.data) % 25 == 0


def test_unarmed_the_line_stays_silent(wire: Wire) -> None:
    with Terminal("watch", wire.name, "--no-motor") as terminal:
        terminal.see("silent")
        terminal.press("7\r\r\r\r")
        terminal.see("Not armed: leave with q and start again with --arm")
        assert until_quiet(wire, 0.3).size == 0
        terminal.press("q")
        assert terminal.wait() == 0
    assert not wire.data
