"""Ask for one line at the foot of the screen."""

from __future__ import annotations

from collections.abc import Callable
from typing import ClassVar

from textual.app import ComposeResult
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
