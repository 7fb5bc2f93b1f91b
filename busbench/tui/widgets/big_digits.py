"""Large figures for a range check, readable from several metres."""

from __future__ import annotations

from busbench.errors import sanitize
from busbench.tui.app_state import AppState
from busbench.tui.draw import large, large_scale
from busbench.tui.session import RECENT_S, Session
from busbench.tui.text import Line, duration
from busbench.tui.widgets.line_widget import LineWidget

CAPTIONS = {"GONE": "failsafe", "LOST": "frames flagged lost", "NONE": "no frame", "OK": "frames come"}


class BigDigits(LineWidget):
    """Losses of the last seconds, the link now, the longest outage."""

    def lines(self, width: int, height: int) -> list[Line]:
        """Captions and figures."""
        session = self.ui.needs
        lost, due = session.recent_losses()
        word, style = verdict(session)
        caption = CAPTIONS.get(word, session.link)
        wide = width * 3 // 5
        scope = "SO FAR" if session.is_live else "IN ALL"
        last = f"LAST {RECENT_S:.0f} S ({due:,} due)" if session.clock.is_known else f"LAST {due:,} DUE"
        lower = max(6, (height - 2) * 2 // 5 // 5 * 5 + 1)
        upper = height - lower - 2
        out = _beside(
            _figure(self.ui, f"MISSED FRAMES, {last}", str(lost), wide - 2, upper),
            _figure(self.ui, f"LINK NOW: {caption}", word, width - wide - 1, upper),
            wide,
            ("gap" if lost else "good", "gap" if style == "failsafe" else style),  # letters are of ink, not of ground
        )
        unit, longest = "SECONDS", _seconds(session.events.longest_s)
        if not session.clock.is_known:
            unit, longest = "FRAMES", f"{max((one.frames for one in session.events.items), default=0)}"
        out += _beside(
            _figure(self.ui, f"LONGEST OUTAGE {scope}, {unit}", longest, wide - 2, lower),
            _figure(self.ui, f"OUTAGES {scope}", str(len(session.events)), width - wide - 1, lower),
            wide,
            ("ink", "ink"),
        )
        out = out[: height - 1]
        return [*out, *([[("", "ink")]] * (height - 1 - len(out))), self._last_mark(session, width)]

    def _last_mark(self, session: Session, width: int) -> Line:
        before = [mark for mark in session.marks if session.mark_place(mark) <= session.place]
        bell = "bell on losses: on" if self.ui.rings else "bell on losses: off"
        if not before:
            why = " m sets a mark: distance, motor, heading"
            return [(f" {bell}  {why if width > len(bell) + len(why) + 2 else ' m sets a mark'}", "dim")]
        age = duration(session.seconds(session.place) - session.seconds(session.mark_place(before[-1])))
        return [(f" {bell}   since ", "dim"), (sanitize(before[-1].text), "mark"), (f": {age}", "dim")]


def verdict(session: Session) -> tuple[str, str]:
    """One short word for the link now, and its style."""
    if session.link in ("unplugged", "port lost"):
        return "OFF", "failsafe"
    words = session.flag_words
    if "FAILSAFE" in words:
        return "GONE", "failsafe"
    if "LOST" in words:
        return "LOST", "lost"
    return ("NONE", "gap") if words == "no frame" else ("OK", "good")


def _seconds(value_s: float | None) -> str:
    if not value_s:
        return "0"
    return f"{value_s:.2f}" if value_s < 10 else f"{value_s:.0f}"


def _figure(ui: AppState, caption: str, text: str, width: int, height: int) -> tuple[str, list[str]]:
    scale = large_scale(text, width - 1, height - 1)
    return caption, large(text, scale, ui.glyphs) if scale else [text]


def _beside(left: tuple[str, list[str]], right: tuple[str, list[str]], at: int, styles: tuple[str, str]) -> list[Line]:
    out: list[Line] = [[(f" {left[0]:<{at - 1}}"[:at], "head"), (right[0], "head")]]
    for y in range(max(len(left[1]), len(right[1]))):
        one = left[1][y] if y < len(left[1]) else ""
        other = right[1][y] if y < len(right[1]) else ""
        out.append([(f" {one:<{at - 1}}"[:at], styles[0]), (other, styles[1])])
    return [*out, [("", "ink")]]
