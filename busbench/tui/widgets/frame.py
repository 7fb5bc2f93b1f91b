"""The frame of every view: state above; timeline, position and keys below."""

from __future__ import annotations

import textwrap
from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path

from busbench.errors import pluralize, sanitize
from busbench.model import ClockKind
from busbench.tui.app_state import AppState
from busbench.tui.channels import TRACE_S
from busbench.tui.live import LiveSession
from busbench.tui.replay import ReplaySession
from busbench.tui.screens import VIEWS, View
from busbench.tui.session import Session
from busbench.tui.text import Line, clock_time, duration, fit, line_words, percent, place_words, width_of, wrap
from busbench.tui.widgets.line_widget import LineWidget
from busbench.tui.window import timeline_window

LEAST = 60, 16  # min columns and lines of views
TOO_SMALL = " The window is too small for all of it: make it larger."  # what must be read before something moves
LINK_STYLES = {"in sync": "good", "out of sync": "warn", "ambiguous": "warn", "reading": "dim"}
_EVENT_STYLES = {"g": "gap", "l": "lost", "f": "failsafe", "d": "damaged"}  # by letter
_LEAST_ROOM = 9  # beside the position, for the start of a message or a timeline
_KEY_NAMES = {"?": "question_mark", "-": "minus", "+": "plus", ",": "comma", ".": "full_stop"}
_CLOCK_WORDS = {ClockKind.PER_BYTE: "times per byte", ClockKind.PER_READ: "times per read", ClockKind.NONE: "no times"}


def apart(left: Line, right: Line, width: int) -> Line:
    """One part at the left, one at the right; the left one is cut first."""
    room = width - width_of(right) - 1
    used = width_of(left)
    if used <= room:
        return [*left, (" " * (room - used + 1), "ink"), *right]
    out: Line = []
    for text, style in left:
        size = width_of([(text, style)])
        if size > room:
            out.append((fit(text, max(0, room)), style))
            room = 0
            break
        out.append((text, style))
        room -= size
    return [*out, (" " * (room + 1), "ink"), *right]


class Tabs(LineWidget):
    """All views by key and name, the current one in brackets; only keys if there is no room."""

    def __init__(self, ui: AppState, view: View) -> None:
        super().__init__(ui)
        self._view = view

    def lines(self, width: int, height: int) -> list[Line]:
        """The tabs."""
        del height
        is_whole = width_of(self._tabs(is_whole=True)) <= width
        return [self._tabs(is_whole=is_whole, is_spots=True)]

    def _tabs(self, *, is_whole: bool, is_spots: bool = False) -> Line:
        line: Line = []
        for at, view in enumerate(VIEWS):
            before = width_of(line)
            if view is self._view:
                line.append((f"[{view.key} {view.name}]", "chosen"))
            else:
                gap = "" if at and VIEWS[at - 1] is self._view else " "
                line += [(f"{gap}{view.key}", "title"), (f" {view.name}" if is_whole else "", "dim")]
            if is_spots:
                self.spot(0, before, width_of(line), partial(self.app.simulate_key, view.key))
        return line


class StateLine(LineWidget):
    """Two permanent lines: source, line, link; frames, losses, flags."""

    def lines(self, width: int, height: int) -> list[Line]:
        """The state."""
        del height
        session, dot = self.ui.needs, f" {self.ui.glyphs.dot} "
        left: Line = [(f" {sanitize(session.source)}", "title")]
        line: Line = [(f"{dot}{_source_words(session)}", "dim")]
        right: Line = []
        if isinstance(session, LiveSession) and session.recording:
            size = f"{session.recorded_bytes / 1e6:.1f} MB"
            time = clock_time(session.recorded_s)[:-4]  # whole seconds
            right += [(f" {self.ui.glyphs.rec} REC {time} {size} ", "bad"), ("  ", "ink")]
        if session.is_live and not session.is_moving:
            right += [("FROZEN", "warn"), ("  ", "ink")]
        link = session.link
        right += [(f"{link} ", LINK_STYLES.get(link, "bad"))]
        if width_of([*left, *line, *right]) < width:
            left += line
        elif isinstance(session, ReplaySession) and width_of([*left, *right]) >= width:
            left[0] = f" {sanitize(Path(session.source).name)}", "title"
        flags = self._flags(session)
        return [apart(left, right, width), apart(self._counts(session, width - width_of(flags) - 1), flags, width)]

    def _counts(self, session: Session, room: int) -> Line:
        """Frames, missed of due, ratio and bound; without room, frames are dropped, or the ratio too."""
        if progress := session.progress:
            return [(f" {progress}", "warn")]
        losses = session.losses
        frames: Line = [(f" {pluralize(losses.frames, 'frame')}", "ink")]
        if not losses.expected:
            return frames
        low = f"{losses.missed_low:,} to " if losses.missed_low < losses.missed else ""
        count = f"{low}{losses.missed:,}"
        missed = f" {count} missed of {losses.expected:,} due", "gap" if losses.missed else "ink"
        ratio = f" {percent(losses.missed / losses.expected)}," if losses.missed else ""
        bound = f" 95 % limit {percent(session.upper95)}"
        whole: Line = [*frames, (",", "ink"), missed, (f":{ratio}{bound}", "ink")]
        least: Line = [missed, (f":{ratio}{bound}", "ink")]
        fewest: Line = [(f" {count} of {losses.expected:,} missed", missed[1]), (f":{bound}", "ink")]
        return next((line for line in (whole, least) if width_of(line) <= room), fewest)

    def _flags(self, session: Session) -> Line:
        words = session.flag_words
        style = "failsafe" if "FAILSAFE" in words else "lost" if "LOST" in words else "ink"
        is_now = session.is_live and session.is_moving
        return [
            ("flags now " if is_now else "flags here ", "dim"),
            (f"{words} ", "gap" if words == "no frame" else style),
        ]


