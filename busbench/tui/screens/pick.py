"""A list to choose from: letters filter, up and down move, enter or a click chooses."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import ClassVar

from textual import events
from textual.app import ComposeResult
from textual.binding import BindingType
from textual.containers import Vertical
from textual.screen import ModalScreen
from textual.widgets import Input, OptionList, Static
from textual.widgets.option_list import Option

from busbench.errors import sanitize
from busbench.tui.text import as_ascii, fit

_AROUND = 6  # cells beside the rows
_MOVES = ("up", "down", "pageup", "pagedown")


@dataclass(frozen=True, slots=True)
class Choice:
    """One row."""

    id: str  # the result if it is chosen
    text: str  # the row

    def matches(self, words: Iterable[str]) -> bool:
        """True if every word is in the row."""
        return all(word in self.text.casefold() for word in words)

    def begins(self, words: Iterable[str]) -> bool:
        """True if every word begins a word of the row; such rows come first."""
        parts = self.text.casefold().split()
        return all(any(part.startswith(word) for part in parts) for word in words)


class Pick(ModalScreen[str | None]):
    """Returns the id of the chosen row, or None after escape; typing filters the rows."""

    BINDINGS: ClassVar[list[BindingType]] = [("escape", "dismiss(None)")]

    def __init__(self, title: str, *, hint: str, is_ascii: bool) -> None:
        super().__init__()
        self._title, self._hint = title, hint
        self._words = as_ascii if is_ascii else str
        self._choices: list[Choice] = []

    def compose(self) -> ComposeResult:
        """Put it together."""
        with Vertical(id="pick"):
            yield Static(self._words(self._title), id="pick-title", markup=False)
            yield Static(id="error", markup=False)
            yield Input(placeholder=self._words(self._hint), select_on_focus=False)
            yield OptionList(markup=False)

    def prepare(self) -> None:
        """Prepare the list; called by subclasses when mounted."""
        self.query_one("#error").display = False
        self.query_one(OptionList).can_focus = False  # the input has the keys, the list the mouse
        self.query_one(Input).focus()

    def typed(self, text: str) -> list[Choice]:
        """Rows for the typed text itself, below the matches."""
        del text
        return []

    def offer(self, choices: Iterable[Choice]) -> None:
        """Add rows, filtered by the typed text."""
        self._choices += choices
        self._fill()

    def _fill(self) -> None:
        rows, text = self.query_one(OptionList), self.query_one(Input).value
        at = rows.highlighted
        before = None if at is None or at >= rows.option_count else rows.get_option_at_index(at).id
        words = text.casefold().split()
        shown = sorted((one for one in self._choices if one.matches(words)), key=lambda one: not one.begins(words))
        shown += self.typed(text.strip())
        rows.clear_options()
        room = max(20, self.app.size.width - _AROUND)
        texts = [sanitize(one.text) for one in shown]
        texts = [fit(text, room).rstrip() if len(text) > room else text for text in texts]
        rows.add_options([Option(self._words(text), id=one.id) for one, text in zip(shown, texts, strict=True)])
        ids = [one.id for one in shown]
        rows.highlighted = (ids.index(before) if before in ids and not words else 0) if ids else None

    def on_input_changed(self) -> None:
        """Letters filter."""
        self._fill()

    def on_key(self, event: events.Key) -> None:
        """Up and down move in the list while letters go to the input."""
        if event.key in _MOVES:
            rows = self.query_one(OptionList)
            getattr(rows, f"action_{_ACTIONS.get(event.key, event.key)}")()

    def on_paste(self, event: events.Paste) -> None:
        """A name was pasted while another window has the keys; else the input takes it."""
        self.query_one(Input).insert_text_at_cursor(event.text.strip())

    def on_option_list_option_selected(self, event: OptionList.OptionSelected) -> None:
        """One was clicked."""
        self.dismiss(event.option.id)

    def on_input_submitted(self) -> None:
        """Enter chooses the marked row."""
        rows = self.query_one(OptionList)
        if rows.highlighted is not None:
            self.dismiss(rows.get_option_at_index(rows.highlighted).id)


_ACTIONS = {"up": "cursor_up", "down": "cursor_down", "pageup": "page_up", "pagedown": "page_down"}
