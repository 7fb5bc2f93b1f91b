"""One line asked of the person, at the foot of the screen."""

from __future__ import annotations

from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import BindingType
from textual.containers import Vertical
from textual.screen import ModalScreen
from textual.widgets import Input, Static


class Ask(ModalScreen[str | None]):
    """Gives the text, or None where the person left with escape.

    Args:
        text: what is there at first.
    """

    BINDINGS: ClassVar[list[BindingType]] = [("escape", "dismiss(None)")]

    def __init__(self, question: str, *, text: str = "") -> None:
        super().__init__()
        self._question, self._text = question, text

    def compose(self) -> ComposeResult:
        """Put it together."""
        with Vertical(id="ask"):
            yield Static(self._question, markup=False)
            yield Input(self._text, max_length=200, select_on_focus=False)

    def on_input_submitted(self, event: Input.Submitted) -> None:
        """Enter was pressed."""
        self.dismiss(event.value.strip())
