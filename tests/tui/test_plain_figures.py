"""Figures of a session worked out a second time, frame by frame, where the program has quicker ways."""

from __future__ import annotations

from bisect import bisect_right
from itertools import pairwise

import numpy as np
import pytest

from busbench.analysis.ongoing_outages import Losses
from busbench.analysis.outages import Kind, Outage
from busbench.model import NO_CLOCK, Clock, ClockKind, Reason, Rejects
from busbench.tui import plotting
from busbench.tui.channels import ChannelState, between, look
from busbench.tui.events import LETTERS, Events
from busbench.tui.plotting import HeardProgram, Plotter, unbroken
from busbench.tui.session import Session
from busbench.tui.timing import TimingFigures
from busbench.wire.codec import pack_frames
from busbench.wire.table import FrameTable

MS = 1_000_000
PERIOD_NS = 7 * MS
PER_READ = Clock(ClockKind.PER_READ, 1)


class Held(Session):
    """A session that a test fills."""

    def tick(self, dt_s: float) -> None:
        raise NotImplementedError

    def refresh(self) -> None:
        raise NotImplementedError

    @property
    def link(self) -> str:
        raise NotImplementedError

    def timing(self) -> TimingFigures | None:
        raise NotImplementedError


def session_of(clock: Clock, *, count: int = 400, seed: int = 5, first_ns: int = 10**15) -> Held:
    """Frames with gaps, flags, marked bytes and both on/off channels, from a time on."""
    rng = np.random.default_rng(seed)
    steps = rng.choice([1, 1, 1, 1, 1, 1, 1, 3, 40], count)
    t_ns = first_ns + np.cumsum(steps) * PERIOD_NS + rng.integers(-MS, MS, count)
    counts = np.clip(992 + np.cumsum(rng.integers(-60, 61, (count, 16)), axis=0), 0, 2047)
    flags = rng.choice([0, 0, 0, 1, 2, 3, 4, 12], count).astype(np.uint8)
    marks = (rng.random(count) < 0.1).astype(np.uint8)
    raw = pack_frames(counts, flags)
    offset = np.arange(count, dtype=np.int64) * 25
    session = Held("here", clock=clock)
    session.store.add(FrameTable(t_ns, np.zeros(count, np.int32), offset, raw, marks))
    session.start = session.store.axis(0)
    session.end = session.store.axis(count - 1)
    session.place = session.end
    return session


def values_of(session: Session) -> np.ndarray:
    """Counts of all channels of all frames, of a marked one those before it, int64 (18, N)."""
    table = session.store.table(0, len(session.store))
    counts = np.concatenate([table.channels, (table.flags & 1)[:, None], (table.flags >> 1 & 1)[:, None]], axis=1)
    out = counts.astype(np.int64)
    for row in range(1, len(out)):
        if table.line_marks[row]:
            out[row] = out[row - 1]
    return out.T


def axis_of(session: Session) -> list[int]:
    return [session.store.axis(row) for row in range(len(session.store))]


CLOCKS = pytest.mark.parametrize("clock", [PER_READ, NO_CLOCK], ids=["with times", "without"])


@CLOCKS
def test_values_of_any_rows_are_those_of_the_frames(clock: Clock) -> None:
    session = session_of(clock)
    store, values = session.store, values_of(session)
    rng = np.random.default_rng(1)
    for lo, hi in [(0, 400), (0, 1), (399, 400), *np.sort(rng.integers(0, 400, (60, 2)), axis=1)]:
        hi = max(int(hi), int(lo) + 1)
        lo = int(lo)
        assert store.values(lo, hi).tolist() == values[:, lo:hi].tolist()
        low, high = store.span(lo, hi)
        assert (low.tolist(), high.tolist()) == (
            values[:, lo:hi].min(axis=1).tolist(),
            values[:, lo:hi].max(axis=1).tolist(),
        )
        assert store.axis_of(lo, hi).tolist() == axis_of(session)[lo:hi]
        assert store.axis_at(np.arange(lo, hi)).tolist() == axis_of(session)[lo:hi]
    assert (store.first_offset(3), type(session)("", clock=clock).store.first_offset(3)) == (75, 0)


