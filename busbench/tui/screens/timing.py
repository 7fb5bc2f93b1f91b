"""Timing: period, jitter and between what bounds the receiver's own lies."""

from __future__ import annotations

from busbench.tui.screens.base import BenchView
from busbench.tui.widgets.line_widget import LineWidget
from busbench.tui.widgets.timing import TimingLines


class TimingView(BenchView):
    """Timing: period, jitter and between what bounds the receiver's own lies."""

    OWN_ZOOM = True  # figures and pictures are of what its timeline shows

    def body(self) -> LineWidget:
        """As BenchView says."""
        return TimingLines(self.ui)

    def keys(self) -> list[tuple[str, str]]:
        """With the zoom in front."""
        pairs = super().keys()
        return [pairs[0], (". ,", "zoom"), *(pair for pair in pairs[1:] if pair[0] not in (". ,", "u"))]
