"""Single keys on a real pseudo-terminal."""

import os
import select
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from busbench.cli.keys import GONE, has_keyboard, listen_for_keys, read_keys

if sys.platform == "win32":
    pytest.skip("pseudo-terminals are POSIX", allow_module_level=True)

import termios

KEYS = {
    "Ctrl-Z": b"\x1a", "Ctrl-Q": b"\x11", "Ctrl-S": b"\x13", "Ctrl-backslash": b"\x1c", "Ctrl-C": b"\x03",
    "Ctrl-D": b"\x04", "Ctrl-V": b"\x16", "NUL": b"\x00", "no text": b"\xff", "half a letter": b"\xc3",
    "arrow": b"\x1b[A", "space": b" ",
}  # fmt: skip


@pytest.fixture
def keyboard(monkeypatch: pytest.MonkeyPatch) -> Iterator[int]:
    master, slave = os.openpty()
    with os.fdopen(slave, "r") as stdin:
        monkeypatch.setattr(sys, "stdin", stdin)
        yield master


def test_a_key_needs_no_enter_and_the_terminal_is_put_back(keyboard: int) -> None:
    before = termios.tcgetattr(sys.stdin.fileno())
    with listen_for_keys() as any_key:
        assert not any_key(0.0)
        os.write(keyboard, b"q")
        assert any_key(5.0)
        assert not any_key(0.0)
    assert termios.tcgetattr(sys.stdin.fileno()) == before
    os.close(keyboard)


@pytest.mark.parametrize("key", KEYS.values(), ids=KEYS)
def test_every_key_is_one_and_none_is_left_to_the_terminal(keyboard: int, key: bytes) -> None:
    with listen_for_keys() as any_key:
        os.write(keyboard, key)
        if key == b"\x03":
            with pytest.raises(KeyboardInterrupt):
                any_key(5.0)
        else:
            assert any_key(5.0)
    os.close(keyboard)


def test_what_was_typed_before_is_no_answer(keyboard: int) -> None:
    os.write(keyboard, b"yes\n")
    assert select.select([sys.stdin], [], [], 5.0)[0]  # it has come through
    with listen_for_keys() as any_key:
        assert not any_key(0.0)
    os.close(keyboard)


def test_a_closed_terminal_is_as_good_as_a_key(keyboard: int) -> None:
    with listen_for_keys() as any_key:
        os.close(keyboard)
        assert any_key(5.0)


def test_keys_are_read_as_text(keyboard: int) -> None:
    with read_keys() as read_key:
        assert read_key(0.0) == ""
        os.write(keyboard, "é ".encode())
        assert read_key(5.0) == "é "
        assert read_key(0.0) == ""
        os.close(keyboard)
        assert read_key(5.0) == GONE


def test_keyboard_or_not(keyboard: int, monkeypatch: pytest.MonkeyPatch) -> None:
    assert has_keyboard()
    with Path(os.devnull).open() as nothing:
        monkeypatch.setattr(sys, "stdin", nothing)
        assert not has_keyboard()
    monkeypatch.setattr(sys, "stdin", None)
    assert not has_keyboard()
    os.close(keyboard)
