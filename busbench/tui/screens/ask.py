"""Ask for one line at the foot of the screen, or before something that is not kept is lost."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import ClassVar

from textual import events
from textual.app import App, ComposeResult
from textual.binding import BindingType
from textual.containers import Vertical
from textual.screen import ModalScreen
from textual.widgets import Input, Static


class Ask(ModalScreen[str | None]):
    """Returns the text, or None after escape; `changed` is called with it at each letter."""

    BINDINGS: ClassVar[list[BindingType]] = [("escape", "dismiss(None)")]

    def __init__(self, question: str, *, text: str = "", changed: Callable[[str], None] | None = None) -> None:
        super().__init__()
        self._question, self._text, self._changed = question, text, changed

    def compose(self) -> ComposeResult:
        """Compose the widgets."""
        with Vertical(id="ask"):
            yield Static(self._question, markup=False)
            yield Input(self._text, max_length=200, select_on_focus=False)

    def on_input_changed(self, event: Input.Changed) -> None:
        """The text changed."""
        if self._changed is not None:
            self._changed(event.value.strip())

    def on_input_submitted(self, event: Input.Submitted) -> None:
        """Enter was pressed."""
        self.dismiss(event.value.strip())


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
