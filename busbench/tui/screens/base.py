"""The common part of all views: state above; timeline, position and keys below."""

from __future__ import annotations

from typing import ClassVar

from textual.app import ComposeResult
from textual.screen import Screen

from busbench.tui.app_state import AppState
from busbench.tui.live import LiveSession
from busbench.tui.screens import VIEWS
from busbench.tui.widgets.frame import LEAST, Keys, Small, StateLine, Tabs, Timeline, Transport
from busbench.tui.widgets.line_widget import LineWidget

_SAID_SHARE = 4  # max share of the lines for messages
OPEN = ("s", "open")
_COMMON_KEYS = (("ctrl+p", "menu"), ("?", "help"), ("q", "quit"))
_TALL = 25  # min lines of a view with its own timeline line


class BenchView(Screen[None]):
    """A view."""

    IS_FAST: ClassVar[bool] = False  # the body is drawn at every tick
    HAS_TIMELINE: ClassVar[bool] = True
    OWN_ZOOM: ClassVar[bool] = False  # its timeline is zoomed apart from that of other views
    NEEDS_LINES: ClassVar[bool] = False  # its timeline moves beside the place in a low window

    def __init__(self, ui: AppState) -> None:
        super().__init__()
        self.ui = ui
        self.view = next(view for view in VIEWS if view.class_ == type(self).__name__)
        self._body = self.body()
        self._slow: list[LineWidget] = []
        self._transport = Transport(ui)
        self._small = Small(ui)
        self._small.add_class("small")

    def body(self) -> LineWidget:
        """The body of this view."""
        raise NotImplementedError

    def keys(self) -> list[tuple[str, str]]:
        """Keys and words for the last line, those that work now; later ones are dropped if there is no room."""
        session = self.ui.session
        middle: list[tuple[str, str]] = []
        if session is not None and session.is_live:
            is_recording = isinstance(session, LiveSession) and session.recording
            middle = [("space", "freeze" if session.is_moving else "follow"), ("u", "unit")]
            middle += [("r", "stop recording" if is_recording else "record"), ("m", "mark"), ("z", "reset ranges")]
            middle += [("b", "bell")]
        elif session is not None and session.end > session.start:
            middle = [("space", "pause" if session.is_moving else "play"), ("left right", "frame")]
        if session is not None and len(session.events):
            middle.append(("n p", "outage"))
        if session is not None and not session.is_live:
            middle += [("u", "unit"), ("- +", "pace"), ("m", "mark"), ("z", "reset ranges")]
            is_cut = session.cut_in is not None and session.cut_out is not None
            middle.append(("x", "write cut") if is_cut else ("i o", "cut from, to"))
        middle += [OPEN, (". ,", "zoom"), ("l", "last message")]
        return [(f"1-{VIEWS[-1].key}", "view"), *middle, *_COMMON_KEYS]

    @property
    def unkept(self) -> list[str]:
        """Unwritten work of this view, for people."""
        return []

    @property
    def is_fast(self) -> bool:
        """True while the body is drawn at every tick."""
        return self.IS_FAST

    @property
    def is_busy(self) -> bool:
        """True while something moves or is held; then the view is shown in any window."""
        return self.ui.mover is not None

    @property
    def is_cramped(self) -> bool:
        """True if the window is too small for the view."""
        width, height = self.size
        return (width < LEAST[0] or height < LEAST[1]) and not self.is_busy

    def _has_room(self) -> bool:
        """False if the body is too small to be drawn: it may have its size before it is hidden, or still when shown."""
        return not self.is_cramped and (self.is_busy or self._body.size.width >= LEAST[0])

    def compose(self) -> ComposeResult:
        """Put it together."""
        self._body.add_class("body")
        self._body.has_room = self._has_room
        timeline = [Timeline(self.ui)] if self.HAS_TIMELINE else []
        self._slow = [
            Tabs(self.ui, self.view),
            StateLine(self.ui),
            *timeline,
            self._transport,
            Keys(self.ui, self.keys),
        ]
        yield from self._slow[:2]
        yield self._body
        yield from self._slow[2:]
        yield self._small

    def draw(self, *, slow: bool) -> None:
        """Draw changes; `slow` at ticks at which slower parts are also due."""
        self._see_room()
        self._see_words()
        if self.is_fast or slow:
            self._body.redraw()
        if slow:
            for widget in self._slow:
                widget.redraw()
            self._small.redraw()

    def _see_room(self) -> None:
        """Show the view, or that there is no room; never hide how to stop."""
        self.set_class(self.is_cramped, "cramped")
        self._transport.has_timeline = self.NEEDS_LINES and self.size.height < _TALL
        self.set_class(self._transport.has_timeline, "low")
        self.set_class(self.is_busy, "busy")  # every line is needed then, and no tab can be chosen

    def _see_words(self) -> None:
        """Give messages the lines they need, unless that hides text that must be read."""
        width, height = self.size
        rows = 1 if self.is_busy or self.ui.session is None else min(self._transport.rows(width), height // _SAID_SHARE)
        if self._transport.styles.height is None or self._transport.styles.height.value != rows:
            self._transport.styles.height = rows

    def on_resize(self) -> None:
        """Adapt to the new size at once."""
        self._see_room()

    def on_screen_resume(self) -> None:
        """Show what happened meanwhile."""
        self.ui.zoom_of = self.view.name if self.OWN_ZOOM else ""
        self.draw(slow=True)
