"""Every screen without colours, in sixteen, and in plain characters; whatever names a plan has."""

from __future__ import annotations

from pathlib import Path

import pytest
from rich.color import Color

from busbench.reference.topics import TOPICS, topic_text
from busbench.tui.app import BenchApp
from busbench.tui.replay import ReplaySession
from busbench.tui.screens.help import help_rows
from busbench.tui.text import as_ascii
from tests.tui.every import Mode, all_screens, colours, segments, text_in
from tests.tui.ports import Live
from tests.tui.screens import SIZES, shown, text_of

SIXTEEN = Mode(SIZES[2], (("TERM", "xterm"),), is_ascii=True)
PLAIN = [Mode(SIZES[0], is_ascii=True), Mode(SIZES[1], is_ascii=True, shade="light"), SIXTEEN]


@pytest.mark.parametrize("mode", PLAIN, ids=str)
async def test_plain_characters_alone_on_every_screen(mode: Mode, tmp_path: Path) -> None:
    found = {name: text_in(screen) for name, screen in (await all_screens(mode, tmp_path)).items()}
    assert {name: set(text) for name, text in found.items() if not text.isascii()} == {}
    text = "".join(found.values())
    wanted = ("linkes Querer", "??????", "Lose [b]", "S T O P", "What to watch?", "any key stops", "degrees")
    assert [words for words in wanted if words not in text] == []


async def test_no_screen_has_a_colour_where_none_is_wanted(tmp_path: Path) -> None:
    found = await all_screens(Mode(environ=(("NO_COLOR", "1"),)), tmp_path)
    assert {name: colours(screen) for name, screen in found.items() if colours(screen)} == {}


async def test_sixteen_colours_are_those_read_on_black_and_on_white(tmp_path: Path) -> None:
    found = await all_screens(SIXTEEN, tmp_path)
    seen = {name: colours(screen) for name, screen in found.items()}
    assert set().union(*seen.values()) == {Color.parse("red"), Color.parse("magenta")}, seen


@pytest.mark.parametrize("name", ["TERM", "NO_COLOR"])
async def test_what_is_chosen_is_underlined_where_there_are_no_colours(
    name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv(name, "xterm")
    async with shown(None, keys="down") as (app, pilot):
        await app.workers.wait_for_complete()
        await pilot.pause()
        assert "virtual   virtual:?period=7ms&pilot=moving   all sticks move" in underlined(app)
    async with shown(Live().pass_s(1), keys="ctrl+p") as (app, pilot):
        await pilot.press(*"timing")
        await pilot.pause()
        assert any(one.startswith("2            Timing") for one in underlined(app))


def underlined(app: BenchApp) -> list[str]:
    return [one.text.strip() for one in segments(app) if one.style and one.style.underline and one.text.strip()]


@pytest.mark.parametrize("name", ["TERM", "COLORTERM", "NO_COLOR"])
async def test_what_is_asked_leaves_the_view_in_sight(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(name, "xterm")
    async with shown(Live().pass_s(1), keys="m") as (app, _):
        assert app.screen.styles.background.is_transparent
        assert [screen.__class__.__name__ for screen in app._background_screens] == ["ChannelsView"]


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


@pytest.mark.parametrize("topic", TOPICS)
def test_the_reference_is_readable_in_plain_ascii(topic: str) -> None:
    text = topic_text(topic)
    assert as_ascii(text).count("?") == text.count("?")


async def test_the_help_ends_with_the_reference_unwrapped(flight: ReplaySession) -> None:
    async with shown(flight, (80, 24), keys="question_mark end") as (app, _):
        assert "pytest test_bus.py --bus=/dev/ttyUSB0 --rig=captures/heron.toml" in text_of(app)
        assert "kept in `failed-recordings/`." in text_of(app)
    rows, parts = help_rows("", is_ascii=False, width=80)
    assert list(parts)[-len(TOPICS) :] == list(TOPICS)
    wiring = topic_text("wiring").rstrip().splitlines()
    at = parts["wiring"] + 1
    assert [line[0][0] for line in rows[at : at + len(wiring)]] == [f" {one}" for one in wiring]
