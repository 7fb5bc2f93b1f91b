"""Rows are chosen and scroll; one channel large, others over it; the bytes around an outage; dense outages."""

from __future__ import annotations

import numpy as np
import pytest

from busbench.model import Annotation
from busbench.tui.app_state import AppState
from busbench.tui.palette import choose
from busbench.tui.plotting import Plotter
from busbench.tui.replay import ReplaySession
from busbench.tui.widgets import channel_plot
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
    assert view.frames == len(flight.store) - 1  # the last one is at the end
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


@pytest.mark.parametrize(
    ("channel", "rows_one_by_one", "names"),
    [
        (0, 50_000, ["frames", "missing", "min", "max", "range", "mean", "changes", "annotated"]),
        (0, 0, ["frames", "missing", "min", "max", "range", "annotated"]),
        (16, 50_000, ["frames", "missing", "min", "max", "changes", "annotated"]),
    ],
)
def test_figures_are_those_that_a_window_has(
    channel: int, rows_one_by_one: int, names: list[str], flight: ReplaySession, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("busbench.tui.plotting._DIRECT_ROWS", rows_one_by_one)
    ui = AppState(choose("dark"), session=flight, channel=channel)
    lo = flight.start + 30_000_000_000
    view = Plotter(flight).envelope(lo, lo + 1_000_000_000, 40)
    flight.marks = [Annotation(at, "") for at in (lo - 1, view.lo, view.hi, view.hi + 1)]
    figures = channel_plot._figures(ui, view, None)
    assert [name for name, _ in figures] == ["in window", *names]
    assert figures[-1][1] == "2 times"
    before = Plotter(flight).envelope(flight.start - 2_000, flight.start - 1_000, 40)
    assert channel_plot._figures(ui, before, None) == [("in window", ""), ("frames", "0"), ("missing", "0")]


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


async def test_channels_over_one_another_share_an_axis_by_the_scale_key(flight: ReplaySession) -> None:
    async with shown(flight, (120, 40), keys="1 down v up enter y") as (app, pilot):
        lo, hi = timeline_window(flight, app.ui.zoom)
        view = Plotter(flight).envelope(lo, hi, 200)
        both = [one for one in (view.range_of(0), view.range_of(1)) if one is not None]
        text = text_of(app)
        assert "over it, on one scale: a 2" in text
        axis = [line.split()[0] for line in text.splitlines()[7:-5] if line[:7].strip()]
        assert (axis[0], axis[-1]) == (str(max(one[1] for one in both)), str(min(one[0] for one in both)))
        await pilot.press("down", "v")  # none over it: the line's range
        axis = [line.split()[0] for line in text_of(app).splitlines()[7:-5] if line[:7].strip()]
        assert (axis[0], axis[-1]) == ("2047", "0")


async def test_a_second_cursor_gives_time_and_change_of_value(flight: ReplaySession) -> None:
    async with shown(flight, (120, 40), keys="1 enter") as (app, pilot):
        flight.seek(flight.store.axis(100))
        await pilot.press("c")
        flight.seek(flight.store.axis(130))
        app.draw()
        first, second = (int(flight.store.values(row, row + 1)[0, 0]) for row in (100, 130))
        text = text_of(app)
        lasted = (flight.store.axis(130) - flight.store.axis(100)) / 1e6
        for words in (f"A to B     {lasted:.1f} ms", f"value at A {first}", f"value at B {second}"):
            assert words in text
        assert f"change     {second - first:+d}" in text
        await pilot.press("u")
        us = flight.scale.to_us(second) - flight.scale.to_us(first)
        assert f"change     {us:+.1f}" in text_of(app)
        await pilot.press("c")
        assert "A to B" not in text_of(app)


def test_a_value_is_not_told_where_no_frame_is(flight: ReplaySession) -> None:
    gap = next(at for at, one in enumerate(flight.events.items) if one.kind == "gap")
    start, end = int(flight.events.start[gap]), int(flight.events.end[gap])
    assert flight.value_at(0, (start + end) // 2) is None
    assert flight.value_at(0, flight.start - 1) is None
    row = flight.store.row_at(start)
    assert flight.value_at(0, flight.store.axis(row)) == int(flight.store.values(row, row + 1)[0, 0])
    damaged = int(np.flatnonzero(flight.store.is_damaged(0, len(flight.store)))[0])
    assert flight.value_at(0, flight.store.axis(damaged)) is None


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
