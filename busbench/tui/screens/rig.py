"""Rig: the plan as a tree with voltage and current."""

from __future__ import annotations

from typing import ClassVar

from textual.binding import Binding, BindingType

from busbench.tui.screens.base import OPEN, BenchView
from busbench.tui.widgets.line_widget import LineWidget
from busbench.tui.widgets.rig import RigLines

_KEYS = (("left", "case(-1)"), ("right", "case(1)"), ("up", "scroll_rows(-1)"), ("down", "scroll_rows(1)"))


class RigView(BenchView):
    """Rig: the plan as a tree with voltage and current."""

    HAS_TIMELINE = False
    BINDINGS: ClassVar[list[BindingType]] = [Binding(key, action, show=False) for key, action in _KEYS]

    def body(self) -> LineWidget:
        """See BenchView."""
        self._lines = RigLines(self.ui)
        return self._lines

    def keys(self) -> list[tuple[str, str]]:
        """LoadCase and rows in front."""
        pairs = super().keys()
        if self.ui.rig is None:
            return [pairs[0], OPEN, *pairs[-3:]]
        return [("left right", "load case"), ("up down", "scroll"), pairs[0], *pairs[-3:]]

    def action_case(self, steps: int) -> None:
        """Show another load case."""
        self._lines.change_case(steps)
        self.draw(slow=True)

    def action_scroll_rows(self, rows: int) -> None:
        """Show other rows."""
        self._lines.scroll_by(rows)
        self.draw(slow=True)