def _source_words(session: Session) -> str:
    if isinstance(session, ReplaySession):
        return f"{session.format}, {_CLOCK_WORDS[session.clock.kind]}"
    return line_words(session.line)


class Timeline(LineWidget):
    """The session, or a part of it, in one line: a letter where frames were missed."""

    def lines(self, width: int, height: int) -> list[Line]:
        """The timeline."""
        del height
        ends = self._ends()
        cells = strip(self.ui, width - sum(len(one) for one in ends))
        return [[(ends[0], "dim"), *cells, (ends[1], "dim")]]

    def click(self, x: int, y: int) -> None:
        """Go to the position."""
        del y
        left, right = self._ends()
        session, cells = self.ui.needs, self.size.width - len(left) - len(right)
        lo, hi = timeline_window(session, self.ui.zoom)
        session.seek(lo + (hi - lo) * min(max(x - len(left), 0), cells - 1) // max(1, cells))
        self.ui.draw()

    def wheel(self, rows: int) -> None:
        """Zoom."""
        self.ui.zoom_by(1 if rows < 0 else -1)
        self.ui.draw()

    def _ends(self) -> tuple[str, str]:
        """What is before and after the shown part."""
        session = self.ui.needs
        lo, hi = timeline_window(session, self.ui.zoom)
        if self.ui.zoom is None:
            return "", ""
        return f"{place_words(session, lo)} ", f" {place_words(session, hi)}"


def strip(ui: AppState, width: int) -> Line:
    """Outages by letter, annotations by shape, single frames if apart, the range of traces, the position."""
    session = ui.needs
    lo, hi = timeline_window(session, ui.zoom)
    cells = event_cells(ui, lo, hi, width)
    traced = cell_of(session.place - round(TRACE_S * session.store.ticks_per_s), lo, hi, width)
    here = cell_of(session.place, lo, hi, width)
    if traced:
        cells[traced:here] = [(ui.glyphs.span, "span") if one[1] == "rule" else one for one in cells[traced:here]]
    first, stop = session.store.row_at(lo - 1) + 1, session.store.row_at(hi - 1) + 1
    if 2 * (stop - first) <= width:
        for place in session.store.axis_of(max(0, first), stop).tolist():
            at = cell_of(place, lo, hi, width)
            if cells[at][1] in ("rule", "span"):
                cells[at] = ui.glyphs.frame, "pen"
    for mark in session.marks:
        if lo <= session.mark_place(mark) <= hi:
            at = cell_of(session.mark_place(mark), lo, hi, width)
            if cells[at][1] in ("rule", "span", "pen"):
                cells[at] = ui.glyphs.mark, "mark"
    cells[here] = cells[here][0], "key"
    return joined(cells)


def event_cells(ui: AppState, lo: int, hi: int, width: int, *, session: Session | None = None) -> list[tuple[str, str]]:
    """Styled letters for the parts of a timeline from lo to hi with missed frames; a capital for several."""
    flat = ui.glyphs.flat, "rule"
    letters = (session or ui.needs).events.letters(lo, hi, width)
    return [flat if one == " " else (one, _EVENT_STYLES[one.lower()]) for one in letters]


def cell_of(place: int, lo: int, hi: int, width: int) -> int:
    """Column of a position on a timeline from lo to hi."""
    return min(width - 1, max(0, (place - lo) * width // max(1, hi - lo)))


def joined(cells: Sequence[tuple[str, str]]) -> Line:
    """Join neighbours of one style."""
    out: Line = []
    for text, style in cells:
        if out and out[-1][1] == style:
            out[-1] = out[-1][0] + text, style
        else:
            out.append((text, style))
    return out


class Transport(LineWidget):
    """The position, and the last message: whole while it is new, then in the remaining room."""

    has_timeline = False  # True to show it beside the position while there is no message

    def rows(self, width: int) -> int:
        """Number of lines needed; a stopped screen is never hidden."""
        return max(1, len(self._whole(width)) + (self._stays or not self.ui.needs.is_moving))

    def lines(self, width: int, height: int) -> list[Line]:
        """New messages, instead of the position if they need the room; else both."""
        whole = self._whole(width)
        if not whole:
            return [self._both(width)]
        cut = [*whole[: height - 1], " ".join(whole[height - 1 :])]
        told: list[Line] = [[(f" {fit(text, width - 2, more=self.ui.glyphs.more)}", "warn")] for text in cut if text]
        return [self._place(width), *told] if height > len(whole) else told

    @property
    def _stays(self) -> bool:
        """True while the port is unplugged: its message stays whole, below the position."""
        session = self.ui.needs
        return (
            isinstance(session, LiveSession)
            and (session.is_lost or session.is_unplugged)
            and self.ui.said in ("", session.notice)
        )

    def _whole(self, width: int) -> list[str]:
        """New messages on separate lines, if there is no room beside the position."""
        said = sanitize(self.ui.said or (self.ui.needs.notice if self._stays else ""))
        return wrap(said, width - 2) if width_of([*self._place(width), (said, "")]) > width - 3 else []

    def _both(self, width: int) -> Line:
        line = self._place(width)
        said = sanitize(self.ui.said or self.ui.needs.notice)
        room = width - width_of(line) - 3
        if said and room >= min(_LEAST_ROOM, width_of([(said, "")])):
            line += [("   ", "ink"), (fit(said, room, more=self.ui.glyphs.more), "warn")]
        elif self.has_timeline and not said and room >= _LEAST_ROOM:
            # On this ground a rule's own colour is too weak.
            shown = ((text, "dim" if style == "rule" else style) for text, style in strip(self.ui, room))
            line += [("   ", "ink"), *shown]
        return line

    def _place(self, width: int) -> Line:
        """What moves and where, and the cut, in as many words as fit."""
        session = self.ui.needs
        cut: Line = []
        if session.cut_in is not None or session.cut_out is not None:
            ends = ("?" if at is None else place_words(session, at) for at in (session.cut_in, session.cut_out))
            cut = [(f"  cut [{' to '.join(ends)}]", "mark")]
        forms: list[Line] = [[(" ", "ink"), *words, *cut] for words in _moving_words(session)]
        if fitting := [form for form in forms if width_of(form) <= width]:
            return fitting[0]
        *head, (text, style) = forms[-1]
        return [*head, (fit(text, width - width_of(head), more=self.ui.glyphs.more), style)]


def _moving_words(session: Session) -> list[Line]:
    """What moves and where, the longest words first."""
    place, end = place_words(session, session.place), place_words(session, session.end)
    if session.is_live:
        if session.is_moving:
            return [[(f"live {place}", "ink")]]
        behind = duration(session.seconds(session.end) - session.seconds(session.place))
        return [[("FROZEN", "warn"), (f" at {place}{when}", "ink")] for when in (f", {behind} ago", "")]
    is_at_end = isinstance(session, ReplaySession) and session.is_at_end
    name, pace = ("play", " {}x") if session.is_moving else ("at the end", "") if is_at_end else ("paused", " ({}x)")
    words = name + pace.format(f"{session.pace:g}")
    forms = (words, f"  {place} of {end}"), (words, f"  {place}"), (name, f"  {place}")
    return [[(what, "ink"), (where, "ink")] for what, where in forms]


class Small(LineWidget):
    """The text in a window too small for a view."""

    def lines(self, width: int, height: int) -> list[Line]:
        """Show it in the middle."""
        texts = [f"the window is too small: at least {LEAST[0]}x{LEAST[1]}", "q leaves"]
        rows = [row for text in texts for row in textwrap.wrap(text, width)]
        blank: list[Line] = [[] for _ in range(max(0, height - len(rows)) // 2)]
        return [*blank, *([(row.center(width), "warn")] for row in rows)]


class Keys(LineWidget):
    """The keys of a view; what does not fit is in the help; menu, help and quit are dropped last."""

    def __init__(self, ui: AppState, pairs: Callable[[], Sequence[tuple[str, str]]]) -> None:
        super().__init__(ui)
        self._pairs = pairs

    def lines(self, width: int, height: int) -> list[Line]:
        """The keys."""
        del height
        line: Line = [(" ", "ink")]
        used, pairs = 1, list(self._pairs())
        while len(pairs) > 3 and sum(len(key) + len(word) + 3 for key, word in pairs) > width:
            del pairs[-4]
        for key, word in pairs:
            size = len(key) + len(word) + 3
            if used + size > width + 1:
                break
            line += [(key, "key"), (f" {word}  ", "dim")]
            self._spots_of(key, used, used + size - 2)
            used += size
        return [line]

    def _spots_of(self, keys: str, x: int, end: int) -> None:
        """A click presses the key; of two keys together each is separate, and the word is the second."""
        single = ["space"] if keys == "any key" else keys.split()
        for at, key in enumerate(single):
            stop = end if at == len(single) - 1 else x + len(key) + 1
            self.spot(0, x, stop, partial(self.app.simulate_key, _KEY_NAMES.get(key, key)))
            x = stop
