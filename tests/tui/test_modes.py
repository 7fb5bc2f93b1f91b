"""Every screen without colours, in sixteen, and in plain characters; whatever names a plan has."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

import pytest
from rich.color import Color, ColorType
from rich.segment import Segment

from busbench.capture.open import open_capture
from busbench.rig.load import read_rig
from busbench.tui.app import BenchApp
from busbench.tui.opening import rig_names
from busbench.tui.replay import ReplaySession
from busbench.tui.text import as_ascii
from tests.cli.running import CAPTURES
from tests.tui.ports import Live
from tests.tui.screens import SIZES, shown, text_of
from tests.tui.test_driving import as_said

Seen = TypeVar("Seen")
NAMES = {"left aileron": "linkes Quer\u0065\u0301ruder", "rudder": "方向舵", "tow release": "Löse [b]haken[/b]"}
RECORDING = "1 2 3 n u 4 5 6 7 8 ? escape ctrl+p escape m escape s down escape"
REHEARSAL = "1 5 enter enter a 6 enter enter y n k 7 enter enter space 8 left left"


@pytest.fixture(scope="module")
def rig(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The Heron with names in letters of other languages."""
    text = (CAPTURES / "heron.toml").read_text(encoding="utf-8")
    for old, new in NAMES.items():
        text = text.replace(f'"{old}"', f'"{new}"')
    path = tmp_path_factory.mktemp("rig") / "named.toml"
    path.write_text(text, encoding="utf-8")
    return path


def segments(app: BenchApp) -> list[Segment]:
    """All that is sent of a screen."""
    return [segment for strip in app.screen._compositor.render_strips() for segment in strip]


def colours(app: BenchApp) -> set[Color]:
    """All that are seen on a screen, the terminal's own ones apart."""
    styled = [(one.text, one.style) for one in segments(app) if one.style]
    seen = {style.bgcolor for _, style in styled} | {style.color for text, style in styled if text.strip()}
    return {colour for colour in seen if colour is not None and colour.type is not ColorType.DEFAULT}


async def all_screens(
    rig: Path, size: tuple[int, int], look: Callable[[BenchApp], Seen], *, is_ascii: bool = False
) -> dict[str, Seen]:
    """What is seen on every view, dialog and phase of a recording and of a rehearsal on the plan, by the keys to it."""
    plan = read_rig(rig)
    replay = ReplaySession(open_capture(str(CAPTURES / "heron-flight.pcapng")), names=rig_names(plan), scale=plan.scale)
    live = Live("virtual:?period=15ms&lost=0.2:0.1", names=rig_names(plan)).pass_s(1.0)
    found = {}
    for session, keys in ((replay, RECORDING), (live, REHEARSAL)):
        async with shown(session, size, rig=rig, is_ascii=is_ascii) as (app, pilot):
            app.ui.lock = as_said
            for at, key in enumerate(keys.split()):
                await pilot.press(key)
                await app.workers.wait_for_complete()
                for ticks in (1, 5, 20, 100) if app.ui.mover is not None else (1,):
                    for _ in range(ticks):
                        app.ui.mover.tick(0.25) if app.ui.mover is not None else None
                    app.draw()
                    await pilot.pause()
                    found[f"{at + 1} keys of {keys}, {ticks} ticks"] = look(app)
    return found


@pytest.mark.parametrize("size", SIZES, ids=str)
async def test_plain_characters_alone_on_every_screen(rig: Path, size: tuple[int, int]) -> None:
    found = await all_screens(rig, size, text_of, is_ascii=True)
    assert {name: set(text) for name, text in found.items() if not text.isascii()} == {}
    text = "".join(found.values())
    wanted = ("linkes Querer", "??????", "Lose [b]", "S T O P", "What to watch?", "any key stops", "degrees")
    assert [words for words in wanted if words not in text] == []


async def test_no_screen_has_a_colour_where_none_is_wanted(rig: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("NO_COLOR", "1")
    found = await all_screens(rig, (80, 24), colours)
    assert {name: seen for name, seen in found.items() if seen} == {}


async def test_sixteen_colours_are_those_read_on_black_and_on_white(rig: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TERM", "xterm")
    found = await all_screens(rig, (80, 24), colours)
    assert set().union(*found.values()) == {Color.parse("red"), Color.parse("magenta")}, found


@pytest.mark.parametrize("name", ["TERM", "NO_COLOR"])
async def test_what_is_chosen_is_underlined_where_there_are_no_colours(
    name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv(name, "xterm")
    async with shown(None, keys="down") as (app, pilot):
        await app.workers.wait_for_complete()
        await pilot.pause()
        assert underlined(app) == ["virtual   virtual:?period=7ms&pilot=moving   all sticks move"]
    async with shown(Live().pass_s(1), keys="ctrl+p down") as (app, _):
        assert "Bell on losses" in underlined(app)


def underlined(app: BenchApp) -> list[str]:
    return [one.text.strip() for one in segments(app) if one.style and one.style.underline and one.text.strip()]


@pytest.mark.parametrize("name", ["TERM", "COLORTERM", "NO_COLOR"])
async def test_what_is_asked_leaves_the_view_in_sight(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(name, "xterm")
    async with shown(Live().pass_s(1), keys="m") as (app, _):
        assert app.screen.styles.background.is_transparent
        assert [screen.__class__.__name__ for screen in app._background_screens] == ["LanesView"]


@pytest.mark.parametrize(
    ("text", "plain"),
    [
        ("7 µs … → ·", "7 us ~ > -"),
        ("Höhe", "Hohe"),
        ("e\u0301", "e"),
        ("方向", "????"),
        ("mm²", "mm2"),
        ("20°", "20?"),
    ],
)
def test_plain_characters_for_others(text: str, plain: str) -> None:
    assert as_ascii(text) == plain
