"""Keys of a guided walk or check: shown, read, and typed as a line."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from busbench.cli.choices import prompt_text, read_line, word_of
from busbench.cli.keys import GONE
from busbench.drive.surface_check import Word

ASKED = {"y": Word.YES, "n": Word.NO, "k": Word.SKIP}
READY = {"enter": Word.GO, "k": Word.SKIP}


@pytest.mark.parametrize(
    ("text", "word"),
    [("y", Word.YES), ("Y", Word.YES), ("yes\n", Word.YES), ("nyk", Word.NO), ("K", Word.SKIP), ("x", None), ("", None),
     ("\r", None), ("\n", None), (GONE, Word.END), ("\x03", Word.END), (f"{GONE}y", Word.END), ("y\x03", Word.YES)],
)  # fmt: skip
def test_the_first_key_counts_in_either_case(text: str, word: Word | None) -> None:
    assert word_of(text, ASKED) is word


@pytest.mark.parametrize(("text", "word"), [("\r", Word.GO), ("\n", Word.GO), ("\r\n", Word.GO), ("e", None)])
def test_enter_comes_as_one_of_two_characters(text: str, word: Word | None) -> None:
    assert word_of(text, READY) is word


def test_a_prompt_lists_its_keys() -> None:
    assert prompt_text("Did it?", ASKED) == "Did it?  [y] yes  [n] no  [k] skip"
    assert prompt_text("1 of 2", READY) == "1 of 2  [Enter] move  [k] skip"
    assert prompt_text("1 of 2", READY, enter="begin") == "1 of 2  [Enter] begin  [k] skip"


@pytest.mark.parametrize(
    ("typed", "line", "shown"),
    [
        (["ab", "c\r"], "abc", "abc\n"),
        (["ab\n"], "ab", "ab\n"),
        (["ab", "", GONE], "ab", "ab\n"),
        (["ab", "\x1b"], "", "ab (no note)\n"),
        (["a", "\x1b[A", "b\r"], "ab", "ab\n"),  # an arrow key
        (["\x7f", "a\x7f\x7fb\bcd\r"], "cd", "a\b \bb\b \bcd\n"),  # an empty line stays
        (["a\tb\x00c\r"], "abc", "abc\n"),
        (["a\rb\r"], "a", "a\n"),
    ],
)
def test_a_line_is_typed_and_shown(typed: list[str], line: str, shown: str, capsys: pytest.CaptureFixture[str]) -> None:
    waits: list[float] = []
    left: Iterator[str] = iter(typed)

    def read(seconds: float) -> str:
        waits.append(seconds)
        return next(left)

    assert read_line("note: ", read) == line
    assert capsys.readouterr().err == f"note: {shown}"
    assert min(waits) > 60  # nothing is typed by itself, so it only waits
