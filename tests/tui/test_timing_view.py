"""The histogram of the periods against numpy's, at every width; and the periods over time."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from busbench.model import Clock, ClockKind, FrameTimes
from busbench.rig.load import parse_rig
from busbench.tui.app_state import AppState
from busbench.tui.draw import ASCII, UNICODE, bands
from busbench.tui.palette import choose
from busbench.tui.replay import ReplaySession
from busbench.tui.text import place_words
from busbench.tui.timing import TimingFigures, look_at_timing
from busbench.tui.widgets.timing import TimingLines
from busbench.tui.window import timeline_window
from tests.tui.ports import Live
from tests.tui.screens import shown, text_of
from tests.tui.test_drawn import RIGS


def view_of(periods_ns: np.ndarray, *, resolution_ns: int) -> TimingFigures:
    t_ns = np.concatenate([[0], np.cumsum(periods_ns)]).astype(np.int64)
    none = np.zeros(t_ns.size, np.uint8)
    times = FrameTimes(t_ns, np.zeros(t_ns.size, np.int32), none, none)
    return look_at_timing(times, clock=Clock(ClockKind.PER_BYTE, resolution_ns), scope="all")


@cache
def bell(resolution_ns: int, count: int = 20_000) -> np.ndarray:
    """Periods of a bell's shape about 14 ms in steps of a clock; the same each time."""
    periods = np.random.default_rng(7).normal(14e6, 60e3, count)
    return (np.rint(periods / resolution_ns) * resolution_ns).astype(np.int64)


@cache
def view_of_bell(resolution_ns: int, count: int = 20_000) -> TimingFigures:
    return view_of(bell(resolution_ns, count), resolution_ns=resolution_ns)


@pytest.mark.parametrize("resolution_ns", [1, 42, 1_000, 10_000, 25_000])
@pytest.mark.parametrize("width", [*range(20, 64), 97, 120, 151, 200])
def test_the_histogram_is_numpys_at_every_width(resolution_ns: int, width: int) -> None:
    periods = bell(resolution_ns)
    view = view_of_bell(resolution_ns)
    edges, counts = view.histogram(width)
    steps = np.diff(edges)
    assert len(counts) <= width
    assert set(steps.tolist()) == {int(steps[0])}  # equal bins ...
    assert int(steps[0]) % resolution_ns == 0  # ... of as many steps of the clock each: no combs
    wanted, _ = np.histogram(periods[periods < edges[-1]], bins=edges)
    assert counts.tolist()[:-1] == wanted.tolist()[:-1]
    assert int(counts[-1]) in range(int(wanted[-1]) + 1)  # the last bin may reach past the last quantum
    assert int(counts.sum()) + view.shorter + view.longer == view.steps == periods.size


@pytest.mark.parametrize("resolution_ns", [1, 1_000, 10_000])
@pytest.mark.parametrize("width", [30, 33, 40, 63, 64, 65, 100])
def test_a_bell_has_no_notch_in_its_middle(resolution_ns: int, width: int) -> None:
    _, counts = view_of_bell(resolution_ns, 200_000).histogram(width)
    top = int(counts.argmax())
    noise = 4 * np.sqrt(counts.max())
    assert (np.diff(counts[: top + 1]) > -noise).all()
    assert (np.diff(counts[top:]) < noise).all()
    assert abs(top - counts.size / 2) <= counts.size / 10


def test_outliers_are_counted_at_the_edges_and_missing_frames_are_not_periods() -> None:
    periods = np.full(1_000, 14_000_000)
    periods[::2] += 1_000
    periods[[100, 300]] = 13_000_000
    periods[[500, 600, 700]] = 15_000_000
    periods[800] = 28_000_000
    view = view_of(periods, resolution_ns=1_000)
    assert (view.shorter, view.longer, view.steps) == (2, 3, 999)


