"""All 18 channels, one row each; or one of them large."""

from __future__ import annotations

from typing import ClassVar

from textual.binding import Binding, BindingType

from busbench.tui.screens.base import BenchView
from busbench.tui.widgets.channels import ChannelLines
from busbench.tui.widgets.line_widget import LineWidget
from busbench.tui.window import level_within

_FIRST_S = 20.0  # max seconds of a channel opened large
_KEYS = (
    ("y", "scale"),
    ("up", "choose(-1)"),
    ("down", "choose(1)"),
    ("enter", "large"),
    ("escape", "small"),
    ("v", "overlay"),
    ("c", "cursor"),
)


class ChannelsView(BenchView):
    """All 18 channels, one row each; or one of them large."""

    IS_FAST = True
    NEEDS_LINES = True
    BINDINGS: ClassVar[list[BindingType]] = [Binding(key, action, show=False) for key, action in _KEYS]

    def body(self) -> LineWidget:
        """See BenchView."""
        self._lines = ChannelLines(self.ui)
        return self._lines

    @property
    def is_fast(self) -> bool:
        """See BenchView; a large plot is drawn as plots are."""
        return not self._lines.is_large

    def keys(self) -> list[tuple[str, str]]:
        """Keys, including those of rows and traces."""
        pairs = super().keys()
        own = [("enter", "large"), ("y", "own scales" if self.ui.is_common_scale else "one scale")]
        if self._lines.is_large:
            over = "take off" if self.ui.channel in self._lines.others else "lay over"
            cursor = "second cursor" if self._lines.cursor_a is None else "one cursor"
            own = [("escape", "list"), ("up down", "channel"), (". ,", "window"), ("v", over), ("c", cursor), own[1]]
            pairs = [pair for pair in pairs if pair[0] != ". ,"]
            return [pairs[0], *own, *pairs[1:]]
        return [pairs[0], own[0], *pairs[1:2], own[1], *pairs[2:]]

    def action_scale(self) -> None:
        """Switch between a common scale and own scales."""
        self.ui.settings.keep(one_scale=not self.ui.is_common_scale)
        self.draw(slow=True)

    def action_choose(self, rows: int) -> None:
        """Choose another channel."""
        self._lines.choose(self.ui.channel + rows)
        self.draw(slow=True)

    def action_large(self) -> None:
        """Show the chosen channel large, starting with some seconds."""
        session = self.ui.needs
        self._lines.is_large = True
        if self.ui.zoom is None:
            self.ui.zoom = level_within(session, round(_FIRST_S * session.store.ticks_per_s))
        self.draw(slow=True)

    def action_small(self) -> None:
        """Back to all channels."""
        self._lines.is_large = False
        self.draw(slow=True)

    def action_overlay(self) -> None:
        """Overlay the chosen channel on the large plot, or remove it."""
        others = self._lines.others
        if self.ui.channel in others:
            others.remove(self.ui.channel)
        else:
            others.append(self.ui.channel)
            self.ui.said = f"channel {self.ui.channel + 1} stays drawn while up and down choose others"
        self.draw(slow=True)

    def action_cursor(self) -> None:
        """Leave a second cursor here, or take it away."""
        if self._lines.is_large:
            self._lines.toggle_cursor()
            self.draw(slow=True)
