"""A click stops what moves; the mouse is the terminal's otherwise. Time in suspend is time that passed."""

from __future__ import annotations

import sys

import pytest

from busbench.bench.tick_clock import TickClock
from busbench.tui.terminal import Clicks
from tests.port.ends import Wire

S = 1_000_000_000


def test_time_in_suspend_is_told_apart() -> None:
    awake = iter([0, 1 * S, 2 * S, 3 * S])
    real = iter([500 * S, 501 * S, 502 * S + S // 10, 4103 * S])
    clock = TickClock(now_ns=lambda: next(awake), real=lambda: next(real))
    assert clock.take() == (1.0, 0.0)
    assert clock.take() == (1.0, 0.0)
    assert clock.take() == (1.0, 3599.9)


def test_the_mouse_is_given_back_where_it_was_asked_for(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sys, "__stderr__", sys.stderr)
    clicks = Clicks()
    clicks.restore()
    assert capsys.readouterr().err == ""
    clicks._is_heard = True
    clicks.restore()
    assert capsys.readouterr().err == "\x1b[?1006l\x1b[?1000l"


@pytest.mark.skipif(sys.platform == "win32", reason="pseudo-terminals are POSIX")
def test_a_click_stops_the_drive(wire: Wire) -> None:
    from tests.tui.terminal import Terminal
    from tests.tui.test_drive_terminal import drive, until_quiet

    with Terminal("watch", wire.name, "--arm", "--motor", "3") as terminal:
        assert b"\x1b[?1000h" not in terminal.raw
        drive(terminal, wire)
        assert b"\x1b[?1000h\x1b[?1006h" in terminal.raw
        terminal.press("\x1b[<0;40;12M")
        counts = until_quiet(wire, 0.4)
        terminal.see("frames sent", "(stopped)")
        terminal.press("q")
        assert terminal.wait() == 0
        assert terminal.raw.rindex(b"\x1b[?1000l") > terminal.raw.rindex(b"\x1b[?1000h")
    assert counts[-1].tolist() == [992, 992, 173] + [992] * 13
