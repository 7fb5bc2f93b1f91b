"""Timing: period, jitter and between what bounds the receiver's own lies."""

from __future__ import annotations

from busbench.tui.screens.base import BenchView
from busbench.tui.widgets.line_widget import LineWidget
from busbench.tui.widgets.timing import TimingLines


class TimingView(BenchView):
    """Timing: period, jitter and between what bounds the receiver's own lies."""

    def body(self) -> LineWidget:
        """See BenchView."""
        return TimingLines(self.ui)
