"""The answers of a guided walk or check: keys shown and read, and a line typed while frames continue."""

from __future__ import annotations

from collections.abc import Mapping

import click

from busbench.cli.keys import GONE, ReadKey
from busbench.drive.surface_check import SurfacePhase, Walk, Word

_LONG_S = 3600.0
_ENDS = (GONE, "\x03")  # Ctrl-C as an ordinary key
_ESCAPE = "\x1b"
_BACKSPACE = ("\x7f", "\b")


def prompt_text(prompt: str, keys: Mapping[str, Word], *, enter: str = "") -> str:
    """A prompt with its keys; `enter` says what Enter does, if its word does not."""
    told = (f"[{key.title() if key == 'enter' else key}] {(key == 'enter' and enter) or keys[key]}" for key in keys)
    return "  ".join((prompt, *told))


def walk_prompt(state: Walk) -> str:
    """The prompt of a walk, with the keys that are valid now."""
    if state.phase is SurfacePhase.MOVING:
        return state.prompt
    return prompt_text(state.prompt, state.keys, enter="finish" if state.phase is SurfacePhase.REVIEW else "")


def word_of(text: str, keys: Mapping[str, Word]) -> Word | None:
    """The meaning of a key now; of several typed at once, only the first counts."""
    if text.startswith(_ENDS):
        return Word.END
    return keys.get("enter" if text[:1] in ("\r", "\n") else text[:1].lower())


def read_line(prompt: str, read_key: ReadKey) -> str:
    """A line of text, typed key by key; empty if ended by Escape."""
    click.echo(prompt, nl=False, err=True)
    line = ""
    while True:
        text = read_key(_LONG_S)
        if text.startswith(_ESCAPE) and len(text) > 1:
            continue  # an arrow key or the like
        for char in text:
            if char in "\r\n" or char == GONE:
                click.echo("", err=True)
                return line
            if char == _ESCAPE:
                click.echo(" (no note)", err=True)
                return ""
            if char in _BACKSPACE:
                if line:
                    line = line[:-1]
                    click.echo("\b \b", nl=False, err=True)
            elif char.isprintable():
                line += char
                click.echo(char, nl=False, err=True)
