"""What the views ask before something is done or lost, and what becomes of the answer."""

from __future__ import annotations

import os
from pathlib import Path
from unittest import mock

import pytest
from textual.widgets import Input

from busbench.bench.check_session import CheckSession, CheckState
from busbench.bench.surface_session import WalkState
from busbench.rig.load import read_rig
from busbench.tui import main
from busbench.tui.opening import Opened, rig_names
from busbench.tui.screens.ask import Ask, Confirm, ask_first
from busbench.tui.screens.base import BenchView
from busbench.tui.screens.verify import VerifyView
from busbench.tui.screens.walk import WalkView
from busbench.tui.settings import SettingsStore
from tests.cli.running import SMALL
from tests.tui.ports import Live
from tests.tui.screens import no_opener, shown, text_of
from tests.tui.test_verify import RIG, faulty, state_of


async def test_a_question_gives_its_text_and_nothing_after_escape() -> None:
    async with shown(Live().session) as (app, pilot):
        got: list[str | None] = []
        typed: list[str] = []
        app.push_screen(Ask("Which [b]one[/b]?", text=" old ", changed=typed.append), got.append)
        await pilot.pause()
        assert "Which [b]one[/b]?" in text_of(app)
        line = app.screen.query_one(Input)
        assert (line.value, line.cursor_position, line.max_length) == (" old ", 5, 200)
        await pilot.press("x", "enter")
        app.push_screen(Ask("Again?"), got.append)
        await pilot.press("y", "escape")
        assert got == ["old x", None]
        assert typed[-1] == "old x"


async def test_what_would_be_lost_is_named_and_only_y_loses_it() -> None:
    async with shown(Live().session) as (app, pilot):
        done: list[str] = []
        keepers = ["the file [b].pcapng", object(), app.ui.session]
        assert app.ui.session is not None
        app.ui.session.unkept_marks = 2
        for key, wanted in (("n", []), ("escape", []), ("Y", []), ("y", ["done"])):
            ask_first(app, "leave [b]now[/b]", keepers, lambda: done.append("done"))
            await pilot.pause()
            assert isinstance(app.screen, Confirm)
            words = " ".join(text_of(app).split())
            assert "! Would be lost or end: the file [b].pcapng; 2 annotations." in words
            assert "y: leave [b]now[/b] all the same. Any other key: go back." in words
            await pilot.press(key)
            await pilot.pause()
            assert done == wanted
            assert isinstance(app.screen, BenchView)
        app.ui.session.unkept_marks = 0
        ask_first(app, "leave", [app.ui.session, object()], lambda: done.append("at once"))
        assert done == ["done", "at once"]


