"""A widget that draws lines of text by itself, and sends only those that changed."""

from __future__ import annotations

from rich.segment import Segment
from textual.geometry import Region
from textual.strip import Strip
from textual.widget import Widget

from busbench.tui.text import Line, width_of
from busbench.tui.ui import Ui


class Drawn(Widget):
    """Base of all widgets here.

    Args:
        ui: what is shown, and how.
    """

    def __init__(self, ui: Ui) -> None:
        super().__init__()
        self.ui = ui
        self._lines: list[Line] = []

    def lines(self, width: int, height: int) -> list[Line]:
        """The lines to show, at most `height`; shorter ones are filled up with blanks."""
        raise NotImplementedError

    def redraw(self) -> None:
        """Draw anew, and have the lines sent that are not what they were."""
        width, height = self.size
        if not width or not height or self.ui.session is None:
            return
        new = self.lines(width, height)[:height]
        old = self._lines
        self._lines = new
        for y in range(max(len(new), len(old))):
            if y >= len(new) or y >= len(old) or new[y] != old[y]:
                self.refresh(Region(0, y, width, 1))

    def on_resize(self) -> None:
        """Fill the new size."""
        self._lines = []
        self.redraw()
        self.refresh()

    def render_line(self, y: int) -> Strip:
        """One line."""
        width = self.size.width
        if y >= len(self._lines):
            return Strip.blank(width, self.rich_style)
        styles = self.ui.palette.styles
        base = self.rich_style
        line = self._lines[y]
        segments = [Segment(text, base + styles[style]) for text, style in line if text]
        return Strip(segments, width_of(line)).adjust_cell_length(width, base)
