"""When the bus was out, and what each channel did then."""

from __future__ import annotations

from typing import ClassVar

from textual.binding import BindingType

from busbench.analysis.outages import KINDS, Kind
from busbench.tui.screens.ask import Ask
from busbench.tui.screens.base import BenchView
from busbench.tui.widgets.line_widget import LineWidget
from busbench.tui.widgets.outages import OutageLines

_QUESTION = "List only (escape: as before): a kind, a number, a time as 0:12 or 1:02:03, >50ms, <2s, or several"


class OutagesView(BenchView):
    """Timeline, list, channels."""

    HAS_TIMELINE = False  # its body has a larger one

    BINDINGS: ClassVar[list[BindingType]] = [
        ("up", "app.jump(-1)"),
        ("down", "app.jump(1)"),
        ("k", "kind"),
        ("slash", "find"),
        ("enter", "frames"),
    ]

    def body(self) -> LineWidget:
        """See BenchView."""
        self._lines = OutageLines(self.ui)
        return self._lines

    def action_kind(self) -> None:
        """List another kind of outages, or all."""
        counts, listed = self.ui.needs.events.counts, self.ui.listed
        every: list[Kind | None] = [None, *(kind for kind in KINDS if counts[kind])]
        at = every.index(listed.kind) if listed.kind in every else 0
        listed.kind = every[(at + 1) % len(every)]
        self.draw(slow=True)

    def action_find(self) -> None:
        """List only outages that fit some words."""
        before = self.ui.listed.text

        def narrow(text: str | None) -> None:
            self.ui.listed.text = before if text is None else text
            self.draw(slow=True)

        self.app.push_screen(Ask(_QUESTION, text=before, changed=narrow), narrow)

    def action_frames(self) -> None:
        """Show the bytes around the chosen outage, or what channels did across it."""
        self._lines.shows_frames = not self._lines.shows_frames
        self.draw(slow=True)

    def keys(self) -> list[tuple[str, str]]:
        """With the keys of the cut in front."""
        pairs = super().keys()
        has_some = self.ui.session is not None and len(self.ui.session.events) > 0
        listed = self.ui.listed
        own = [("enter", "channels" if self._lines.shows_frames else "bytes"), ("k", f"kind: {listed.kind or 'all'}")]
        own.append(("/", f"filter: {listed.text}" if listed.text else "filter"))
        shown = [pair for pair in pairs[1:-3] if pair[0] not in ("z", "n p", "left right")]
        return [pairs[0], *([("n p", "outage"), *own] if has_some else []), *shown, *pairs[-3:]]
