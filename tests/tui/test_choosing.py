"""The list of sources: what is found nearby, how it is filtered and moved in, and what is chosen."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace

import pytest
from textual.widgets import Input, OptionList, Static

from busbench.tui.opening import PLAN
from busbench.tui.screens import choose as module
from busbench.tui.screens.choose import FILES_MAX, RECEIVERS, Choose, files, plans, ports
from busbench.tui.screens.pick import Choice, Pick
from tests.tui.ports import Live
from tests.tui.screens import shown, text_of


def test_recordings_and_plans_are_found_in_a_folder_and_in_captures(tmp_path: Path) -> None:
    assert (files(tmp_path), plans(tmp_path), files(tmp_path / "nowhere")) == ([], [], [])
    (tmp_path / "captures").mkdir()
    (tmp_path / "folder.pcapng").mkdir()
    for name in ("b.PCAPNG", "a.csv", "notes.txt", "captures/c.vcd", "captures/d.pcapng.gz"):
        (tmp_path / name).touch()
    (tmp_path / "heron.toml").write_text("x = 1\n[[device]]\n", encoding="utf-8")
    (tmp_path / "drive.toml").write_text("[[part]]\n", encoding="utf-8")
    (tmp_path / "captures" / "two.TOML").write_text("[[device]]\n", encoding="utf-8")
    edge = 65_536 - len("[[device]]")
    (tmp_path / "just.toml").write_text("#" * edge + "[[device]]", encoding="utf-8")
    (tmp_path / "late.toml").write_text("#" * (edge + 1) + "[[device]]", encoding="utf-8")
    c, d, two = (str(Path("captures") / name) for name in ("c.vcd", "d.pcapng.gz", "two.TOML"))
    assert files(tmp_path) == ["a.csv", "b.PCAPNG", c, d]
    assert plans(tmp_path) == ["heron.toml", "just.toml", two]


def test_of_very_many_files_the_first_are_listed(tmp_path: Path) -> None:
    for at in range(FILES_MAX + 3):
        (tmp_path / f"{at:04}.csv").touch()
    assert files(tmp_path) == [f"{at:04}.csv" for at in range(FILES_MAX)]
    assert FILES_MAX == 200


def test_ports_have_the_chip_and_what_the_system_says(monkeypatch: pytest.MonkeyPatch) -> None:
    found = [
        SimpleNamespace(device="/dev/a", chip=SimpleNamespace(name="bridge"), description="Serial"),
        SimpleNamespace(device="/dev/b", chip=SimpleNamespace(name=""), description=""),
    ]
    monkeypatch.setattr(module, "plugged_in", lambda: found)
    assert ports() == [("/dev/a", "bridge Serial"), ("/dev/b", "")]


@pytest.fixture(autouse=True)
def _nearby(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "ports", lambda: [("/dev/ttyHERON", "bridge"), ("/dev/bare", "")])
    monkeypatch.setattr(module, "plans", lambda _: ["heron.toml"])
    monkeypatch.setattr(module, "files", lambda _: ["a.pcapng", "moving.csv"])


def ids(app: object) -> Iterator[str]:
    rows = app.screen.query_one(OptionList)  # type: ignore[attr-defined]
    for at in range(rows.option_count):
        yield rows.get_option_at_index(at).id


async def test_sources_are_in_order_and_ports_come_when_they_are_found() -> None:
    async with shown(None, (100, 30)) as (app, pilot):
        await app.workers.wait_for_complete()
        await pilot.pause()
        assert list(ids(app)) == [
            *(name for name, _ in RECEIVERS),
            "virtual:heron.toml",
            f"{PLAN}heron.toml",
            *("a.pcapng", "moving.csv", "/dev/ttyHERON", "/dev/bare"),
        ]
        lines = [line.strip(" ▁▂▃▄▅▆▇█│") for line in text_of(app).splitlines()]
        for line in (
            "virtual   virtual:   mixed flying",
            "aircraft  virtual:heron.toml   rehearse on it",
            "plan      heron.toml   names, limits, checks",
            "file      a.pcapng",
            "port      /dev/ttyHERON   bridge",
            "port      /dev/bare",
        ):
            assert line in lines, lines
        rows, typed = app.screen.query_one(OptionList), app.screen.query_one(Input)
        assert rows.highlighted == 0
        assert not rows.can_focus
        assert typed.has_focus
        for key, at in (("down", 1), ("down", 2), ("up", 1), ("up", 0), ("pagedown", 8), ("pageup", 0)):
            await pilot.press(key)
            assert rows.highlighted == at, key
        await pilot.press("down", "down")
        assert isinstance(app.screen, Choose)
        app.screen.offer([Choice("late", "port      late")])
        assert rows.highlighted == 2  # what was chosen stays so
        await pilot.press(*"HER")
        await pilot.pause()
        # What begins with it comes first, then what holds it, then the text itself.
        assert list(ids(app)) == [f"{PLAN}heron.toml", "virtual:heron.toml", "/dev/ttyHERON", "HER"]
        assert rows.highlighted == 0
        await pilot.press("space", *"bri")
        await pilot.pause()
        assert list(ids(app)) == ["/dev/ttyHERON", "HER bri"]
        typed.value = "?"
        await pilot.pause()
        assert all("?" in one for one in ids(app))
        assert "?" not in list(ids(app))
        typed.value = " other.toml "
        await pilot.pause()
        assert list(ids(app)) == [f"{PLAN}other.toml"]
        assert "plan      other.toml   as typed" in text_of(app)
        typed.value = "qqq"
        await pilot.pause()
        assert list(ids(app)) == ["qqq"]
        assert "open      qqq   as typed" in text_of(app)


async def test_why_the_last_choice_failed_is_above_the_list_and_names_are_written_out() -> None:
    async with shown(Live().session, (60, 20), is_ascii=True) as (app, pilot):
        got: list[str | None] = []
        app.push_screen(Choose(error="bad\x1b: is “bad”", title="with µ", is_ascii=True), got.append)
        await app.workers.wait_for_complete()
        await pilot.pause()
        text = text_of(app)
        assert text.isascii()
        assert "bad\\x1b: is ?bad?" in text
        assert "with u" in text
        error = app.screen.query_one("#error", Static)
        assert error.display
        await pilot.press("escape")
        app.push_screen(Choose(error="", title="", is_ascii=False), got.append)
        await pilot.pause()
        assert not app.screen.query_one("#error", Static).display
        assert "What to watch?" in text_of(app)
        app.screen.query_one(Input).value = "nothing-here.toml"
        await pilot.press("enter")
        app.push_screen(Choose(error="", title="", is_ascii=False), got.append)
        await pilot.pause()
        rows = app.screen.query_one(OptionList)
        rows.highlighted = 3
        rows.action_select()
        await pilot.pause()
        assert got == [None, f"{PLAN}nothing-here.toml", "virtual:heron.toml"]


async def test_rows_are_cut_at_the_width_of_the_window_and_an_empty_list_chooses_nothing() -> None:
    async with shown(Live().session, (60, 20)) as (app, pilot):
        got: list[str | None] = []
        pick = Pick("A title", hint="a hint", is_ascii=False)
        app.push_screen(pick, got.append)
        await pilot.pause()
        pick.prepare()
        rows = pick.query_one(OptionList)
        pick.offer([])
        await pilot.press("enter", "down", "up")
        assert (got, rows.highlighted) == ([], None)
        pick.offer([Choice("a", "x" * 54), Choice("b", "y" * 55), Choice("c", "[b]z[/b]")])
        texts = [str(rows.get_option_at_index(at).prompt) for at in range(3)]
        assert texts == ["x" * 54, "y" * 53 + "…", "[b]z[/b]"]
        await pilot.press("b", "backspace")
        assert rows.highlighted == 2  # as it was chosen by the letter
        await pilot.press("up", "enter")
        await pilot.pause()
        assert got == ["b"]
