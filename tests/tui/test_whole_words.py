"""Words that were once cut, or that said what is not so, on screens as narrow as they may be."""

from __future__ import annotations

from unittest import mock

import pytest
from rich.cells import cell_len

from busbench.bench.check_session import CheckSession
from busbench.capture.open import open_capture
from busbench.rig.load import read_rig
from busbench.tui import palette
from busbench.tui.app_state import AppState
from busbench.tui.replay import ReplaySession
from busbench.tui.screens.help import FIGURES
from busbench.tui.session import Session
from busbench.tui.widgets.big_digits import CAPTIONS
from busbench.tui.widgets.verify import VerifyLines
from tests.cli.running import CAPTURES
from tests.tui.ports import Live
from tests.tui.screens import shown, text_of

HERON = CAPTURES / "heron.toml"


def recording(name: str) -> ReplaySession:
    session = ReplaySession(open_capture(str(CAPTURES / name)))
    session.load()
    return session


async def test_values_across_an_outage_are_whole_in_every_unit() -> None:
    async with shown(recording("heron-flight.pcapng"), keys="3" + 11 * " n") as (app, pilot):
        assert "2 989 > 989 > 963 " in text_of(app)
        await pilot.press("u")
        await pilot.pause()
        assert "2 1498.1 > 1498.1 > 1481.9 " in text_of(app)
        await pilot.press("u")
        await pilot.pause()
        assert "2 -0.4 > -0.4 > -3.5 " in text_of(app)
        assert "…" not in "".join(text_of(app).splitlines()[-12:])


async def test_every_load_case_is_named_in_full() -> None:
    async with shown(Live().session, keys="8", rig=HERON) as (app, pilot):
        for _ in range(12):
            text = text_of(app)
            assert "…" not in text.splitlines()[4], text
            await pilot.press("right")
            await pilot.pause()


async def test_a_long_name_is_whole_in_the_walk() -> None:
    async with shown(Live().session, keys="6 enter", rig=HERON) as (app, _):
        assert "   5 left elevator + right elevator -       -    -" in text_of(app)


async def test_large_letters_are_of_ink_whatever_they_say() -> None:
    live = Live("virtual:?period=10ms&failsafe=0.5:2")
    async with shown(live.pass_s(1), keys="4") as (app, _):
        assert "LINK NOW: failsafe" in text_of(app)
        blocks = [one for strip in app.screen._compositor.render_strips() for one in strip if "██" in one.text]
        grounds = {one.style.bgcolor.name for one in blocks if one.style and one.style.bgcolor}
        assert grounds == {"#14181a"}
        assert not any(one.style.reverse for one in blocks if one.style)


async def test_without_a_clock_no_seconds_are_told() -> None:
    async with shown(recording("heron-noisy.raw"), keys="end 1") as (app, pilot):
        assert "last 400 frames   state" in text_of(app)
        await pilot.press("4")
        await pilot.pause()
        text = text_of(app)
        assert "MISSED, LAST 1,013" in text
        assert "LONGEST OUTAGE, FRAMES" in text
        await pilot.resize_terminal(120, 40)
        await pilot.press("3", "p")
        await pilot.pause()
        assert "200 frames before to 200 after outage 49" in text_of(app)


@pytest.mark.parametrize("key", "568")
async def test_views_that_need_a_plan_say_how_to_open_one(key: str) -> None:
    async with shown(Live().session, keys=key) as (app, _):
        assert "plan" in text_of(app)
        text = text_of(app)
        assert "a rig file: s opens one; or start with\n `busbench watch SOURCE --rig RIG.toml`" in text
        assert text.splitlines()[-1].startswith(" 1-8 view  s open  ctrl+p menu")


def test_the_help_says_every_word_of_the_link() -> None:
    link = FIGURES["Range check"]["link now"]
    assert [word for word in CAPTIONS if word not in link.replace(";", "").split()] == []


async def test_a_long_outage_says_how_much_of_it_is_drawn() -> None:
    live = Live("virtual:?period=10ms&gaps=3:9&duration=14s")
    async with shown(live.pass_s(13.5), (120, 40), keys="3 p") as (app, _):
        lines = text_of(app).splitlines()
        assert lines[7][78:] == "from 2 s before outage 1 to 8 s into it"
        assert lines[8][81:] == "·" * 7 + "g" * 32
        assert len(lines[9][81:].rstrip("\u2800")) == 8


async def test_a_rehearsal_shows_how_what_moves_stands_where_all_have_no_room() -> None:
    session = Live("virtual:?period=15ms&pilot=still").pass_s(1)
    async with shown(session, keys="6 enter", rig=HERON) as (app, pilot):
        lines = text_of(app).splitlines()
        at = next(at for at, line in enumerate(lines) if "devices now" in line)
        assert lines[at + 1].startswith(" > left aileron    +0 %  ──")
        assert not lines[at + 2].strip()
        await pilot.resize_terminal(120, 40)
        await pilot.pause()
        app.draw()
        assert "   sustainer       -100 %  ──" in text_of(app)


