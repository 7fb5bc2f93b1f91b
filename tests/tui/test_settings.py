"""Settings of a person are in the configuration folder, and can be reset."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from busbench.tui.main import make_app
from busbench.tui.opening import Opened
from busbench.tui.settings import Settings, SettingsStore, settings_path
from tests.tui.ports import Live
from tests.tui.screens import no_opener


def test_settings_are_kept_from_one_start_to_the_next(tmp_path: Path) -> None:
    path = tmp_path / "deeper" / "settings.toml"
    first = SettingsStore(path)
    assert first.now == Settings()
    first.keep(unit="us", one_scale=True)
    first.keep(theme="light", view="3")
    assert path.read_text() == 'unit = "us"\ntheme = "light"\none_scale = true\nview = "3"\n'
    assert SettingsStore(path).now == Settings("us", "light", True, "3")
    first.reset()
    assert SettingsStore(path).now == Settings()


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("unit = [", "settings are not read: not TOML"),
        ('unit = "miles"\ntheme = "light"\n', "unit: not a setting, or a value that is not known"),
        ('colour = "red"\ntheme = "light"\n', "colour: not a setting"),
    ],
)
def test_what_cannot_be_understood_is_said_and_left_out(tmp_path: Path, text: str, words: str) -> None:
    path = tmp_path / "settings.toml"
    path.write_text(text)
    store = SettingsStore(path)
    assert words in store.trouble
    assert store.now in (Settings(), Settings(theme="light"))


def test_settings_that_cannot_be_written_hold_for_this_session(tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    store = SettingsStore(tmp_path / "file" / "settings.toml")
    store.keep(unit="us")
    assert store.now.unit == "us"
    assert "settings are not kept" in store.trouble


@pytest.mark.skipif(sys.platform != "linux", reason="other systems have folders of their own")
def test_the_folder_is_that_of_the_system(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_CONFIG_HOME", "/there")
    assert settings_path() == Path("/there/busbench/settings.toml")


async def test_unit_scale_and_view_are_those_of_the_last_time(tmp_path: Path) -> None:
    path = tmp_path / "settings.toml"
    for keys, wanted in (("u y 2", ("us", True, "2")), ("ctrl+r", (None, None, None))):
        app = make_app(Opened(Live().pass_s(1)), opener=no_opener, is_timed=False, settings=SettingsStore(path))
        async with app.run_test(size=(80, 24)) as pilot:
            assert app.screen.view.key == ("2" if keys == "ctrl+r" else "1")  # type: ignore[attr-defined]
            await pilot.press(*keys.split())
        now = SettingsStore(path).now
        assert (now.unit, now.one_scale, now.view) == wanted
