"""The list of outages: in groups, filtered by kind and words, stepped through as it is listed."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from busbench.analysis.outages import KINDS, Kind
from busbench.model import NO_CLOCK, Clock
from busbench.tui.app_state import AppState
from busbench.tui.events import Events, rank_of
from busbench.tui.outage_list import OutageFilter, OutageRows, Row
from busbench.tui.palette import choose
from busbench.tui.replay import ReplaySession
from busbench.tui.widgets.outages import OutageLines
from tests.tui.screens import shown, text_of
from tests.tui.test_plain_figures import PER_READ, Held, events_of


def _events() -> Events:
    start = np.array([0, 10, 20, 30, 40, 2000, 3000], np.int64) * 1_000_000
    events = Events((None,) * 7, start, start + 1_000_000)  # type: ignore[arg-type]
    kinds: list[Kind] = ["lost", "gap", "lost", "lost", "lost", "gap", "lost"]
    events.__dict__["kind"] = np.array([rank_of(kind) for kind in kinds], np.uint8)
    return events


def _rows(indices: list[int], chosen: int | None, count: int = 9) -> list[Row]:
    return OutageRows(_events(), np.array(indices, np.int64), ticks_per_s=10**9).around(chosen, count)


def test_dense_outages_are_one_row_until_one_of_them_is_chosen() -> None:
    everything = list(range(7))
    assert _rows(everything, None) == [Row(0, 4, 5), Row(5, 5, 1), Row(6, 6, 1)]
    assert [row.first for row in _rows(everything, 3)] == [0, 1, 2, 3, 4, 5, 6]
    assert _rows([0, 2, 3, 4, 6], None) == [Row(0, 4, 4), Row(6, 6, 1)]
    assert [row.first for row in _rows([1, 5], 5)] == [1, 5]
    assert _rows([], None) == []


def test_steps_lead_to_each_outage_and_no_further() -> None:
    events = _events()
    starts = events.start.tolist()
    assert [events.before(start) for start in starts] == [None, 0, 1, 2, 3, 4, 5]
    assert [events.after(start) for start in starts] == [1, 2, 3, 4, 5, 6, None]


async def test_bytes_take_half_the_window(flight: ReplaySession) -> None:
    async with shown(flight, (80, 24), keys="3 n n enter") as (app, _):
        lines = text_of(app).splitlines()
    listed = next(at for at, line in enumerate(lines) if line.startswith("    no. kind"))
    beneath = next(at for at, line in enumerate(lines) if "frames with their bytes" in line)
    assert (beneath - listed, len(lines) - 2 - beneath) == (8, 7)


def test_a_short_list_is_around_the_one_chosen() -> None:
    everything = list(range(7))
    assert [row.first for row in _rows(everything, 2, count=3)] == [1, 2, 3]
    assert [row.first for row in _rows(everything, 6, count=2)] == [5, 6]
    assert _rows(everything, 5, count=2) == [Row(0, 4, 5), Row(5, 5, 1)]


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("", "1 2 3 4 5 6 7 8 9"),
        ("gap", "1 2"),
        ("GAP lost", ""),
        ("2", "2"),
        ("0", ""),
        ("0:12", "3 4"),
        ("0:12.0", "3"),
        ("fail", "5"),
        (">1s", "5 9"),
        (">1s fail", "5"),
        ("<20ms", "1 3"),
        ("1:00", "8"),
        ("1:01:00", "9"),
        ("1:01", "9"),
        ("xyz", ""),
        (">", ""),
    ],
)
def test_words_choose_outages(flight: ReplaySession, text: str, found: str) -> None:
    start_s = [1, 5, 12.0, 12.5, 20, 30, 40, 60, 3660]
    lasted_s = [0.01, 0.5, 0.01, 0.5, 2, 0.5, 0.5, 0.5, 3]
    kinds: list[Kind] = ["gap", "gap", "lost", "lost", "failsafe", *(["damaged"] * 4)]  # type: ignore[list-item]
    start = flight.start + (np.array(start_s) * 1e9).astype(np.int64)
    events = Events((None,) * 9, start, start + 1)  # type: ignore[arg-type]
    events.__dict__["kind"] = np.array([rank_of(kind) for kind in kinds], np.uint8)
    events.__dict__["lasted_s"] = np.array(lasted_s)
    flight.events = events
    indices = OutageFilter(text=text).rows(flight).indices
    assert " ".join(str(one + 1) for one in indices.tolist()) == found
    flight.close()


def test_steps_go_through_what_is_listed(flight: ReplaySession) -> None:
    gaps = [at for at, one in enumerate(flight.events.items) if one.kind == "gap"]
    among = OutageFilter(kind="gap").rows(flight).indices
    assert among.tolist() == gaps
    assert [flight.jump(1, among=among) for _ in gaps] == gaps
    assert flight.jump(1, among=among) is None
    assert flight.jump(-1, chosen=gaps[-1], among=among) == gaps[-2]
    assert flight.jump(1, among=among[:0]) is None
    assert sum(flight.events.counts[kind] for kind in KINDS) == len(flight.events)
    flight.close()


async def test_letters_narrow_the_list_as_they_are_typed(flight: ReplaySession) -> None:
    async with shown(flight, (100, 30), keys="3 slash g a") as (app, pilot):
        app.screen_stack[-2].draw(slow=True)  # type: ignore[attr-defined]
        assert flight.events.items[app.ui.chosen or 0].kind == "gap"
        await pilot.press("p", "enter")
        assert f'{flight.events.counts["gap"]} of {len(flight.events)} outages listed: "gap"' in text_of(app)
        assert "/ filter: gap" in text_of(app)
        await pilot.press("slash", "x", "enter")
        assert f'no outage of {len(flight.events)} fits "gapx"' in text_of(app)
        await pilot.press("slash", "escape", "slash", *["backspace"] * 4, "enter")
        assert "outages listed" not in text_of(app)


@pytest.mark.parametrize(
    ("clock", "kind", "words"),
    [
        (PER_READ, None, " + 5 close        0:01.000      900.0 ms      17     425         100"),
        (PER_READ, "gap", " G 4 gap          0:01.000      900.0 ms      15     375         100"),
        (NO_CLOCK, None, " + 5 close     frame 1,000                    17     425         100"),
    ],
)
def test_a_row_of_several_sums_those_listed_alone(clock: Clock, kind: Kind | None, words: str) -> None:
    tick, step, length = (1_000_000, 200, 100) if clock.is_known else (1, 1, 1)
    kinds: tuple[tuple[Kind, int], ...] = ("gap", 5), ("lost", 2), ("gap", 4), ("gap", 1), ("gap", 5)
    starts = [1_000 + step * at for at in range(len(kinds))]
    events = events_of(*((at * tick, (at + length) * tick, *one) for at, one in zip(starts, kinds, strict=True)))
    items = (replace(one, bytes=25 * one.frames, offset=100 * at) for at, one in enumerate(events.items, 1))
    session = Held("here", clock=clock)
    session.events = Events(tuple(items), events.start, events.end)
    ui = AppState(choose("dark"), session=session)
    ui.listed.kind = kind
    (line,) = OutageLines(ui)._list(2, 80, at=0)[1:]
    assert "".join(text for text, _ in line) == f"      1{words}"
    assert line[2] == (words[1], "gap")
