"""The choice of a source: ports that are plugged in, virtual receivers, recordings near by."""

from __future__ import annotations

from pathlib import Path
from typing import ClassVar

from textual import events, work
from textual.app import ComposeResult
from textual.binding import BindingType
from textual.containers import Vertical
from textual.screen import Screen
from textual.widgets import Input, OptionList, Static
from textual.widgets.option_list import Option

from busbench.bench.sources import VIRTUAL, plugged_in
from busbench.capture.formats import read_suffixes
from busbench.errors import sanitize
from busbench.tui.text import as_ascii

RECEIVERS = (
    (VIRTUAL, "mixed flying"),
    (f"{VIRTUAL}?period=7ms&pilot=moving", "all sticks move"),
    (f"{VIRTUAL}?lost-rate=6&gap-rate=3", "with losses and gaps"),
)
FILES_MAX = 200
_LINE = "or the name of a port, an address such as socket://host:port, or a file"


def files(folder: Path) -> list[str]:
    """Recordings in a folder and in its folder captures, by their suffix."""
    found, suffixes = [], read_suffixes()
    for place in (folder, folder / "captures"):
        try:
            some = sorted(one for one in place.iterdir() if one.suffix.lower() in suffixes and one.is_file())
        except OSError:
            continue
        found += [str(one.relative_to(folder)) for one in some]
    return found[:FILES_MAX]


def ports() -> list[tuple[str, str]]:
    """Ports that are plugged in, with what is known of them."""
    return [(one.device, f"{one.chip.name} {one.description}".strip()) for one in plugged_in()]


class Choose(Screen[str | None]):
    """Gives the source chosen, or None where the person left with escape.

    Args:
        error: why the one chosen before could not be opened.
        is_ascii: True keeps to plain characters.
    """

    BINDINGS: ClassVar[list[BindingType]] = [("escape", "dismiss(None)")]

    def __init__(self, *, error: str = "", is_ascii: bool = False) -> None:
        super().__init__()
        self._error = error
        self._words = as_ascii if is_ascii else str

    def compose(self) -> ComposeResult:
        """Put it together."""
        with Vertical(id="choose"):
            yield Static("What to watch? Choose with up, down, enter, or type a name; escape leaves.", markup=False)
            yield Static(self._words(sanitize(self._error)), id="error", markup=False)
            yield OptionList(markup=False)
            yield Input(placeholder=_LINE, select_on_focus=False)

    def on_mount(self) -> None:
        """Fill the list; ports come when they are found."""
        self.query_one("#error").display = bool(self._error)
        choices = self.query_one(OptionList)
        choices.add_options([Option(f"{'virtual':<10}{name}   {text}", id=name) for name, text in RECEIVERS])
        choices.add_options(
            [Option(f"{'file':<10}{self._words(sanitize(name))}", id=name) for name in files(Path.cwd())]
        )
        choices.highlighted = 0
        choices.focus()
        self._find_ports()

    @work(thread=True)
    def _find_ports(self) -> None:
        found = ports()
        self.app.call_from_thread(self._add_ports, found)

    def _add_ports(self, found: list[tuple[str, str]]) -> None:
        choices = self.query_one(OptionList)
        kind = "port".ljust(10)
        rows = [(name, f"{kind}{sanitize(name)}   {sanitize(text)}") for name, text in found]
        choices.add_options([Option(self._words(row), id=name) for name, row in rows])

    def on_key(self, event: events.Key) -> None:
        """Letters go to the line if there is one; up and down go back to the list. The app takes what is left."""
        line, choices = self.query_one(Input), self.query_one(OptionList)
        if event.is_printable and event.character and event.character != "?" and not line.has_focus:
            line.focus()
            line.insert_text_at_cursor(event.character)
            event.stop()
        elif event.key in ("up", "down") and line.has_focus:
            choices.focus()
            event.stop()

    def on_paste(self, event: events.Paste) -> None:
        """A name that is pasted goes to the line too."""
        line = self.query_one(Input)
        if not line.has_focus:
            line.focus()
            line.insert_text_at_cursor(event.text.strip())
            event.stop()

    def on_option_list_option_selected(self, event: OptionList.OptionSelected) -> None:
        """One was chosen."""
        self.dismiss(event.option.id)

    def on_input_submitted(self, event: Input.Submitted) -> None:
        """One was typed."""
        if event.value.strip():
            self.dismiss(event.value.strip())
