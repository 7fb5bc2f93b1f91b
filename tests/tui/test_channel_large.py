"""Rows are chosen and scroll; one channel large, others over it; the bytes around an outage; dense outages."""

from __future__ import annotations

import numpy as np
import pytest

from busbench.tui.plotting import Plotter
from busbench.tui.replay import ReplaySession
from busbench.tui.window import timeline_window
from tests.tui.ports import Live
from tests.tui.screens import shown, text_of


def test_a_plot_holds_min_and_max_of_each_part(flight: ReplaySession) -> None:
    times = flight.store.axis_of(0, len(flight.store))
    values = flight.store.values(0, len(flight.store)).astype(np.int64)
    view = Plotter(flight).envelope(flight.start, flight.end, 40)
    edges = flight.start + np.arange(41) * (flight.end - flight.start) // 40
    for at in range(40):
        inside = (times >= edges[at]) & (times < edges[at + 1])
        assert view.lows[0, at] == values[0, inside].min()
        assert view.highs[0, at] == values[0, inside].max()
    assert view.frames == len(flight.store) - 1  # the last one stands at the end
    assert view.range_of(0) == (int(values[0, :-1].min()), int(values[0, :-1].max()))


def test_a_plot_of_many_frames_is_the_same_from_their_summary(
    flight: ReplaySession, monkeypatch: pytest.MonkeyPatch
) -> None:
    one = Plotter(flight).envelope(flight.start, flight.end, 37)
    monkeypatch.setattr("busbench.tui.plotting._DIRECT_ROWS", 0)
    other = Plotter(flight).envelope(flight.start, flight.end, 37)
    assert (one.lows.tolist(), one.highs.tolist()) == (other.lows.tolist(), other.highs.tolist())
    assert other.means is None


def test_between_frames_a_value_holds_but_not_over_a_gap(flight: ReplaySession) -> None:
    gap = next(at for at, one in enumerate(flight.events.items) if one.kind == "gap")
    lo, hi = int(flight.events.start[gap]) - 30_000_000, int(flight.events.end[gap]) + 30_000_000
    view = Plotter(flight).envelope(lo, hi, 200)
    gone = view.highs[0] < 0
    assert 0.5 < gone.mean() < 0.9
    assert not gone[:16].any()  # frames come there, several parts apart


@pytest.mark.parametrize("size", [(60, 16), (80, 24)])
async def test_every_row_is_reached(flight: ReplaySession, size: tuple[int, int]) -> None:
    async with shown(flight, size, keys="1 " + 17 * "down ") as (app, pilot):
        assert app.ui.channel == 17
        assert "\n18>" in text_of(app)
        if size == (60, 16):
            assert "9 above, 0 below: up and down scroll" in text_of(app)
        await pilot.click(offset=(5, 5))
        app.draw()
        await pilot.pause()
        assert app.ui.channel == (10 if size == (60, 16) else 1)


async def test_one_channel_large_with_another_over_it(flight: ReplaySession) -> None:
    async with shown(flight, (120, 40), keys="1 down v up enter") as (app, pilot):
        text = text_of(app)
        assert "channel 1 " in text
        assert "over it, each on its own scale: a 2" in text
        assert "window 9.72 s" in text
        lo, hi = timeline_window(flight, app.ui.zoom)
        times = flight.store.axis_of(0, len(flight.store))
        assert f"frames     {np.count_nonzero((times >= lo) & (times < hi))}" in text
        await pilot.press(".", "v", "down", "v")
        text = text_of(app)
        assert "window 3.24 s" in text
        assert "channel 2 " in text
        assert "over it, each on its own scale: a 1" in text
        await pilot.press("escape")
        app.draw()
        await pilot.pause()
        assert "state" in text_of(app).splitlines()[3]


async def test_a_live_channel_is_shown_large_and_goes_on() -> None:
    live = Live("virtual:?period=10ms&pilot=moving")
    async with shown(live.pass_s(30), (100, 30), keys="1 enter") as (app, pilot):
        assert "channel 1 " in text_of(app)
        assert "window 19.44 s" in text_of(app)
        live.pass_s(300)  # the window keeps its length while the session grows
        app.draw()
        await pilot.pause()
        assert "window 19.44 s" in text_of(app)


async def test_an_outage_is_chosen_at_once_and_its_bytes_are_shown(flight: ReplaySession) -> None:
    async with shown(flight, (120, 40), keys="3") as (app, pilot):
        assert app.ui.chosen == 0
        await pilot.press("n", "n", "n", "enter")
        raw = flight.store.table(*_rows(flight, 2)).raw[0].tobytes().hex(" ")
        text = text_of(app)
        assert "outage 3 (lost)" in text
        assert raw in text
        await pilot.press("k")
        assert {flight.events.items[app.ui.chosen].kind} == {"gap"}
        app.draw()
        await pilot.pause()
        assert "d damaged  " not in text_of(app).split("no. kind")[1]


def _rows(session: ReplaySession, index: int) -> tuple[int, int]:
    row = int(np.searchsorted(session.store.offset, session.events.items[index].offset))
    return row, row + 1
