"""A question before something is lost, at the foot of the screen: one key for yes, any other for no."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from textual import events
from textual.app import App, ComposeResult
from textual.containers import Vertical
from textual.screen import ModalScreen
from textual.widgets import Static


class Confirm(ModalScreen[bool]):
    """Returns True if the user agreed to lose or end `unkept`."""

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
    """Do something that loses unwritten work; ask first if there is any.

    Args:
        what: the action, for example "leave".
        keepers: sessions and views with `unkept` work; or the text itself.
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
