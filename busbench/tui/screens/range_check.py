"""Large figures for a range check."""

from __future__ import annotations

from busbench.tui.screens.base import BenchView
from busbench.tui.widgets.big_digits import BigDigits
from busbench.tui.widgets.line_widget import LineWidget


class RangeView(BenchView):
    """Large figures for a range check."""

    NEEDS_LINES = True

    def body(self) -> LineWidget:
        """See BenchView."""
        return BigDigits(self.ui)

    def keys(self) -> list[tuple[str, str]]:
        """Keys, starting with those of a range check."""
        pairs = super().keys()
        play = [pair for pair in pairs[1:2] if pair[0] == "space"]
        return [pairs[0], *play, ("m", "mark"), ("b", "bell"), ("n p", "outage"), ("3", "list"), *pairs[-3:]]
