"""All 18 channels, a lane each."""

from __future__ import annotations

from busbench.tui.screens.base import BenchView
from busbench.tui.widgets.drawn import Drawn
from busbench.tui.widgets.lanes import LaneLines


class LanesView(BenchView):
    """All 18 channels, a lane each."""

    IS_FAST = True

    def body(self) -> Drawn:
        """As BenchView says."""
        return LaneLines(self.ui)
