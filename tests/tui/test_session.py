"""The place in a session, its cut, its figures and its window, at their ends."""

from __future__ import annotations

import math

import numpy as np
import pytest

from busbench.analysis.ongoing_outages import Losses
from busbench.analysis.outages import Kind
from busbench.model import NO_CLOCK, Annotation
from busbench.tui.session import PACES, Across
from busbench.tui.window import length_of, level_within, timeline_window, zoomed
from busbench.wire.codec import pack_frames
from busbench.wire.table import FrameTable
from tests.tui.test_plain_figures import PER_READ, PERIOD_NS, Held, events_of

MS = 1_000_000


def session_of(
    count: int = 100, *, is_timed: bool = True, flags: dict[int, int] | None = None, marked: tuple[int, ...] = ()
) -> Held:
    """Frames each 7 ms from 0 on, whose counts are ten times their row; some flagged, some with a marked byte."""
    session = Held("here", clock=PER_READ if is_timed else NO_CLOCK)
    rows = np.arange(count, dtype=np.int64)
    of_rows = np.zeros(count, np.uint8)
    for row, flag in (flags or {}).items():
        of_rows[row] = flag
    marks = np.zeros(count, np.uint8)
    marks[list(marked)] = 1
    raw = pack_frames(np.repeat(rows[:, None] * 10 % 2000, 16, axis=1), of_rows)
    session.store.add(FrameTable(rows * PERIOD_NS, np.zeros(count, np.int32), rows * 25, raw, marks))
    session.end = session.store.axis(count - 1)
    session.losses = Losses(period_s=0.007)
    return session


def with_event(session: Held, kind: Kind, first: int, *, frames: int = 0, missing: int = 0) -> Held:
    """An outage from a row on: frames that came, and some that are missing before it."""
    from dataclasses import replace

    start, end = (session.store.axis(row) for row in (first, first + frames))
    events = events_of((start, end, kind, missing))
    item = replace(events.items[0], frames=frames + missing, offset=first * 25)
    session.events = type(events)((item,), events.start, events.end)
    return session


@pytest.mark.parametrize(
    ("place", "wanted"), [(-1, 0), (0, 0), (5, 5), (99 * PERIOD_NS, 99 * PERIOD_NS), (10**12, 99 * PERIOD_NS)]
)
def test_the_place_stays_between_start_and_end(place: int, wanted: int) -> None:
    session = session_of()
    session.seek(place)
    assert (session.place, session.is_moving) == (wanted, False)


def test_an_empty_session_has_its_start_alone() -> None:
    session = Held("here", clock=PER_READ)
    session.start, session.end = 5, 3
    session.seek(9)
    assert session.place == 5
    session.step(1)
    assert (session.place, session.row, session.age_s) == (5, -1, math.inf)
    session.reset()
    assert session.reset_row == 0


def test_seconds_on_and_back_keep_a_recording_playing() -> None:
    session = session_of()
    session.seek_by(0.1)
    assert (session.place, session.is_moving) == (100 * MS, True)
    session.is_live = True  # what is live is frozen then
    session.seek_by(-0.03)
    assert (session.place, session.is_moving) == (70 * MS, False)
    assert session.seconds(session.place) == pytest.approx(0.07)


def test_steps_go_from_frame_to_frame() -> None:
    session = session_of()
    session.seek(10 * PERIOD_NS + 3)
    session.step(1)
    assert session.place == 11 * PERIOD_NS
    session.step(-3)
    assert session.row == 8
    session.reset()
    assert session.reset_row == 8
    rows = session.channel_rows(4)
    assert (int(rows.low[0]), int(rows.high[0]), int(rows.values[0])) == (80, 80, 80)


def test_paces_end_at_their_ends() -> None:
    session = session_of()
    seen = []
    for steps in (-1, -1, -1, -1, 2, 9, -1):
        session.change_pace(steps)
        seen.append(session.pace)
    assert seen == [0.5, 0.2, 0.1, 0.1, 0.5, 100.0, 50.0]
    assert PACES[3] == 1.0


