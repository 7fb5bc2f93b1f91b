"""Colours: a light theme, a dark theme, or those of the terminal.

States also have words and shapes; colour only helps. Theme and colours
are chosen before the app is built.
"""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

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


# name: (dark, light)
_COLOURS: dict[str, tuple[Any, Any]] = {
    "primary": ("#6fa8a0", "#2f7f78"),
    "secondary": ("#9fb7b0", "#4d5f58"),
    "accent": ("#e3b866", "#7a4a12"),
    "warning": ("#f0c05a", "#704f00"),
    "error": ("#ee7d62", "#a82c1c"),
    "success": ("#8fc98a", "#2e6b2c"),
    "foreground": ("#d9d5c8", "#2b2a26"),
    "background": ("#14181a", "#f6f1e2"),
    "surface": ("#1b2123", "#f1edda"),
    "panel": ("#242c2e", "#e6dec6"),
}
_FOREIGN: dict[str, Any] = dict.fromkeys((*_COLOURS, "boost"), "ansi_default")  # the terminal's own
_FOREIGN_VARIABLES = {
    **{f"{place}-foreground": "ansi_default" for place in ("block-cursor", "input-cursor", "input-selection")},
    **{f"{place}-background": "ansi_default" for place in ("block-cursor", "input-cursor", "input-selection")},
    **dict.fromkeys(_SCROLLBAR, "ansi_default"),
    **dict.fromkeys(("block-cursor-text-style", "input-cursor-text-style"), "reverse"),
}
THEMES = (
    *(
        Theme(name=f"bench-{shade}", dark=not column, **{name: pair[column] for name, pair in _COLOURS.items()})
        for column, shade in enumerate(("dark", "light"))
    ),
    Theme(
        name="bench-plain", ansi=True, dark=True, **_FOREIGN,
        variables=BUILTIN_THEMES["ansi-dark"].variables | _FOREIGN_VARIABLES,
    ),
)  # fmt: skip
