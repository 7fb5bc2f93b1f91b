"""When the bus was out, and what each channel did then."""

from __future__ import annotations

from typing import ClassVar

from textual.binding import BindingType

from busbench.tui.screens.base import BenchView
from busbench.tui.widgets.line_widget import LineWidget
from busbench.tui.widgets.outages import OutageLines


class OutagesView(BenchView):
    """Timeline, list, channels."""

    HAS_TIMELINE = False  # its body has a larger one

    BINDINGS: ClassVar[list[BindingType]] = [("up", "app.jump(-1)"), ("down", "app.jump(1)")]

    def body(self) -> LineWidget:
        """As BenchView says."""
        return OutageLines(self.ui)

    def keys(self) -> list[tuple[str, str]]:
        """With the keys of the cut in front."""
        pairs = super().keys()
        if self.ui.session is not None and not self.ui.session.is_live:
            return [pairs[0], ("n p", "outage"), ("i o", "cut in, out"), ("x", "export"), ("m", "mark"), *pairs[-2:]]
        return [*pairs[:2], ("n p", "outage"), *(pair for pair in pairs[3:] if pair[0] != "z")]
