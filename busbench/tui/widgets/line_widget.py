"""A widget that draws lines of text, and sends only changed ones."""

from __future__ import annotations

from collections.abc import Callable

from rich.segment import Segment
from rich.style import Style
from textual import events
from textual.geometry import Region
from textual.strip import Strip
from textual.widget import Widget

from busbench.tui.app_state import AppState
from busbench.tui.text import Line, as_ascii, width_of

WHEEL_ROWS = 3


class LineWidget(Widget):
    """Base of all widgets here."""

    NEEDS_SESSION = True  # without one, nothing is drawn

    def __init__(self, ui: AppState) -> None:
        super().__init__()
        self.ui = ui
        self._lines: list[Line] = []
        self._styles: dict[str, Style] | None = None
        self._spots: list[tuple[int, int, int, Callable[[int], object]]] = []  # line, first column, end, action
        self.has_room: Callable[[], bool] = lambda: True  # else nothing is drawn

    def lines(self, width: int, height: int) -> list[Line]:
        """The lines to show, at most `height`; shorter lines are padded."""
        raise NotImplementedError

    def redraw(self) -> None:
        """Draw again, and send changed lines."""
        width, height = self.size
        if not width or not height or not self.has_room() or (self.NEEDS_SESSION and self.ui.session is None):
            return
        self._spots = []
        new = self.lines(width, height)[:height]
        if self.ui.is_ascii:
            new = [[(as_ascii(text), style) for text, style in line] for line in new]
        old = self._lines
        self._lines = new
        self._styles = None
        first: int | None = None
        count = max(len(new), len(old))
        for y in range(count + 1):
            changed = y < count and (y >= len(new) or y >= len(old) or new[y] != old[y])
            if changed and first is None:
                first = y
            elif not changed and first is not None:  # adjacent lines are sent together
                self.refresh(Region(0, first, width, y - first))
                first = None

    def spot(self, y: int, x: int, end: int, act: Callable[[], object]) -> None:
        """While lines are made: set the action of a click on the cells [x, end) of line y."""
        self._spots.append((y, x, end, lambda _: act()))

    def area(self, y: int, x: int, end: int, act: Callable[[int], object]) -> None:
        """While lines are made: set the action of a click on [x, end) of line y, called with the column."""
        self._spots.append((y, x, end, act))

    def wheel(self, rows: int) -> None:
        """The wheel was turned: rows down, or up if negative."""

    def click(self, x: int, y: int) -> None:
        """A click: the last drawn action at its position is used."""
        for line, first, end, act in reversed(self._spots):
            if line == y and first <= x < end:
                act(x)
                return

    def on_mouse_down(self, event: events.MouseDown) -> None:
        """A button was pressed."""
        event.stop()
        self.click(event.x, event.y)

    def on_mouse_scroll_down(self, event: events.MouseScrollDown) -> None:
        """The wheel was turned down."""
        event.stop()
        self.wheel(WHEEL_ROWS)

    def on_mouse_scroll_up(self, event: events.MouseScrollUp) -> None:
        """The wheel was turned up."""
        event.stop()
        self.wheel(-WHEEL_ROWS)

    def on_resize(self) -> None:
        """Fill the new size."""
        self._lines = []
        self.redraw()
        self.refresh()

    def render_line(self, y: int) -> Strip:
        """One line."""
        styles = self._styles or self._resolve()
        width = self.size.width
        if y >= len(self._lines):
            return Strip.blank(width, styles[""])
        line = self._lines[y]
        segments = [Segment(text, styles[style]) for text, style in line if text]
        return Strip(segments, width_of(line)).adjust_cell_length(width, styles[""])

    def _resolve(self) -> dict[str, Style]:
        """Styles by name on this widget's background, cached since looking them up is slow."""
        base = self.rich_style
        self._styles = {"": base, **{name: base + style for name, style in self.ui.palette.styles.items()}}
        return self._styles
