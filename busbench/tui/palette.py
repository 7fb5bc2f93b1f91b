"""Colours: a light theme, a dark theme, or those of the terminal.

States also have words and shapes; colour only helps. Theme and colours
are chosen before the app is built.
"""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from rich.console import Console
from rich.style import Style
from textual.theme import BUILTIN_THEMES, Theme

_SCROLLBAR = (
    *("scrollbar", "scrollbar-hover", "scrollbar-active", "scrollbar-corner-color"),
    *("scrollbar-background", "scrollbar-background-hover", "scrollbar-background-active"),
)

Shade = Literal["dark", "light"]

# name: (dark, light, 16 colours, no colour); of the 16, only red and magenta are readable on black and on white
_STYLES: dict[str, tuple[str, str, str, str]] = {
    "ink": ("#d9d5c8", "#2b2a26", "", ""),
    "dim": ("#959d99", "#625f53", "", "dim"),
    "rule": ("#5c6b66", "#8f8870", "", "dim"),
    "span": ("#6fa8a0", "#2f7f78", "bold", ""),
    "here": ("bold #f2edd4", "bold #1d1c19", "bold", "bold"),
    "pen": ("#e3b866", "#7a4a12", "", ""),
    "head": ("#9fb7b0", "#4d5f58", "", "underline"),
    "name": ("#9fb7b0", "#4d5f58", "", ""),
    "title": ("bold #f2edd4", "bold #1d1c19", "bold", "bold"),
    "key": ("bold #14181a on #9fb7b0", "bold #f6f1e2 on #4d5f58", "reverse", "reverse"),
    "good": ("#8fc98a", "#2e6b2c", "", ""),
    "warn": ("bold #f0c05a", "bold #704f00", "bold", "bold"),
    "bad": ("bold #14181a on #ee7d62", "bold #fff8ea on #a82c1c", "bold reverse", "bold reverse"),
    "gap": ("bold #ee7d62", "bold #a82c1c", "bold red", "bold"),
    "damaged": ("bold #f0c05a", "bold #704f00", "bold", "bold"),
    "lost": ("bold #b9a3e3", "bold #562d9c", "bold magenta", "bold"),
    "failsafe": ("bold #14181a on #ee7d62", "bold #fff8ea on #a82c1c", "bold reverse", "bold reverse"),
    "mark": ("bold #7fc4dd", "bold #1f6480", "bold", "bold"),
    "chosen": ("#14181a on #d9d5c8", "#f6f1e2 on #2b2a26", "reverse", "reverse"),
}


@dataclass(frozen=True, slots=True)
class Palette:
    """The named styles of all drawings."""

    theme: str  # name of the theme that goes with them
    styles: Mapping[str, Style]
    is_ansi: bool  # True if the terminal's own colours are used


def choose(shade: Shade, environ: Mapping[str, str] | None = None) -> Palette:
    """The palette for a terminal and the user's environment variables."""
    surroundings = os.environ if environ is None else environ
    if surroundings.get("NO_COLOR") is not None:
        return _palette("bench-plain", 3, is_ansi=True)
    system = Console(force_terminal=True, legacy_windows=False, _environ=surroundings).color_system
    if system in (None, "standard", "windows"):
        return _palette("bench-plain", 2, is_ansi=True)
    return of_theme(f"bench-{shade}")


def of_theme(name: str) -> Palette:
    """The palette of a theme in full colour."""
    return _palette(name, 1 if name == "bench-light" else 0, is_ansi=False)


def _palette(theme: str, column: int, *, is_ansi: bool) -> Palette:
    return Palette(theme, {name: Style.parse(row[column]) for name, row in _STYLES.items()}, is_ansi)


THEMES = (
    Theme(
        name="bench-dark",
        primary="#6fa8a0",
        secondary="#9fb7b0",
        accent="#e3b866",
        warning="#f0c05a",
        error="#ee7d62",
        success="#8fc98a",
        foreground="#d9d5c8",
        background="#14181a",
        surface="#1b2123",
        panel="#242c2e",
        dark=True,
    ),
    Theme(
        name="bench-light",
        primary="#2f7f78",
        secondary="#4d5f58",
        accent="#7a4a12",
        warning="#704f00",
        error="#a82c1c",
        success="#2e6b2c",
        foreground="#2b2a26",
        background="#f6f1e2",
        surface="#f1edda",
        panel="#e6dec6",
        dark=False,
    ),
    Theme(
        name="bench-plain",
        ansi=True,
        primary="ansi_default",
        secondary="ansi_default",
        warning="ansi_default",
        error="ansi_default",
        success="ansi_default",
        accent="ansi_default",
        foreground="ansi_default",
        background="ansi_default",
        surface="ansi_default",
        panel="ansi_default",
        boost="ansi_default",
        dark=True,
        variables={
            **BUILTIN_THEMES["ansi-dark"].variables,
            "block-cursor-foreground": "ansi_default",
            "block-cursor-background": "ansi_default",
            "block-cursor-text-style": "reverse",
            "input-cursor-background": "ansi_default",
            "input-cursor-foreground": "ansi_default",
            "input-cursor-text-style": "reverse",
            "input-selection-background": "ansi_default",
            "input-selection-foreground": "ansi_default",
            **dict.fromkeys(_SCROLLBAR, "ansi_default"),
        },
    ),
)
