"""A widget that draws lines of text by itself, and sends only those that changed."""

from __future__ import annotations

from rich.segment import Segment
from rich.style import Style
from textual.geometry import Region
from textual.strip import Strip
from textual.widget import Widget

from busbench.tui.app_state import AppState
from busbench.tui.text import Line, as_ascii, width_of


class LineWidget(Widget):
    """Base of all widgets here.

    Args:
        ui: what is shown, and how.
    """

    def __init__(self, ui: AppState) -> None:
        super().__init__()
        self.ui = ui
        self._lines: list[Line] = []
        self._styles: dict[str, Style] | None = None

    def lines(self, width: int, height: int) -> list[Line]:
        """The lines to show, at most `height`; shorter ones are filled up with blanks."""
        raise NotImplementedError

    def redraw(self) -> None:
        """Draw anew, and have the lines sent that are not what they were."""
        width, height = self.size
        if not width or not height or self.ui.session is None:
            return
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
            elif not changed and first is not None:  # neighbours go together
                self.refresh(Region(0, first, width, y - first))
                first = None

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
        """Styles by name on the background of this widget, which takes long to ask for each line."""
        base = self.rich_style
        self._styles = {"": base, **{name: base + style for name, style in self.ui.palette.styles.items()}}
        return self._styles