def test_periods_over_time_have_their_extremes_in_their_place_and_gaps() -> None:
    periods = np.full(2_400, 10_000_000)
    periods[1_205] = 9_000_000
    periods[1_206] = 11_000_000
    view = view_of(periods, resolution_ns=1_000)
    assert np.flatnonzero(view.lows_ns == 9_000_000).tolist() == [120]
    assert np.flatnonzero(view.highs_ns == 11_000_000).tolist() == [120]
    periods[1_800] = 1_200_000_000
    assert int((view_of(periods, resolution_ns=1_000).lows_ns < 0).sum()) > 5


def test_a_band_from_min_to_max() -> None:
    lows, highs = np.array([0, 0, -1, 40]), np.array([0, 79, -1, 79])
    assert bands(lows, highs, (0, 80), 4, 2, ASCII) == [" | |", "||  "]
    assert bands(lows, highs, (0, 80), 2, 1, UNICODE) == ["\u28f8\u2818"]


def test_the_period_of_the_plan_is_marked_where_the_histogram_holds_it() -> None:
    view = view_of_bell(1_000)
    edges, counts = view.histogram(100)
    columns = counts.size * (100 // counts.size)
    for column, marked in (
        *((-2, None), (-0.5, None), (0.5, 0), (1.5, 1), (41.5, 41)),
        *((columns - 0.5, columns - 1), (columns + 0.5, None)),
    ):
        period_ms = (edges[0] + column * (edges[-1] - edges[0]) / columns) / 1e6
        rig = parse_rig(RIGS["empty"].replace("period_ms = 14", f"period_ms = {period_ms:.9f}"))
        lines = TimingLines(AppState(choose("dark"), rig=rig))._histogram(view, 109, 20)
        marks, words = ("".join(text for text, _ in lines[row]) for row in (-3, -1))
        assert [cell - 9 for cell, mark in enumerate(marks) if mark == "P"] == [marked] * (marked is not None)
        told = "" if marked is not None else ", not in the picture"
        assert words.rstrip().endswith(f" longer; F floor, P plan {period_ms:.6g} ms{told}"), column


@pytest.mark.parametrize(("width", "height"), [(60, 16), (80, 24), (120, 40), (160, 48)])
async def test_the_picture_has_its_axes(width: int, height: int) -> None:
    async with shown(Live("virtual:?period=7ms").pass_s(20), (width, height), keys="2") as (app, _):
        lines = text_of(app).splitlines()
    text = "\n".join(lines)
    assert "shorter, " in text
    axis = next(line for line in lines if line.count("\u253c") == 3)
    assert axis[:49].split()[-1][0] == "0"
    assert ("period over time" in text) is (height > 16)
    assert all(len(line) <= width for line in lines)


async def test_timing_is_zoomed_by_itself(flight: ReplaySession) -> None:
    flight.seek(flight.start + 12_000_000_000)
    async with shown(flight, (120, 40), keys="2 . .") as (app, pilot):
        lo, hi = timeline_window(flight, app.ui.zoom)
        await app.workers.wait_for_complete()
        app.draw()
        text = text_of(app)
        scope = f"periods, {place_words(flight, lo)} to {place_words(flight, hi)}"
        assert scope in text
        times = flight.store.axis_of(0, len(flight.store))
        assert f"frames measured       {np.count_nonzero((times >= lo) & (times <= hi)):,} " in text
        await pilot.press("1", "2")
        assert app.ui.zooms.get("") is None
        app.draw()
        assert scope in text_of(app)
        await pilot.press(",", ",", ",")
        assert "periods, whole recording" in text_of(app)


async def test_a_window_without_frames_measures_nothing(flight: ReplaySession) -> None:
    gap = max(range(len(flight.events)), key=lambda at: flight.events.end[at] - flight.events.start[at])
    flight.seek(int(flight.events.start[gap] + flight.events.end[gap]) // 2)
    async with shown(flight, (120, 40), keys="2" + 12 * " .") as (app, _):
        await app.workers.wait_for_complete()
        app.draw()
        assert "no periods can be measured" in text_of(app)
