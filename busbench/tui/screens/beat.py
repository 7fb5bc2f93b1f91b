"""The beat: period, jitter and the floor of the measurement."""

from __future__ import annotations

from busbench.tui.screens.base import BenchView
from busbench.tui.widgets.beat import BeatFigures
from busbench.tui.widgets.drawn import Drawn


class BeatView(BenchView):
    """The beat: period, jitter and the floor of the measurement."""

    def body(self) -> Drawn:
        """As BenchView says."""
        return BeatFigures(self.ui)
