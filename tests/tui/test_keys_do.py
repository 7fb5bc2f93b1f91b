"""What each key does to the session and to what is said, many keys on one app; what passes unseen says nothing."""

from __future__ import annotations

import shutil
from pathlib import Path
from unittest import mock

import pytest
from textual.app import App
from textual.widgets import Input

from busbench.capture.open import open_capture
from busbench.errors import BusbenchError
from busbench.port.ipc import EventKind
from busbench.rig.load import read_rig
from busbench.tui.app import BELL_TICKS, SAID_TICKS, SLOW_TICKS, TICK_S, TICKS_A_LETTER, BenchApp
from busbench.tui.commands import COMMANDS
from busbench.tui.main import make_app
from busbench.tui.opening import PLAN, Opened
from busbench.tui.palette import of_theme
from busbench.tui.replay import ReplaySession
from busbench.tui.screens.ask import Ask, Confirm
from busbench.tui.screens.base import BenchView
from busbench.tui.screens.channels import ChannelsView
from busbench.tui.screens.choose import Choose
from busbench.tui.screens.outages import OutagesView
from busbench.tui.text import clock_time
from tests.cli.running import CAPTURES
from tests.tui.ports import Live
from tests.tui.screens import no_opener, shown, text_of


def view_of(app: BenchApp) -> BenchView:
    assert isinstance(app.screen, BenchView)
    return app.screen


async def test_keys_of_the_place_and_of_what_is_said(flight: ReplaySession) -> None:
    async with shown(flight) as (app, pilot):
        told: list[str] = []

        async def after(keys: str) -> tuple[float, str]:
            before = app.ui.said
            await pilot.press(*keys.split())
            told.append(app.ui.said if app.ui.said != before else "")
            return round(flight.seconds(flight.place), 3), told[-1]

        assert await after("l") == (0.0, "nothing was said so far")
        assert await after("pagedown") == (10.0, "")
        assert await after("pagedown pageup shift+right shift+right shift+left") == (11.0, "")
        at = flight.row
        await after("right right left")
        assert flight.row == at + 1
        assert await after("home") == (0.0, "")
        assert await after("end") == (round(flight.seconds(flight.end), 3), "")
        await after("minus")
        assert flight.pace == 0.5
        await after("plus plus")
        assert flight.pace == 2.0
        assert await after("b") == (79.995, "bell on outages: on")
        assert app.ui.rings
        assert await after("b") == (79.995, "bell on outages: off")
        assert await after("n") == (79.995, "no further outage that way")
        await after("p")
        assert app.ui.chosen == len(flight.events) - 1
        app.ui.listed.kind = "gap"
        assert await after("end n") == (79.995, "no further outage (gap) that way")
        await after("p")
        assert flight.events.items[app.ui.chosen or 0].kind == "gap"
        app.ui.listed.clear()
        row = flight.row
        assert (await after("z"))[1] == "spans count from here"
        assert flight.reset_row == row
        assert (await after("r"))[1] == "only a live source is recorded"
        assert (await after("x"))[1] == "no cut yet: i sets its start, o its end"
        await after("i")
        assert (flight.cut_in, flight.cut_out) == (flight.place, None)
        assert (await after("x"))[1] == ""  # the same again
        await after("o")
        assert (await after("x"))[1] == "the cut is empty: set its start with i and its end with o at another place"
        await after("full_stop full_stop comma")
        assert app.ui.zoom is not None
        await after("comma comma comma")
        assert app.ui.zoom is None
        assert isinstance(app.screen, ChannelsView)


async def test_what_is_kept_by_keys_of_colours_mouse_and_units(flight: ReplaySession) -> None:
    async with shown(flight) as (app, _):
        kept = app.ui.settings
        app.action_shade()
        assert (kept.now.theme, app.theme, app.ui.palette) == ("light", "bench-light", of_theme("bench-light"))
        app.action_shade()
        assert (kept.now.theme, app.theme, app.ui.palette) == ("dark", "bench-dark", of_theme("bench-dark"))
        app.action_mouse()
        assert (kept.now.mouse, app.ui.said) == (False, "mouse: off, the terminal selects text with it")
        app.action_mouse()
        assert (kept.now.mouse, app.ui.said) == (True, "mouse: on")
        app.action_shade()
        app.action_reset_settings()
        assert app.theme == "bench-dark"
        assert app.ui.said == "settings are reset: unit, colours, scale, mouse and view"