def test_a_cut_ends_after_it_begins_in_whatever_order_its_ends_are_set() -> None:
    for is_end_first in (True, False):
        session = session_of()
        session.seek(30)
        session.set_cut(is_end=is_end_first)
        assert (session.cut_in, session.cut_out) == ((None, 30) if is_end_first else (30, None))
        session.seek(70)
        session.set_cut(is_end=not is_end_first)
        assert (session.cut_in, session.cut_out) == (30, 70)
    session.seek(50)
    session.set_cut(is_end=True)
    assert (session.cut_in, session.cut_out) == (30, 50)
    session.seek(30)
    session.set_cut(is_end=True)
    assert (session.cut_in, session.cut_out) == (30, 30)


def test_annotations_are_in_order_and_told_where_they_are_in_no_file() -> None:
    session = session_of()
    for place, text in ((30, "b"), (10, "a"), (20, "c")):
        session.mark(place, text)
    assert [mark.text for mark in session.marks] == ["a", "c", "b"]
    assert [session.mark_place(mark) for mark in session.marks] == [10, 20, 30]
    assert session.unkept == []
    session.unkept_marks = 2
    assert session.unkept == ["2 annotations"]
    assert session.marks[0] == Annotation(10, "a")


@pytest.mark.parametrize(("age_ms", "is_current"), [(0, True), (11.2, True), (11.3, False)])
def test_a_frame_is_current_for_1_6_periods(age_ms: float, is_current: bool) -> None:
    session = session_of(51, flags={50: 0x0E})
    session.place = 50 * PERIOD_NS + round(age_ms * MS)
    assert session.age_s == pytest.approx(age_ms / 1e3)
    assert session.flags == (0x0E if is_current else None)
    assert session.flag_words == ("FAILSAFE LOST 18 on" if is_current else "no frame")
    assert session.stale_s == pytest.approx(0.0112)
    session.losses = Losses()
    assert session.stale_s == pytest.approx(0.032)  # where no period is known, as of the slowest receivers


def test_without_times_a_frame_is_current_until_the_next() -> None:
    session = session_of(is_timed=False)
    session.seek(99)
    assert (session.age_s, session.flags, session.flag_words) == (0.0, 0, "none")
    session.place = 140
    assert session.flags == 0


def test_within_missing_frames_there_is_no_frame_and_within_flagged_ones_there_is() -> None:
    missing = with_event(session_of(), "gap", 20, frames=5, missing=3)
    came = with_event(session_of(flags={20: 4}), "lost", 20, frames=5)
    for session, words in ((missing, "no frame"), (came, "LOST")):
        session.seek(20 * PERIOD_NS)
        assert session.flag_words == words
        session.seek(19 * PERIOD_NS)
        assert session.flag_words == "none"


def test_a_value_is_told_where_a_whole_frame_is() -> None:
    session = session_of(60, marked=(5,))
    assert session.value_at(3, 10 * PERIOD_NS + 6 * MS) == 100
    assert session.value_at(3, -1) is None
    assert session.value_at(3, 5 * PERIOD_NS) is None
    assert session.value_at(17, 7 * PERIOD_NS) == 0
    last = 59 * PERIOD_NS
    assert [session.value_at(0, last + round(ms * MS)) for ms in (11.2, 11.21)] == [590, None]
    untimed = session_of(60, is_timed=False)
    assert [untimed.value_at(0, place) for place in (-1, 0, 59, 60)] == [None, 0, 590, None]


def test_recent_losses_are_all_kinds_within_the_seconds_and_those_due_with_them() -> None:
    session = session_of(flags={60: 4, 61: 8, 40: 4}, marked=(62, 63, 30))
    session.seek(70 * PERIOD_NS)
    assert session.recent_losses(0.14) == (4, 20)
    assert session.recent_losses(0.21) == (4, 30)  # what is at its start is no longer in it
    assert session.recent_losses(0.217) == (5, 31)
    assert session.recent_losses(99.0) == (6, 70)
    session = with_event(session, "gap", 65, frames=2, missing=6)
    assert session.recent_losses(0.14) == (10, 26)


def test_without_times_an_outage_is_at_the_frame_after_it() -> None:
    session = with_event(session_of(is_timed=False), "gap", 50, missing=7)
    session.events = type(session.events)(session.events.items, session.events.start, session.events.start + 1)
    for place, missed in ((49, 0), (50, 7), (51, 7)):
        session.seek(place)
        assert session.recent_losses()[0] == missed, place