@CLOCKS
@pytest.mark.parametrize("stale_ns", [0, 11 * MS])
def test_a_trace_is_the_last_whole_frame_of_each_step(clock: Clock, stale_ns: int) -> None:
    session = session_of(clock)
    values, axis = values_of(session), axis_of(session)
    width = 4_000_000_000 if clock.is_known else 400
    for row, aside in ((399, 0), (399, 9 * MS), (250, 0), (7, 5), (0, 0)):
        place, points = axis[row] + (aside if clock.is_known else 0), 37
        found = look(session.store, place, since=2, points=points, glitches=frozenset(), stale_ns=stale_ns)
        step = width // points
        wanted = []
        for at in range(points):
            edge = (place // step + 2 - points + at) * step
            at_row = min(bisect_right(axis, edge - 1) - 1, row)
            fresh = edge - axis[at_row] <= max(step, stale_ns if clock.is_known else 1)
            first = bisect_right(axis, place - width) - 1
            is_there = at_row >= max(first, 0) and fresh and not session.store.is_damaged(at_row, at_row + 1)[0]
            wanted.append(int(values[3, at_row]) if is_there else -1)
        assert found.trace[3].tolist() == wanted, (row, aside)
        assert found.row == row
        assert found.values.tolist() == values[:, row].tolist()
        since = min(2, row)
        assert found.low.tolist() == values[:, since : row + 1].min(axis=1).tolist()
        assert found.high.tolist() == values[:, since : row + 1].max(axis=1).tolist()


def test_before_the_first_frame_there_is_nothing() -> None:
    session = session_of(PER_READ)
    found = look(session.store, session.start - 1, since=0, points=9, glitches=frozenset())
    assert (found.row, found.values.tolist(), found.low.tolist(), found.high.tolist()) == (
        -1,
        [0] * 18,
        [0] * 18,
        [0] * 18,
    )
    assert found.trace.shape == (18, 9)
    assert set(found.trace.ravel().tolist()) == {-1}
    assert set(found.states) == {ChannelState.NONE}
    assert len(found.states) == 18
    assert (between(session.store, session.start - 9, session.start - 1, points=4) == -1).all()


def still(counts: list[int], *, flags: int = 0) -> Held:
    """Frames with these counts on all channels, one each 7 ms."""
    session = Held("here", clock=PER_READ)
    rows = np.arange(len(counts), dtype=np.int64)
    raw = pack_frames(np.repeat(np.array(counts)[:, None], 16, axis=1), flags)
    zeros = np.zeros(rows.size, np.uint8)
    session.store.add(FrameTable(rows * PERIOD_NS, zeros.astype(np.int32), rows * 25, raw, zeros))
    session.end = session.place = int(rows[-1]) * PERIOD_NS
    return session


@pytest.mark.parametrize(
    ("counts", "word"),
    [
        ([163] * 9, "past end"),
        ([164] * 9, "at end"),
        ([180] * 9, "at end"),
        ([181] * 9, "still"),
        ([1802] * 9, "still"),
        ([1803] * 9, "at end"),
        ([1819] * 9, "at end"),
        ([1820] * 9, "past end"),
        ([900] * 63 + [920], "still"),
        ([900] * 63 + [921], "moving"),
        ([900] + [921] * 63, "moving"),
        ([900] + [921] * 64, "still"),
        ([172] * 9 + [1811], "moving"),
    ],
)
def test_states_of_a_channel_at_their_limits(counts: list[int], word: str) -> None:
    session = still(counts)
    assert session.channel_rows(8).states == (word,) * 16 + ("off", "off")


def test_words_for_all_channels_at_once_and_for_one() -> None:
    for flags, word in ((4, "lost"), (8, "failsafe"), (12, "failsafe")):
        assert set(still([992] * 9, flags=flags).channel_rows(8).states) == {word}
    assert still([992] * 9, flags=3).channel_rows(8).states[15:] == ("still", "on", "on")
    assert still([992] * 9, flags=2).channel_rows(8).states[16:] == ("off", "on")
    session = still([992] * 9)
    found = look(session.store, session.end, since=0, points=8, glitches=frozenset({3, 17}))
    assert [at for at, state in enumerate(found.states) if state == "glitch"] == [3, 17]
    gone = look(session.store, session.end, since=0, points=8, glitches=frozenset({3}), is_gone=True)
    assert set(gone.states) == {"no frame"}
    held = {state for state in ChannelState if state.is_held}
    assert held == {"damaged", "no frame"}


@pytest.mark.parametrize(("at", "is_seen"), [(1, True), (0, False), (58, True), (59, False)])
def test_a_glitch_is_one_frame_between_two_that_agree(at: int, is_seen: bool) -> None:
    counts = [992] * 60
    counts[at] = 1200
    session = still(counts)
    session.refresh_glitches()
    assert ("glitch" in session.channel_rows(8).states) is is_seen


def test_a_glitch_is_forgotten_with_the_trace_and_needs_three_frames() -> None:
    session = still([992, 1200] + [992] * 700)
    for row, is_seen in ((2, True), (500, True), (572, True), (573, False)):
        session.place = row * PERIOD_NS
        session.refresh_glitches()
        assert bool(session._glitches) is is_seen, row
    session.place = PERIOD_NS
    session.refresh_glitches()
    assert session._glitches == frozenset()


@CLOCKS
@pytest.mark.parametrize("rows_one_by_one", [50_000, 100])
@pytest.mark.parametrize("parts", [40, 333, 1500])
def test_a_plot_has_min_and_max_of_each_part(
    clock: Clock, rows_one_by_one: int, parts: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(plotting, "_DIRECT_ROWS", rows_one_by_one)
    session = session_of(clock)
    session.losses = Losses(period_s=0.007)
    values, axis = values_of(session), axis_of(session)
    lo, hi = axis[20] - 3, axis[380] + 5
    view = Plotter(session).envelope(lo, hi, parts)
    stale = round(1.6 * 0.007 * 1e9) if clock.is_known else 1
    edges = [lo + at * (hi - lo) // parts for at in range(parts + 1)]
    inside = [row for row in range(400) if lo <= axis[row] < hi]
    lows, highs = [], []
    for first, last in pairwise(edges):
        rows = [row for row in inside if first <= axis[row] < last]
        before = [row for row in range(400) if axis[row] < last]
        if not rows and before and last - axis[before[-1]] <= stale:
            rows = before[-1:]
        lows.append(int(values[2, rows].min()) if rows else -1)
        highs.append(int(values[2, rows].max()) if rows else -1)
    assert view.lows[2].tolist() == lows
    assert view.highs[2].tolist() == highs
    assert (view.lo, view.hi, view.frames) == (lo, hi, len(inside))
    found = values[2, inside]
    if rows_one_by_one > 400:
        assert view.means is not None
        assert view.changes is not None
        assert view.means[2] == pytest.approx(found.mean())
        assert view.changes[2] == sum(a != b for a, b in pairwise(found))
    else:
        assert (view.means, view.changes) == (None, None)
    came = [one for one in highs if one >= 0]
    assert view.range_of(2) == (min(one for one in lows if one >= 0), max(came))


def test_between_two_frames_the_first_holds_until_the_next_is_overdue() -> None:
    session = still([992] * 9 + [1000])
    session.losses = Losses(period_s=0.007)
    last = session.end
    view = Plotter(session).envelope(last + 1, last + 20 * 1_000_000 + 1, 20)
    assert view.lows[2].tolist() == view.highs[2].tolist() == [1000] * 11 + [-1] * 9  # 11.2 ms of 20
    inside = Plotter(session).envelope(last - 6_000_000, last - 1_000_000, 5)
    assert (inside.frames, inside.lows[2].tolist(), inside.highs[2].tolist()) == (0, [992] * 5, [992] * 5)


def test_a_plot_without_frames_has_no_range_and_the_latest_are_kept() -> None:
    session = session_of(PER_READ)
    plotter = Plotter(session)
    nothing = plotter.envelope(session.end + 10**9, session.end + 2 * 10**9, 9)
    assert (nothing.range_of(0), nothing.frames, nothing.means, nothing.changes) == (None, 0, None, None)
    views = [plotter.envelope(session.start, session.end, parts) for parts in (3, 4, 5)]
    assert plotter.envelope(session.start, session.end, 3) is views[0]
    last = plotter.envelope(session.start, session.end, 6)
    assert plotter.envelope(session.start, session.end, 3) is views[0]  # used later than the others
    assert plotter.envelope(session.start, session.end, 6) is last
    assert plotter.envelope(session.end + 10**9, session.end + 2 * 10**9, 9) is not nothing


def test_steep_lines_are_closed_to_the_part_before_unless_one_of_them_is_empty() -> None:
    lows, highs = np.array([10, 30, -1, 5, 1, 9]), np.array([20, 40, -1, 6, 2, 9])
    low, high = unbroken(lows, highs)
    assert (low.tolist(), high.tolist()) == ([10, 20, -1, 5, 1, 2], [20, 40, -1, 6, 5, 9])


def test_what_came_back_is_looked_at_five_times_a_second_and_over_the_whole_program() -> None:
    session = session_of(PER_READ)
    heard = HeardProgram()
    first = heard.of(session, session.start, duration_s=2.0, sent_s=0.39)
    assert (first.lo, first.hi, first.lows.shape) == (session.start, session.start + 2_000_000_000, (18, 400))
    assert heard.of(session, session.start, duration_s=2.0, sent_s=0.2) is first
    assert heard.of(session, session.start, duration_s=2.0, sent_s=0.41) is not first
    assert heard.of(session, session.start + 1, duration_s=2.0, sent_s=0.41).lo == session.start + 1


def events_of(*spans: tuple[int, int, Kind, int]) -> Events:
    """Events from start, end, kind and frames missing."""
    items = tuple(
        Outage(kind, start / 1e9, end / 1e9, missing, missing, missing, 0, 0) for start, end, kind, missing in spans
    )
    start, end = (np.array([span[at] for span in spans], np.int64) for at in (0, 1))
    return Events(items, start, end)


SPANS: tuple[tuple[int, int, Kind, int], ...] = (
    (0, 10, "gap", 5),
    (10, 15, "lost", 0),
    (40, 41, "damaged", 1),
    (41, 90, "failsafe", 0),
    (98, 130, "gap", 8),
)


def test_letters_are_of_the_event_that_counts_most_in_each_part() -> None:
    events = events_of(*SPANS)
    rank: list[Kind] = ["lost", "gap", "damaged", "failsafe"]
    for lo, hi, width in (
        (0, 100, 20),
        (0, 100, 7),
        (-50, 150, 40),
        (12, 95, 83),
        (20, 30, 4),
        (99, 200, 10),
        (0, 0, 3),
    ):
        wanted = []
        for at in range(width):
            here: list[Kind] = []
            begun = 0
            for start, end, kind, _ in SPANS if hi > lo else ():
                first, last = ((place - lo) * width // (hi - lo) for place in (start, end))
                if last < 0 or first >= width:
                    continue
                first, last = max(first, 0), min(last, width - 1)
                begun += first == at
                here += [kind] if first <= at <= last else []
            letter = LETTERS[max(here, key=rank.index)] if here else " "
            wanted.append(letter.upper() if begun > 1 else letter)
        assert events.letters(lo, hi, width) == wanted, (lo, hi, width)


def test_frames_missing_in_a_part_of_a_gap_are_its_share() -> None:
    events = events_of(*SPANS)
    for lo, hi, wanted in (
        (0, 130, 14),
        (0, 10, 5),
        (0, 5, 2),
        (5, 10, 2),
        (10, 40, 0),
        (40, 41, 1),
        (114, 200, 4),
        (98, 99, 0),
    ):
        assert events.missing_within(lo, hi) == wanted, (lo, hi)


def test_events_by_place() -> None:
    events = events_of(*SPANS)
    assert [events.at(place) for place in (-1, 0, 9, 10, 14, 15, 40, 41, 89, 90, 97, 98, 129, 130)] == [
        *(None, 0, 0, 1, 1, None, 2, 3, 3, None, None, 4, 4, None),
    ]
    assert [events.after(place) for place in (-1, 0, 40, 97, 98)] == [0, 1, 3, 4, None]
    assert [events.before(place) for place in (0, 1, 40, 41, 999)] == [None, 0, 1, 2, 4]
    assert events.counts == {"gap": 2, "lost": 1, "failsafe": 1, "damaged": 1}
    assert events.longest_s == pytest.approx(49e-9)
    both = events.then(events_of((200, 210, "lost", 0)))
    assert (len(both), both.start.tolist()[-2:], both.end.tolist()[-2:]) == (6, [98, 200], [130, 210])
    assert events.then(events_of()) is events


def test_damage_between_frames_is_that_between_their_first_bytes() -> None:
    session = session_of(PER_READ, count=10)
    places = np.array([0, 24, 25, 100, 225, 226], np.int64)
    reasons = np.array([Reason.DAMAGED] * 5 + [Reason.SLOT], np.uint8)
    empty = session.store.table(0, 0)
    session.store.add(empty, Rejects(places, np.full(6, 3, np.int64), reasons))
    assert session.store.damage(1, 5).offset.tolist() == [25]
    assert session.store.damage(1, 6).offset.tolist() == [25, 100]
    assert session.store.damage(0, 10).offset.tolist() == [0, 24, 25, 100]
    assert session.store.damage(0, 10).length.tolist() == [3] * 4