async def test_terminal_colours_are_not_changed(flight: ReplaySession, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("NO_COLOR", "1")
    async with shown(flight) as (app, _):
        app.action_shade()
        assert app.ui.said == "the terminal's own colours are used"
        assert app.ui.settings.now.theme is None
        app.action_reset_settings()
        assert app.theme == "bench-plain"


async def test_keys_of_a_live_source(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    live = Live("virtual:?period=10ms&gaps=0.5:0.2")
    async with shown(live.pass_s(1), keys="x") as (app, pilot):
        assert app.ui.said == "a cut is taken from a recording: record with r, then watch the file"
        session = live.session
        await pilot.press("space")
        assert not session.is_moving
        await pilot.press("space")
        assert session.is_moving
        await pilot.press("m", "enter")
        assert [mark.text for mark in session.marks] == ["mark"]
        assert (session.unkept_marks, app.ui.said) == (1, f"mark at {clock_time(session.seconds(session.place))}")
        await pilot.press("r")
        (made,) = tmp_path.glob("bench-*.pcapng")
        assert app.ui.said == f"recording to {made.name}"
        live.pass_s(1)
        await pilot.press("m", *"motor", "enter")
        assert (session.unkept_marks, session.marks[-1].text) == (1, "motor")  # that one is in the recording
        await pilot.press("r")
        assert app.ui.said == f"wrote {made.name} (100 frames)"
        with mock.patch("busbench.tui.file_actions.recording_name", return_value=made.name):
            await pilot.press("r")
        assert app.ui.said.startswith(f"{made.name}: file exists already")


async def test_a_message_of_the_session_is_said_once_and_for_its_time(monkeypatch: pytest.MonkeyPatch) -> None:
    assert (SAID_TICKS * TICK_S, TICKS_A_LETTER * TICK_S) == (8.0, 0.1)
    monkeypatch.setattr("busbench.tui.app.SAID_TICKS", 12)
    live = Live("virtual:?period=10ms")
    async with shown(live.pass_s(1)) as (app, _):
        live.port.happens(EventKind.UNPLUGGED, "gone")
        app.tick(0.05)
        assert app.ui.said == "gone"
        for _ in range(12):
            app.tick(0.0)
        assert app.ui.said == "gone"
        app.tick(0.0)
        assert app.ui.said == ""
        app.tick(0.0)
        assert app.ui.said == ""
        app.action_again()
        assert app.ui.said == "gone"
        app.say("x" * 10)
        for ticks, is_there in ((19, True), (2, True), (1, False)):
            for _ in range(ticks):
                app.tick(0.0)
            assert bool(app.ui.said) is is_there
        live.session.notice = ""
        app.say("mine")
        app.tick(0.0)
        assert app.ui.said == "mine"  # an empty notice hides nothing


async def test_slow_parts_are_drawn_at_every_fourth_tick_and_the_others_at_each() -> None:
    live = Live("virtual:?period=10ms&pilot=moving")
    async with shown(live.pass_s(1)) as (app, _):
        view = view_of(app)
        drawn: list[bool] = []
        with mock.patch.object(type(view), "draw", lambda _, slow: drawn.append(slow)):
            for _ in range(2 * SLOW_TICKS):
                app.tick(0.0)
            assert drawn == [True, False, False, False] * 2
            drawn.clear()
            app.flow._asked_ns = app.flow._now_ns()  # the terminal still processes what was sent
            app.draw()
            for _ in range(SLOW_TICKS):
                app.tick(0.0)
            assert drawn == []
            app.flow.answered()
            app.tick(0.0)
            app.tick(0.0)
            assert drawn == [True, False]


async def test_the_bell_rings_at_most_once_a_second_and_only_where_it_is_on() -> None:
    live = Live("virtual:?period=10ms")
    async with shown(live.session) as (app, _):
        rings: list[int] = []
        with (
            mock.patch.object(type(app), "bell", side_effect=lambda: rings.append(app._ticks)),
            mock.patch.object(type(live.session), "takes_alarm", return_value=True),
        ):
            for _ in range(9 * SLOW_TICKS):
                app.tick(0.0)
            assert rings == []
            app.ui.rings, app._ticks = True, 0
            for _ in range(3 * BELL_TICKS):
                app.tick(0.0)
        assert rings == [21, 41]  # at the first slow tick a second after the ring before


async def test_channels_are_chosen_shown_large_and_laid_over(flight: ReplaySession) -> None:
    async with shown(flight, keys="up down down down up enter") as (app, pilot):
        view = view_of(app)
        assert isinstance(view, ChannelsView)
        assert (app.ui.channel, view._lines.is_large, app.ui.zoom) == (2, True, 3)  # 9.72 s, as 20 s at most
        await pilot.press("v")
        assert (view._lines.others, app.ui.said) == ([2], "channel 3 stays drawn while up and down choose others")
        await pilot.press("down", "v", "v")
        assert view._lines.others == [2]
        await pilot.press("c")
        assert view._lines.cursor_a == flight.place
        await pilot.press("c", "escape", "c")
        assert view._lines.cursor_a is None
        assert not view._lines.is_large
        await pilot.press("full_stop", "enter", "y")
        assert app.ui.zoom == 2  # as it was left
        assert app.ui.is_common_scale
        view.action_choose(30)
        assert app.ui.channel == 17
        view.action_choose(-30)
        assert app.ui.channel == 0


async def test_kinds_of_outages_go_round_and_words_are_left_by_escape(flight: ReplaySession) -> None:
    async with shown(flight, keys="3") as (app, pilot):
        view = view_of(app)
        assert isinstance(view, OutagesView)
        kinds = []
        for _ in range(5):
            await pilot.press("k")
            kinds.append(app.ui.listed.kind)
        assert kinds == ["gap", "lost", "failsafe", "damaged", None]
        await pilot.press("slash", *"lost", "enter")
        assert app.ui.listed.text == "lost"
        await pilot.press("slash", "x", "escape")
        assert app.ui.listed.text == "lost"
        await pilot.press("enter")
        assert view._lines.shows_frames
        await pilot.press("enter")
        assert not view._lines.shows_frames
        flight.events = type(flight.events)(flight.events.items[:2], flight.events.start[:2], flight.events.end[:2])
        await pilot.press("k", "k")
        assert app.ui.listed.kind is None  # of the two kinds there are one is damaged


async def test_leaving_asks_where_something_would_be_lost() -> None:
    live = Live("virtual:?period=10ms")
    async with shown(live.pass_s(1), keys="m x enter q") as (app, pilot):
        assert isinstance(app.screen, Confirm)
        await pilot.press("n")
        assert not live.port.is_closed
        assert isinstance(app.screen, BenchView)
        await pilot.press("q", "y")
        await pilot.pause()
        assert live.port.is_closed
        assert app._exit


@pytest.fixture
def opened(monkeypatch: pytest.MonkeyPatch) -> list[tuple[str, str]]:
    """Sources that were asked for; one named bad cannot be opened."""
    monkeypatch.chdir(CAPTURES)
    return []


def app_on(session: object, asked: list[tuple[str, str]], made: list[Live], **more: object) -> App[None]:
    def opener(source: str, rig_path: str) -> Opened:
        asked.append((source, rig_path))
        if source == "bad":
            raise BusbenchError("bad: is bad")
        live = Live("virtual:?period=10ms")
        made.append(live)
        return Opened(live.pass_s(1), read_rig(rig_path) if rig_path else None, rig_path)

    first = None if session is None else Opened(session)  # type: ignore[arg-type]
    return make_app(first, opener=opener, is_timed=False, **more)  # type: ignore[arg-type]


async def test_another_source_closes_what_was_watched_and_forgets_what_was_chosen(
    opened: list[tuple[str, str]],
) -> None:
    first, beside, made = Live("virtual:?period=10ms"), Live("virtual:?period=10ms"), list[Live]()
    app = app_on(first.pass_s(1), opened, made, beside=[beside.session])
    assert isinstance(app, BenchApp)
    async with app.run_test(size=(80, 24)) as pilot:
        app.ui.chosen, app.ui.listed.text = 3, "gap"
        app.ui.zoom = 2
        app._chosen("bad")
        await app.workers.wait_for_complete()
        await pilot.pause()
        assert isinstance(app.screen, Choose)
        assert "bad: is bad" in text_of(app)
        assert not first.port.is_closed
        await pilot.press("escape")
        assert app.ui.session is first.session
        app._chosen("virtual:other")
        await app.workers.wait_for_complete()
        await pilot.pause()
        assert opened == [("bad", ""), ("virtual:other", "")]
        assert app.ui.session is made[0].session
        kept: object = (app.ui.chosen, app.ui.listed.text, app.ui.zoom, app.ui.beside)
        assert kept == (None, "", None, [])
        assert (first.port.is_closed, beside.port.is_closed) == (True, True)
        app._chosen(f"{PLAN}heron.toml")  # the plan, with the source that is watched
        assert made[0].port.is_closed  # a port has one user
        await app.workers.wait_for_complete()
        await pilot.pause()
        assert opened[-1] == (made[0].session.source, "heron.toml")
        assert (app.ui.rig_path, app.ui.rig is not None) == ("heron.toml", True)
        app._chosen("virtual:?period=9ms")
        await app.workers.wait_for_complete()
        assert opened[-1] == ("virtual:?period=9ms", "heron.toml")  # the plan stays
        app._chosen("virtual:heron.toml")
        await app.workers.wait_for_complete()
        assert opened[-1] == ("virtual:heron.toml", "")  # which has a plan of its own
        app._chosen(f"{PLAN}nowhere.toml")
        await pilot.pause()
        assert isinstance(app.screen, Choose)
        assert not made[-1].port.is_closed


async def test_a_plan_chosen_before_a_source_belongs_to_the_next_one(opened: list[tuple[str, str]]) -> None:
    made: list[Live] = []
    app = app_on(None, opened, made)
    assert isinstance(app, BenchApp)
    async with app.run_test(size=(80, 24)) as pilot:
        app.screen.dismiss(f"{PLAN}heron.toml")
        await pilot.pause()
        assert "with the plan heron.toml" in text_of(app)
        assert opened == []
        app.screen.dismiss("virtual:")
        await app.workers.wait_for_complete()
        await pilot.pause()
        assert opened == [("virtual:", "heron.toml")]
        app.ui.rig_path = ""
        app._chosen("virtual:")
        await app.workers.wait_for_complete()
        assert opened[-1] == ("virtual:", "")  # once


async def test_without_a_source_escape_leaves_and_keys_do_nothing(opened: list[tuple[str, str]]) -> None:
    app = app_on(None, opened, [])
    assert isinstance(app, BenchApp)
    async with app.run_test(size=(80, 24)) as pilot:
        for command in COMMANDS:
            if command.action.split("(")[0] in ("play", "step", "seek", "ends", "pace", "zoom", "jump", "mark", "cut"):
                await app.run_action(command.action)
        app.tick(1.0)
        await app.run_action("view(2)")
        assert isinstance(app.screen, Choose)
        await pilot.press("escape")
        await pilot.pause()
        assert app._exit


async def test_views_are_made_once_and_the_last_one_is_kept(flight: ReplaySession) -> None:
    async with shown(flight, keys="3") as (app, pilot):
        outages = app.screen
        assert app.ui.settings.now.view == "3"
        await pilot.press("3", "1", "3")
        assert app.screen is outages
        assert len(app.screen_stack) == 2
        app.ui.show_at(flight.start + 5_000_000_000, channel=None)
        assert (app.ui.channel, flight.seconds(flight.place)) == (0, 5.0)
        app.ui.show_at(flight.start + 6_000_000_000, channel=5)
        assert (app.ui.channel, flight.seconds(flight.place)) == (4, 6.0)
        await pilot.pause()
        assert isinstance(app.screen, ChannelsView)


async def test_the_view_kept_is_shown_first(tmp_path: Path) -> None:
    from busbench.tui.settings import SettingsStore

    for kept, name in (("8", "Rig"), (None, "Channels")):
        store = SettingsStore()
        if kept is not None:
            store.keep(view=kept)
        app = make_app(Opened(Live().pass_s(1)), opener=no_opener, is_timed=False, settings=store)
        async with app.run_test(size=(80, 24)):
            assert view_of(app).view.name == name


async def test_a_cut_is_proposed_under_a_free_name(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    shutil.copy(CAPTURES / "heron-flight.pcapng", tmp_path / "flight.pcapng")
    (tmp_path / "flight-cut.pcapng").touch()
    session = ReplaySession(open_capture("flight.pcapng"))
    session.load()
    session.is_moving = False
    async with shown(session, keys="i shift+right o x") as (app, pilot):
        assert isinstance(app.screen, Ask)
        assert app.screen.query_one(Input).value == "flight-cut-2.pcapng"
        await pilot.press("escape")
        assert isinstance(app.screen, BenchView)
        await pilot.press("x")
        app.screen.query_one(Input).value = "flight-cut.pcapng"
        await pilot.press("enter")
        await app.workers.wait_for_complete()
        assert app.ui.said.startswith("flight-cut.pcapng: file exists already")
    assert [path.name for path in tmp_path.glob("*cut*")] == ["flight-cut.pcapng"]
