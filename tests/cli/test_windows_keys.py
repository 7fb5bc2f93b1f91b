"""Single keys as Windows gives them, with a keyboard in hand."""

from __future__ import annotations

import sys
from types import SimpleNamespace

import pytest

from busbench.cli import keys


class Keyboard:
    """Keys, each at a time; waiting is what lets time pass."""

    def __init__(self, *typed: tuple[float, str]) -> None:
        self._typed = [(at_s, char) for at_s, chars in typed for char in chars]
        self.now_s = 0.0

    def kbhit(self) -> bool:
        return bool(self._typed) and self._typed[0][0] <= self.now_s

    def getwch(self) -> str:
        return self._typed.pop(0)[1]

    def sleep(self, seconds: float) -> None:
        self.now_s += seconds


def at(monkeypatch: pytest.MonkeyPatch, keyboard: Keyboard) -> Keyboard:
    clock = SimpleNamespace(perf_counter=lambda: keyboard.now_s, sleep=keyboard.sleep)
    monkeypatch.setattr(keys, "time", clock)
    monkeypatch.setitem(sys.modules, "msvcrt", SimpleNamespace(kbhit=keyboard.kbhit, getwch=keyboard.getwch))
    monkeypatch.setattr(keys, "sys", SimpleNamespace(platform="win32", stdin=sys.stdin))
    return keyboard


def test_a_key_is_given_as_it_is_pressed(monkeypatch: pytest.MonkeyPatch) -> None:
    keyboard = at(monkeypatch, Keyboard((0.0, "y"), (0.3, "n")))
    with keys.read_keys() as read_key:
        assert read_key(5.0) == "y"
        assert keyboard.now_s == 0.0
        assert read_key(5.0) == "n"
        assert keyboard.now_s == pytest.approx(0.3, abs=0.021)  # it looks 50 times a second


def test_without_a_key_it_waits_as_long_as_was_asked(monkeypatch: pytest.MonkeyPatch) -> None:
    keyboard = at(monkeypatch, Keyboard((9.0, "y")))
    with keys.read_keys() as read_key:
        assert read_key(0.05) == ""
        assert keyboard.now_s == pytest.approx(0.05)
        assert read_key(0.0) == ""
        assert keyboard.now_s == pytest.approx(0.05)


@pytest.mark.parametrize("prefix", ["\x00", "\xe0"])
def test_an_arrow_key_is_no_letter(monkeypatch: pytest.MonkeyPatch, prefix: str) -> None:
    at(monkeypatch, Keyboard((0.0, f"{prefix}Hy")))  # arrow up is sent as two characters, the second an H
    with keys.read_keys() as read_key:
        assert read_key(1.0) == "\x1bH"
        assert read_key(1.0) == "y"


def test_any_key_stops_and_silence_does_not(monkeypatch: pytest.MonkeyPatch) -> None:
    at(monkeypatch, Keyboard((0.5, "\x00H")))
    with keys.listen_for_keys() as any_key:
        assert not any_key(0.2)
        assert any_key(1.0)
        assert not any_key(0.2)
