"""All commands of the screen by name, for the list that ctrl+p opens."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from textual.app import SystemCommand

from busbench.tui.screens import VIEWS

if TYPE_CHECKING:
    from busbench.tui.app import BenchApp


def system_commands(app: BenchApp) -> Iterator[SystemCommand]:
    """The views first, then all keys."""
    for at, view in enumerate(VIEWS):
        yield SystemCommand(view.name, view.text, lambda at=at: app.action_view(at))
    yield SystemCommand("Play or pause, freeze or follow", "space", app.action_play)
    yield SystemCommand("Next outage", "n", lambda: app.action_jump(1))
    yield SystemCommand("Previous outage", "p", lambda: app.action_jump(-1))
    yield SystemCommand("Set a mark", "m", app.action_mark)
    yield SystemCommand("Reset spans", "z", app.action_reset)
    yield SystemCommand("Next unit", f"u: counts, {'us' if app.ui.is_ascii else 'µs'}, %", app.action_unit)
    yield SystemCommand("Cut begins here", "i", lambda: app.action_cut(0))
    yield SystemCommand("Cut ends here", "o", lambda: app.action_cut(1))
    yield SystemCommand("Write the cut", "x", app.action_export)
    yield SystemCommand("Record, or stop recording", "r", app.action_record)
    yield SystemCommand("Bell on losses", "b", app.action_ring)
    yield SystemCommand("What was said last", "l", app.action_again)
    yield SystemCommand("Choose another source", "s", app.action_choose)
    if not app.ui.palette.is_ansi:
        yield SystemCommand("Light or dark", "paper or slate", app.action_shade)
    yield SystemCommand("Help", "every figure in one sentence", app.action_help)
    yield SystemCommand("Quit", "q", app.action_quit)
