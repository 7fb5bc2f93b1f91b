"""A question before something is lost, at the foot of the screen: yes by its own key, no by any other."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from textual import events
from textual.app import App, ComposeResult
from textual.containers import Vertical
from textual.screen import ModalScreen
from textual.widgets import Static


class Confirm(ModalScreen[bool]):
    """Gives True if the person said yes to what loses or ends what is `unkept`."""

    def __init__(self, what: str, unkept: Sequence[str]) -> None:
        super().__init__()
        self._what, self._unkept = what, unkept

    def compose(self) -> ComposeResult:
        """Put it together."""
        with Vertical(id="ask"):
            yield Static(f"! Would be lost or end: {'; '.join(self._unkept)}.", classes="unkept", markup=False)
            yield Static(f"y: {self._what} all the same. Any other key: go back.", markup=False)

    def on_key(self, event: events.Key) -> None:
        """A key was pressed."""
        event.stop()
        self.dismiss(event.key == "y")


def ask_first(app: App[None], what: str, keepers: Sequence[object], act: Callable[[], object]) -> None:
    """Do what would lose work that is in no file; ask first where there is some.

    Args:
        what: what is done: "leave".
        keepers: sessions and views; what they have not written is in `unkept`. Or the words themselves.
    """
    unkept: list[str] = []
    for one in keepers:
        unkept += [one] if isinstance(one, str) else getattr(one, "unkept", [])

    def answer(is_sure: bool | None) -> None:
        if is_sure:
            act()

    if unkept:
        app.push_screen(Confirm(what, unkept), answer)
    else:
        act()