def test_what_channels_did_across_an_outage() -> None:
    lost = with_event(session_of(flags={20: 4}), "lost", 20, frames=4)
    assert lost.across(0)[2] == Across(190, 200, 230, 240)
    gap = with_event(session_of(), "gap", 20, missing=4)
    assert gap.across(0)[2] == Across(190, None, None, 200)
    first = with_event(session_of(flags={0: 8}), "failsafe", 0, frames=2)
    assert first.across(0)[2] == Across(None, 0, 10, 20)
    last = with_event(session_of(), "lost", 97, frames=2)
    last.store = session_of(99).store
    assert last.across(0)[2] == Across(960, 970, 980, None)
    damaged = with_event(session_of(marked=(20, 21)), "damaged", 20, frames=2)
    assert damaged.across(0)[2] == Across(190, None, None, 220)
    assert len(damaged.across(0)) == 18
    assert lost.across(0)[17] == Across(0, 0, 0, 0)


def test_jumps_go_on_from_the_outage_chosen_where_the_place_is_at_it() -> None:
    session = session_of()
    session.events = events_of(*((at, at + 5, "lost", 0) for at in (10, 10, 30)))
    session.seek(10)
    assert session.jump(1, chosen=0) == 1
    assert session.jump(1, chosen=1) == 2
    assert session.place == 30
    assert session.jump(1, chosen=2) is None
    assert session.jump(-1, chosen=7) == 1
    session.seek(11)
    assert session.jump(1, chosen=0) == 2
    session.seek(10)
    assert session.jump(-1, chosen=0) is None
    session.seek(9)
    assert session.jump(1, among=np.array([1, 2])) == 1
    session.seek(40)
    assert session.jump(-1, among=np.array([0, 1])) == 1
    assert session.jump(-1, among=np.array([2])) is None


def test_the_upper_limit_is_that_of_the_losses_now() -> None:
    session = session_of()
    session.losses = Losses(frames=299, missed=0)
    assert session.upper95 == pytest.approx(1 - 0.05 ** (1 / 299))  # of no loss: exact
    session.losses = Losses(frames=59, missed=0)
    assert session.upper95 == pytest.approx(1 - 0.05 ** (1 / 59))


def test_lengths_of_the_timeline_are_threefold_from_24_frames_on() -> None:
    session = session_of(2000)
    assert [length_of(session, level) for level in range(3)] == [168 * MS, 504 * MS, 1512 * MS]
    untimed = session_of(2000, is_timed=False)
    assert [length_of(untimed, level) for level in range(3)] == [24, 72, 216]
    session.losses = Losses()
    assert length_of(session, 0) == 360 * MS
    session.losses = Losses(period_s=1e-10)
    assert length_of(session, 0) == 24


def test_the_widest_level_is_shorter_than_the_session_and_not_longer_than_asked() -> None:
    session = session_of(2000)  # 13.993 s
    assert [level_within(session, one * MS) for one in (168, 169, 503, 504, 505, 1511, 1512)] == [
        None,
        0,
        0,
        1,
        1,
        1,
        2,
    ]
    assert level_within(session, 10**12) == 4  # 13.608 s
    session.end = session.start + 1512 * MS
    assert level_within(session, 10**12) == 1
    session.end = session.start + 168 * MS
    assert level_within(session, 10**12) is None


def test_zoom_goes_in_by_levels_and_out_to_the_whole() -> None:
    session = session_of(2000)
    levels: list[int | None] = [None]
    for steps in (1, 1, 2, 1, -1, -2, -1, -1, -1, 9, -9):
        levels.append(zoomed(session, levels[-1], steps))
    assert levels == [None, 4, 3, 1, 0, 1, 3, 4, None, None, 0, None]
    session.end = session.start + 10
    assert zoomed(session, None, 1) is None


def test_the_window_is_around_the_place_and_inside_the_session() -> None:
    session = session_of(2000)
    whole = session.start, session.end
    assert timeline_window(session, None) == whole
    for place_s in (0.0, 0.01, 3.0, 7.123, 13.9, 13.993):
        session.seek(round(place_s * 1e9))
        lo, hi = timeline_window(session, 1)
        step = 504 * MS // 8
        assert hi - lo == 504 * MS
        assert whole[0] <= lo <= session.place <= hi <= whole[1]
        if 0.3 < place_s < 13.6:
            assert lo % step == 0
            assert 0 <= session.place - (lo + hi) // 2 < step
    assert timeline_window(session, 1) == (session.end - 504 * MS, session.end)
    assert timeline_window(session, 9) == whole
    session.end = session.start
    assert timeline_window(session, 1) == (session.start, session.start + 1)
