"""What a key has changed is on the screen at once, in every part of every view."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from textual.widgets import Input

from busbench.capture.open import open_capture
from busbench.rig.load import read_rig
from busbench.tui.app import BenchApp
from busbench.tui.opening import rig_names
from busbench.tui.replay import ReplaySession
from busbench.tui.screens.base import BenchView
from busbench.tui.session import Session
from busbench.tui.widgets.line_widget import LineWidget
from tests.cli.running import CAPTURES
from tests.tui.ports import Live
from tests.tui.screens import shown
from tests.tui.test_driving import NO_MOTOR

RIG = CAPTURES / "heron.toml"
ON_RECORDING = """
    shift+right right left pagedown pageup space space plus minus home n p i shift+right o z u b l full_stop comma
    down up y enter v down c escape 2 full_stop comma n u 3 n enter enter k k slash g enter slash escape slash backspace
    enter 4 n b u space space m x enter 5 down right f f left up u 8 right down up left u 7 down right up left n end
"""
LIVE = """
    space space r r u z b m x enter 2 u 3 b 4 b 5 enter enter u enter k b e y f f down up b escape 6 down up
    f escape f backspace enter enter k b t x enter k k k k k k k k k b k e enter 7 down right up left shift+right
    shift+left u enter escape 8 left down u 1 down
"""


def stale(app: BenchApp) -> list[str]:
    """Parts of the view, which is seen above a question too, whose lines are not those that it would draw now."""
    view = next(screen for screen in reversed(app.screen_stack) if isinstance(screen, BenchView))
    found = []
    for widget in view.query(LineWidget):
        before = widget._lines
        widget.redraw()
        if widget.size.area and before != widget._lines:
            found.append(type(widget).__name__)
    return found


@pytest.mark.parametrize("keys", [ON_RECORDING, LIVE], ids=["on a recording", "live"])
async def test_after_each_key_nothing_is_left_to_draw(
    keys: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    plan = read_rig(RIG)
    session: Session
    if keys is LIVE:
        session = Live("virtual:?period=15ms&pilot=still&gaps=0.5:0.2", names=rig_names(plan)).pass_s(1.2)
    else:
        path = shutil.copy(CAPTURES / "heron-round-faulty.pcapng", tmp_path)  # annotations are kept beside it
        session = ReplaySession(open_capture(str(path)), names=rig_names(plan))
        session.load()
        session.is_moving = False
    async with shown(session, (120, 36), rig=RIG) as (app, pilot):
        app.ui.sources = NO_MOTOR
        for number, key in enumerate(keys.split()):
            await pilot.press(key)
            await pilot.pause()
            await app.workers.wait_for_complete()
            if key in "12345678":
                app.draw()  # what is checked in a thread is there now
            assert stale(app) == [], f"{number}: {key}"
        assert not app.screen.query(Input)
