"""Nothing is lost by one key; views, keys and what is wrong with the line are found on the screen itself."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from busbench.tui.app_state import AppState
from busbench.tui.new_file import free_name
from busbench.tui.palette import choose
from busbench.tui.screens import VIEWS, View
from busbench.tui.widgets.channels import ChannelLines
from tests.cli.running import CAPTURES
from tests.tui.ports import Live
from tests.tui.screens import shown, text_of


async def test_leaving_asks_while_an_annotation_is_in_no_file() -> None:
    async with shown(Live().pass_s(1), keys="m x enter q") as (app, pilot):
        await pilot.pause()
        assert "! Would be lost or end: 1 annotation." in text_of(app)
        await pilot.press("n")
        app.draw()
        await pilot.pause()
        assert "Would be lost" not in text_of(app)
        assert app._exit is False
        await pilot.press("q", "y")
        assert app._exit is True


async def test_another_source_asks_when_it_is_chosen() -> None:
    session = Live().pass_s(1)
    async with shown(session, keys="m x enter s escape") as (app, pilot):
        assert app.ui.session is session  # to look at what there is loses nothing
        await pilot.press("s", "enter")
        await pilot.pause()
        assert "y: watch virtual: instead all the same" in text_of(app)
        await pilot.press("q")  # one key never answers for the other
        await pilot.pause()
        assert app.ui.session is session
        await pilot.press("s", "enter", "y")
        await app.workers.wait_for_complete()
        await pilot.pause()
        assert "virtual:: nothing can be opened here" in text_of(app)


async def test_leaving_without_anything_to_lose_asks_nothing() -> None:
    async with shown(Live().pass_s(1), keys="q") as (app, _):
        assert app._exit is True


async def test_a_recording_that_runs_is_seen_in_every_view_and_asked_about(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    live = Live()
    live.pass_s(1)
    async with shown(live.session, keys="r m x enter") as (app, pilot):
        live.pass_s(62)
        for view in VIEWS:
            await pilot.press(view.key)
            app.draw()
            await pilot.pause()
            line = text_of(app).splitlines()[1]
            assert "● REC 1:02 0." in line
            assert " MB" in line
        assert "stop recording" in text_of(app) or view.key == "8"
        await pilot.press("q")
        await pilot.pause()
        text = " ".join(text_of(app).split())
        assert re.search(r"Would be lost or end: the recording bench-.*pcapng that runs\.", text)
        assert "annotation" not in text.split("Would be lost")[1].split("y: leave")[0]  # it is in the recording


async def test_answers_of_a_walk_without_a_file_are_asked_about() -> None:
    session = Live("virtual:?period=15ms&pilot=still").pass_s(1)
    async with shown(session, keys="6", rig=CAPTURES / "heron.toml") as (app, pilot):
        app.screen.walking.path = None  # type: ignore[attr-defined]
        await pilot.press("enter", "enter")
        for _ in range(200):
            if app.ui.mover is not None:
                app.ui.mover.tick(0.25)
        await pilot.press("y", "q")
        await pilot.pause()
        assert "1 answer of the walk (f names their file)" in " ".join(text_of(app).split())


def test_names_proposed_for_new_files_are_free(tmp_path: Path) -> None:
    name = str(tmp_path / "a-cut.pcapng")
    assert free_name(name) == name
    Path(name).touch()
    (tmp_path / "a-cut-2.pcapng").touch()
    assert free_name(name) == str(tmp_path / "a-cut-3.pcapng")


@pytest.mark.parametrize("view", VIEWS, ids=lambda view: view.name)
async def test_tabs_name_all_views_and_the_one_shown(view: View) -> None:
    async with shown(Live().session, keys=view.key) as (app, pilot):
        line = text_of(app).splitlines()[0]
        assert [one.name for one in VIEWS if one.name in line] == [one.name for one in VIEWS]
        assert f"[{view.key} {view.name}]" in line
        assert len(line) <= 80
        await pilot.resize_terminal(60, 16)
        app.draw()
        await pilot.pause()
        line = text_of(app).splitlines()[0]
        assert [one.key for one in VIEWS if one.key in line] == [one.key for one in VIEWS]
        assert f"[{view.key} {view.name}]" in line


async def test_keys_shown_are_those_that_do_something() -> None:
    async with shown(Live().pass_s(1), (160, 48)) as (app, pilot):
        line = text_of(app).splitlines()[-1]
        assert "n p outage" not in line
        assert "r record" in line
        assert "ctrl+p menu" in line
        assert "space freeze" in line
        await pilot.press("space")
        app.draw()
        await pilot.pause()
        assert "space follow" in text_of(app).splitlines()[-1]
    live = Live("virtual:?period=10ms&gaps=0.5:0.2")
    async with shown(live.pass_s(2), (160, 48)) as (app, _):
        assert "n p outage" in text_of(app).splitlines()[-1]


@pytest.mark.parametrize("size", [(80, 24), (60, 16), (160, 48)])
async def test_where_no_frame_comes_the_screen_says_why_and_what_to_do(size: tuple[int, int]) -> None:
    async with shown(Live("virtual:?frames=off").pass_s(2), size) as (app, _):
        text = " ".join(text_of(app).split())
    assert "NO FRAMES in 1.96 s The line: silent: not one byte came. To do: check that ground is connected" in text
    assert "s chooses another source" in text
    async with shown(Live("virtual:?frames=off&chatter=400").pass_s(2), size) as (app, _):
        assert "The line: bytes, but no frames. To do:" in " ".join(text_of(app).split())


@pytest.mark.parametrize(("height", "blanks"), [(24, 4), (8, 4), (7, 0)])
def test_paragraphs_stand_apart_where_they_fit(height: int, blanks: int) -> None:
    session = Live("virtual:?frames=off").pass_s(2)
    widget = ChannelLines(AppState(choose("dark"), session=session))
    lines = ["".join(text for text, _ in line) for line in widget.lines(200, height)]
    assert lines.count("") == blanks, lines
    assert [line[:12] for line in lines if line] == [" NO FRAMES i", " The line: s", " To do: chec", " s chooses a"]
