"""All 18 channels, one row each."""

from __future__ import annotations

from typing import ClassVar

from textual.binding import Binding, BindingType

from busbench.tui.screens.base import BenchView
from busbench.tui.widgets.channels import ChannelLines
from busbench.tui.widgets.line_widget import LineWidget


class ChannelsView(BenchView):
    """All 18 channels, one row each."""

    IS_FAST = True
    NEEDS_LINES = True
    BINDINGS: ClassVar[list[BindingType]] = [Binding("y", "scale", show=False)]

    def body(self) -> LineWidget:
        """As BenchView says."""
        return ChannelLines(self.ui)

    def keys(self) -> list[tuple[str, str]]:
        """With the scale of the traces."""
        pairs = super().keys()
        return [*pairs[:3], ("y", "own scales" if self.ui.is_common_scale else "one scale"), *pairs[3:]]

    def action_scale(self) -> None:
        """Draw the traces on one scale, or each on its own."""
        self.ui.settings.keep(one_scale=not self.ui.is_common_scale)
        self.draw(slow=True)
