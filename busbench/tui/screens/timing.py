"""The beat: period, jitter and the floor of the measurement."""

from __future__ import annotations

from busbench.tui.screens.base import BenchView
from busbench.tui.widgets.line_widget import LineWidget
from busbench.tui.widgets.timing import TimingLines


class TimingView(BenchView):
    """The beat: period, jitter and the floor of the measurement."""

    def body(self) -> LineWidget:
        """As BenchView says."""
        return TimingLines(self.ui)
