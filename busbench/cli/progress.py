"""A progress line on standard error, overwritten in place, if that is a terminal."""

from __future__ import annotations

import time

import click

from busbench.cli.output import is_terminal

SHOW_S = 0.2


class ProgressLine:
    """The line; shows nothing if standard error is no terminal."""

    def __init__(self) -> None:
        self._is_on = is_terminal()
        self._shown = 0.0
        self._has_shown = False

    def show(self, text: object) -> None:
        """Overwrite it, if it is old enough; `text` is only called then."""
        now = time.monotonic()
        if self._is_on and now - self._shown >= SHOW_S:
            self._write(f"\r\x1b[K{text}")
            self._shown, self._has_shown = now, True

    def clear(self) -> None:
        """Remove it, so that other lines can follow."""
        if self._has_shown:
            self._write("\r\x1b[K")
            self._has_shown = False

    def _write(self, text: str) -> None:
        try:
            click.echo(text, nl=False, err=True)
        except OSError:  # the terminal was closed: no reason to end the work
            self._is_on = False


class Progress:
    """Progress of long work; silent for the first second."""

    def __init__(self, what: str) -> None:
        self._what, self._begun = what, time.monotonic()
        self._line = ProgressLine()

    def at(self, done: str) -> None:
        """Show the progress."""
        now = time.monotonic()
        if now - self._begun > 1:
            self._line.show(f"{self._what}: {done}, {now - self._begun:.0f} s ")

    def end(self) -> None:
        """Remove the line."""
        self._line.clear()
