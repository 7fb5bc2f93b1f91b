"""When the bus was out, and what each channel did then."""

from __future__ import annotations

from collections.abc import Sequence
from typing import ClassVar

from textual.binding import BindingType

from busbench.analysis.outages import KINDS, Kind, Outage
from busbench.tui.screens.base import BenchView
from busbench.tui.widgets.line_widget import LineWidget
from busbench.tui.widgets.outages import OutageLines


class OutagesView(BenchView):
    """Timeline, list, channels."""

    HAS_TIMELINE = False  # its body has a larger one

    BINDINGS: ClassVar[list[BindingType]] = [
        ("up", "app.jump(-1)"),
        ("down", "app.jump(1)"),
        ("k", "kind"),
        ("enter", "frames"),
    ]

    def body(self) -> LineWidget:
        """As BenchView says."""
        self._lines = OutageLines(self.ui)
        return self._lines

    def action_kind(self) -> None:
        """List another kind of outages, or all."""
        every: list[Kind | None] = [None, *(kind for kind in KINDS if kind in {one.kind for one in self._items})]
        at = every.index(self.ui.kind) if self.ui.kind in every else 0
        self.ui.kind = every[(at + 1) % len(every)]
        self.draw(slow=True)

    @property
    def _items(self) -> Sequence[Outage]:
        return () if self.ui.session is None else self.ui.session.events.items

    def action_frames(self) -> None:
        """Show the bytes around the chosen outage, or what channels did across it."""
        self._lines.shows_frames = not self._lines.shows_frames
        self.draw(slow=True)

    def keys(self) -> list[tuple[str, str]]:
        """With the keys of the cut in front."""
        pairs = super().keys()
        own = [("enter", "channels" if self._lines.shows_frames else "bytes"), ("k", f"kind: {self.ui.kind or 'all'}")]
        shown = [pair for pair in pairs[1:-3] if pair[0] not in ("z", "n p", "left right")]
        return [pairs[0], *([("n p", "outage"), *own] if self._items else []), *shown, *pairs[-3:]]
