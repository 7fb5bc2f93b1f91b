"""The menu: commands of this view, then keys that work everywhere; letters search it."""

from __future__ import annotations

from collections.abc import Sequence

from busbench.tui.commands import COMMANDS
from busbench.tui.screens import VIEWS
from busbench.tui.screens.pick import Choice, Pick

_KEY_CELLS, _TITLE_CELLS = 12, 17
PRESS, ACT = "key:", "act:"  # prefix of a choice


class Menu(Pick):
    """Returns PRESS and a key, or ACT and an action of the app.

    Args:
        view: name of the view that is open.
        pairs: its keys and their current meaning.
        is_ascii: True keeps to plain characters.
    """

    def __init__(self, view: str, pairs: Sequence[tuple[str, str]], *, is_ascii: bool) -> None:
        super().__init__("Menu: enter does it, escape closes.", hint="letters search", is_ascii=is_ascii)
        self._view, self._pairs = view, pairs

    def on_mount(self) -> None:
        """Fill it."""
        self.prepare()
        everywhere = {key for one in COMMANDS for key in one.key_words.split(" or ")}
        own = [
            Choice(PRESS + key, _row(key, word.capitalize(), f"in {self._view}"))
            for keys, word in self._pairs
            for key in (keys.split(" ") if keys not in ("any key", "page up") else [])
            if key not in everywhere and "-" not in key[1:]
        ]
        views = [Choice(f"{ACT}view({at})", _row(one.key, one.name, one.text)) for at, one in enumerate(VIEWS)]
        rest = [Choice(ACT + one.action, _row(one.key_words, one.title, one.text)) for one in COMMANDS]
        unique = {one.id: one for one in (*own, *views, *rest)}
        self.offer(unique.values())


def _row(key: str, title: str, text: str) -> str:
    return f"{key:<{_KEY_CELLS}} {title:<{_TITLE_CELLS}} {text}"