async def test_a_check_is_recorded_skipped_repeated_and_ended_by_its_keys(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    live = Live("virtual:?period=15ms&pilot=still", names=rig_names(read_rig(RIG)))
    async with shown(live.pass_s(1), (100, 40), rig=RIG, keys="5 w") as (app, pilot):
        view = app.screen
        assert isinstance(view, VerifyView)
        assert app.ui.said == "the page is written at the end"
        work = view._lines.work
        assert isinstance(work, CheckSession)
        await pilot.press("up", "f", "k", "b", "e")  # none of them means anything before it has begun
        assert state_of(work) is CheckState.START
        await pilot.press("enter")
        app.screen.query_one(Input).value = "heron.csv"
        await pilot.press("enter")
        assert app.ui.said == "heron.csv: recordings are pcapng: end the name in .pcapng, and convert it afterwards"
        await pilot.press("enter")
        app.screen.query_one(Input).value = ""
        await pilot.press("enter")
        assert state_of(work) is CheckState.START
        await pilot.press("enter", "enter")
        assert (work.state, app.ui.said) == (CheckState.READY, "recording to heron.pcapng")
        await pilot.press("k")
        assert (work.at, work.results) == (1, {0: None})
        await pilot.press("b")
        assert work.at == 0
        await pilot.press("enter")
        assert state_of(work) is CheckState.LISTENING
        await pilot.press("k")
        assert "! Would be lost or end: what was heard of step 1." in text_of(app)
        assert "y: skip the step all the same" in text_of(app)
        await pilot.press("y")
        assert work.at == 1
        await pilot.press("e")
        words = " ".join(text_of(app).split())
        assert f"! Would be lost or end: {len(work.steps) - 1} steps left, not tested then." in words
        await pilot.press("n", "enter")
        live.pass_s(4.5)
        assert state_of(work) is CheckState.RETURN
        await pilot.press("e")
        words = " ".join(text_of(app).split())
        assert f"what was heard of step 2; {len(work.steps) - 1} steps left, not tested then." in words
        assert "y: end the check all the same" in words
        await pilot.press("y")
        assert work.done is not None
        table = view._lines.table
        assert table is not None
        before = table.chosen
        await pilot.press("down")
        assert table.chosen is not before
        await pilot.press("pageup", "left", "right", "pagedown", "f")
        await pilot.press("w")
        assert app.screen.query_one(Input).value == "heron.html"
        await pilot.press("escape")
        await pilot.press("b")
        assert "y: begin another check all the same" in text_of(app)
        await pilot.press("y")
        assert app.screen.query_one(Input).value == "heron-2.pcapng"
        await pilot.press("enter")
        assert state_of(work) is CheckState.READY
        assert work.recording_path == "heron-2.pcapng"


async def test_a_check_of_a_recording_starts_anew_with_another_plan_or_source(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    async with shown(faulty(), (100, 40), rig=RIG, keys="5") as (app, pilot):
        await app.workers.wait_for_complete()
        app.draw()
        view = app.screen
        assert isinstance(view, VerifyView)
        first = view._lines.work
        app.draw()
        assert view._lines.work is first
        await pilot.press("b", "k", "e")
        assert view._lines.work is first
        table = view._lines.table
        assert table is not None
        await pilot.press("enter")
        said = app.ui.said
        await pilot.press("5")
        line = next(check for check in table.checks if check.part == "line" and check.name == "period")
        table.next_filter()
        table.next_filter()
        table.choose(line)
        await pilot.press("enter")
        assert (app.ui.said, isinstance(app.screen, VerifyView)) == ("it is about the whole recording", True)
        assert said != app.ui.said
        await pilot.press("w")
        assert app.screen.query_one(Input).value == "heron.html"
        await pilot.press("escape")
        app.ui.session = Live("virtual:").pass_s(1)
        app.draw()
        assert isinstance(view._lines.work, CheckSession)
        closed = mock.patch.object(view._lines.work, "close")
        with closed as close:
            app.ui.session = faulty()
            app.ui.rig = None
            app.draw()
            assert close.call_count == 1
        assert view._lines.work is None


async def test_a_walk_asks_for_its_file_and_for_notes(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    path = tmp_path / "small.toml"
    path.write_text(SMALL, encoding="utf-8")
    live = Live("virtual:?period=14ms&pilot=still")
    async with shown(live.pass_s(1), rig=path, keys="6 f") as (app, pilot):
        view = next(screen for screen in app.screen_stack if isinstance(screen, WalkView))
        assert app.screen.query_one(Input).value == ""
        await pilot.press(*"mine.json", "escape", "f")
        assert view.walking.path is None
        await pilot.press(*"mine.json", "enter")
        assert str(view.walking.path) == "mine.json"
        assert "answers go to mine.json; f names another" in text_of(app)
        await pilot.press("f")
        assert app.screen.query_one(Input).value == "mine.json"
        await pilot.press(*["backspace"] * 9, "enter")
        assert view.walking.path is None
        await pilot.press("y", "enter")
        walk = view.walking.walk
        assert walk is not None
        await pilot.press("f")  # not while it goes on
        assert isinstance(app.screen, WalkView)
        await pilot.press("t", "escape", "t", "enter")
        assert view.walking.walk is not None
        assert view.walking.walk.entry.note == ""
        await pilot.press("t", *"buzz", "enter")
        assert view.walking.walk.entry.note == "buzz"
        view._lines.top = 0
        await pilot.press("down", "down", "up")
        assert view.walking.state is WalkState.WORD
        await pilot.press("1")
        assert isinstance(app.screen, BenchView)
        assert app.screen.view.key == "1"


@pytest.mark.parametrize("name", ["COLUMNS", "LINES"])
def test_the_size_of_the_window_is_asked_for_and_sessions_are_closed_at_the_end(
    name: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv(name, "80")
    first, beside = Live("virtual:?period=7ms"), Live("virtual:?period=8ms")
    app = main.make_app(Opened(first.session), opener=no_opener, is_timed=False, beside=[beside.session])
    second = Live("virtual:?period=9ms")
    second.session.wrote = "wrote a\x1b.pcapng"
    seen: list[object] = []

    def run(**options: object) -> None:
        seen.append((options, os.environ.get(name)))
        app.ui.session = second.session

    monkeypatch.setattr(app, "run", run)
    main.run(app)
    assert seen == [({"mouse": False}, None)]
    assert [live.port.is_closed for live in (first, beside, second)] == [True] * 3
    assert capsys.readouterr().err == "busbench: wrote a\\x1b.pcapng\n"


def test_an_app_without_a_source_has_nothing_to_close(monkeypatch: pytest.MonkeyPatch) -> None:
    app = main.make_app(None, opener=no_opener, rings=True, is_armed=True)
    assert (app.ui.session, app.ui.rings, app.ui.is_armed, app._is_timed) == (None, True, True, True)
    monkeypatch.setattr(app, "run", lambda **_: None)
    main.run(app)


def test_the_app_takes_colours_signs_and_trouble_as_they_are_kept(tmp_path: Path) -> None:
    path = tmp_path / "settings.toml"
    path.write_text('theme = "light"\ncolour = "red"\n', encoding="utf-8")
    app = main.make_app(None, opener=no_opener, settings=SettingsStore(path), is_ascii=True, is_timed=False)
    assert (app.ui.palette.theme, app.ui.is_ascii) == ("bench-light", True)
    assert app.ui.said == f"{path}: colour: not a setting, or a value that is not known: left out"
    assert main.make_app(None, opener=no_opener, settings=SettingsStore(path), shade="dark").theme == "bench-dark"
    plain = main.make_app(None, opener=no_opener)
    assert (plain.theme, plain.ui.is_ascii, plain.ui.rings, plain.ui.is_armed) == ("bench-dark", False, False, False)
