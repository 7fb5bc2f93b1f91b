"""All 18 channels, a lane each."""

from __future__ import annotations

from busbench.tui.screens.base import BenchView
from busbench.tui.widgets.channels import ChannelLines
from busbench.tui.widgets.line_widget import LineWidget


class ChannelsView(BenchView):
    """All 18 channels, a lane each."""

    IS_FAST = True

    def body(self) -> LineWidget:
        """As BenchView says."""
        return ChannelLines(self.ui)
