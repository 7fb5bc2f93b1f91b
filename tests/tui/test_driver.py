"""Keys as they come from the terminal, character by character."""

from __future__ import annotations

import selectors

import pytest
from textual import constants, events
from textual._parser import Parser
from textual._xterm_parser import XTermParser
from textual.message import Message

from busbench.tui.driver import PromptSelector, tolerant_driver


@pytest.fixture
def delay_s(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("ESCDELAY", raising=False)
    monkeypatch.setattr(constants, "ESCAPE_DELAY", 0.1)
    tolerant_driver()


def keys(monkeypatch: pytest.MonkeyPatch, text: str, *, apart_s: float, wait_s: float) -> list[str]:
    """Keys of characters that come a time apart, and of the wait after the last."""
    now_s = 1000.0
    monkeypatch.setitem(Parser.tick.__globals__, "get_time", lambda: now_s)
    parser = XTermParser()
    found: list[Message] = []
    for at, letter in enumerate(text):
        found += parser.feed(letter)
        now_s += apart_s if at + 1 < len(text) else wait_s
        found += parser.tick()
    return [one.key for one in found if isinstance(one, events.Key)]


@pytest.mark.usefixtures("delay_s")
@pytest.mark.parametrize(
    ("text", "wait_s", "wanted"),
    [
        ("\x1b", 0.024, []),
        ("\x1b", 0.026, ["escape"]),
        ("\x1b\x1b", 0.026, ["escape", "escape"]),
        ("\x1b[1;2C", 0.001, ["shift+right"]),
    ],
)
def test_escape_is_a_key_after_25_ms_and_longer_keys_stay_whole(
    text: str, wait_s: float, wanted: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    assert keys(monkeypatch, text, apart_s=0.001, wait_s=wait_s) == wanted


@pytest.mark.usefixtures("delay_s")
def test_the_keyboard_is_looked_at_again_when_escape_is_a_key(monkeypatch: pytest.MonkeyPatch) -> None:
    waits: list[float | None] = []
    key = selectors.SelectorKey(0, 0, selectors.EVENT_READ, None)
    ready = iter([[], [(key, selectors.EVENT_READ)], [], []])

    def select(_: selectors.SelectSelector, wait_s: float | None) -> list[tuple[selectors.SelectorKey, int]]:
        waits.append(wait_s)
        return next(ready)

    monkeypatch.setattr(selectors.SelectSelector, "select", select)
    selector = PromptSelector()
    for _ in range(4):
        selector.select(0.1)
    assert waits == [0.1, 0.1, pytest.approx(0.026), 0.1]
    selector.close()


def test_a_stated_wait_for_escape_is_kept(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("ESCDELAY", "200")
    monkeypatch.setattr(constants, "ESCAPE_DELAY", 0.2)
    tolerant_driver()
    assert constants.ESCAPE_DELAY == 0.2