@pytest.mark.parametrize(("lines", "more"), [(22, 3), (23, 2), (24, 0)])
async def test_channels_that_have_no_line_are_told(lines: int, more: int) -> None:
    async with shown(Live().pass_s(1), (80, lines)) as (app, _):
        text = text_of(app)
        assert (f"0 above, {more} below: up and down scroll" in text) is bool(more)
        assert ("\n18 " in text) is not bool(more)


@pytest.mark.parametrize("key", "68")
async def test_keys_that_do_nothing_without_a_plan_are_not_shown(key: str) -> None:
    async with shown(Live().session, keys=key) as (app, _):
        assert "scroll" not in text_of(app).splitlines()[-1]


async def test_wide_marks_leave_the_others_in_their_place() -> None:
    session = recording("heron-flight.pcapng")
    async with shown(session, keys="3") as (app, pilot):
        session.seek(session.start + 20 * 10**9)
        Session.mark(session, session.place, "方向[b]")
        session.seek(session.start + 50 * 10**9)
        Session.mark(session, session.place, "x")
        app.draw()
        await pilot.pause()
        line = text_of(app).splitlines()[4]
        assert line.index("▼方向[b]") == 20
        assert cell_len(line[: line.index("▼x")]) == 50


async def test_a_mark_is_whole_where_there_is_room_on_either_side_of_it() -> None:
    session = recording("heron-flight.pcapng")
    async with shown(session, keys="3") as (app, pilot):
        for second, text in ((4, "away"), (6, "cut short here"), (12, "the port is gone: unplugged"), (79.9, "landed")):
            Session.mark(session, session.start + round(second * 10**9), text)
        app.draw()
        await pilot.pause()
        line = text_of(app).splitlines()[4]
        assert line == "away▼ ▼cut …▼the port is gone: unplugged".ljust(73) + "landed▼"


async def test_while_a_recording_is_read_keys_work_or_are_refused_with_a_word() -> None:
    session = ReplaySession(open_capture(str(CAPTURES / "heron-flight.pcapng")))
    with mock.patch.object(session, "load"):
        async with shown(session, keys="2") as (app, pilot):
            assert " timing is measured once the whole recording is read" in text_of(app)
            assert text_of(app).splitlines()[2].startswith(" reading: 0 frames, 0%")
            await pilot.press("n")
            assert "outages are found once the whole recording is read" in text_of(app)
            await pilot.press("question_mark")
            await pilot.pause()
            assert text_of(app).splitlines()[0].startswith(" Help:")


def test_steps_that_have_no_room_are_told_of() -> None:
    live = Live("virtual:?period=15ms&pilot=still")
    ui = AppState(palette.choose("dark"), session=live.pass_s(1), rig=read_rig(HERON))
    lines = VerifyLines(ui)
    lines.work = CheckSession(live.session.receiver, read_rig(HERON))
    drawn = ["".join(text for text, _ in line) for line in lines.lines(80, 15)]
    assert drawn[-2].rstrip() == "    8 motor slider"
    assert drawn[-1].rstrip() == "   … 6 more lines: in a taller window"


async def test_a_narrow_window_leaves_out_what_has_no_room_and_cuts_no_word() -> None:
    session = recording("heron-flight.pcapng")
    session.names = {1: "left aileron", 5: "left elevator + right elevator"}
    async with shown(session, (60, 16), keys="2") as (app, pilot):
        lines = text_of(app).splitlines()
        assert lines[2] == " 290 of 5,334 missed: 95 % limit 5.98 %     flags here none"
        assert lines[3].endswith("    periods, whole rec…")
        text = " ".join(text_of(app).split())
        assert "each read held a whole frame, so the computer's share is unknown" in text
        for key, wanted in (
            ("1", "counts as in the frame last 4 s   state"),
            ("3", " g gap 2 l lost 2 f failsafe 1 d damaged 19 longest 2.01 s\n"),
            ("3", "lasted  frames\n"),
            ("4", "bell on outages: off   m annotates\n"),
            ("7", "one every 7\n   ms\n"),
        ):
            await pilot.press(key)
            app.draw()
            await pilot.pause()
            assert wanted in text_of(app), text_of(app)


async def test_channels_across_an_outage_that_have_no_room_are_told_of() -> None:
    session = recording("heron-flight.pcapng")
    session.source = "/a/folder/within/a/folder/heron-flight.pcapng"
    async with shown(session, (60, 16), keys="3 n n n") as (app, pilot):
        assert text_of(app).splitlines()[1].startswith(" /a/folder/within/a/folder/heron-flight.pcapng  ")
        assert "… more channels: make the window taller" in text_of(app)
        await pilot.resize_terminal(80, 24)
        app.draw()
        await pilot.pause()
        assert "more channels" not in text_of(app)
