"""Clicks and the wheel do what keys do; the timeline zooms down to single frames."""

from __future__ import annotations

import numpy as np
import pytest

from busbench.tui.draw import ASCII
from busbench.tui.events import LETTERS, NO_EVENTS, Events
from busbench.tui.replay import ReplaySession
from busbench.tui.widgets.frame import strip
from busbench.tui.window import timeline_window
from tests.tui.ports import Live
from tests.tui.screens import shown, text_of


async def test_a_click_on_a_tab_a_key_and_the_timeline(flight: ReplaySession) -> None:
    async with shown(flight) as (app, pilot):
        tabs = text_of(app).splitlines()[0]
        await pilot.click(offset=(tabs.index("Timing") + 1, 0))
        await pilot.pause()
        app.draw()
        await pilot.pause()
        assert "[2 Timing]" in text_of(app)
        keys = text_of(app).splitlines()[-1]
        await pilot.click(offset=(keys.index("? help") + 2, 23))
        await pilot.pause()
        assert "letters search" in text_of(app)
        await pilot.press("escape")
        await pilot.click(offset=(40, 21))
        assert flight.seconds(flight.place) == pytest.approx(40, abs=1)


async def test_the_wheel_over_the_timeline_zooms_down_to_single_frames(flight: ReplaySession) -> None:
    async with shown(flight, keys="2") as (app, pilot):
        flight.seek_by(20)
        for _ in range(30):
            app.action_zoom(1)
        assert app.ui.zoom == 0
        lo, hi = timeline_window(flight, app.ui.zoom)
        assert lo <= flight.place <= hi
        assert (hi - lo) / 1e9 == pytest.approx(24 * 0.015, abs=0.001)
        app.draw()
        await pilot.pause()
        line = text_of(app).splitlines()[-3]
        assert line.count("╷") == pytest.approx(24, abs=2)
        assert line.startswith("0:19.")
        app.action_zoom(-1)
        assert app.ui.zoom == 1
        for _ in range(30):
            app.action_zoom(-1)
        assert app.ui.zoom is None
        assert timeline_window(flight, app.ui.zoom) == (flight.start, flight.end)


def test_what_is_on_the_screen_stands_on_the_timeline() -> None:
    live = Live("virtual:?period=10ms").pass_s(10)

    class Ui:
        session = needs = live
        glyphs, zoom = ASCII, None

    text = "".join(piece for piece, _ in strip(Ui(), 50))  # type: ignore[arg-type]
    assert text == "." * 29 + "=" * 20 + "."  # the last 4 s of 10, then the place


def test_several_outages_in_one_part_have_a_capital() -> None:
    start = np.array([0, 10, 60], np.int64)
    events = Events((), start, start + 5)
    events.__dict__["kind"] = np.array([1, 1, 2], np.uint8)
    object.__setattr__(events, "items", (None, None, None))
    assert events.letters(0, 100, 5) == [LETTERS["lost"].upper(), " ", " ", LETTERS["gap"], " "]
    assert NO_EVENTS.letters(0, 100, 2) == [" ", " "]
