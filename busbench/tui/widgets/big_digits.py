"""Large figures for a range check, readable from several metres; the state of the link is the largest."""

from __future__ import annotations

from busbench.errors import sanitize
from busbench.tui.draw import large, large_scale
from busbench.tui.session import RECENT_S, Session
from busbench.tui.text import Line, duration, fit, place_words, width_of
from busbench.tui.widgets.line_widget import LineWidget

CAPTIONS = {
    "OFF": "the port is gone",
    "PAST": "this is not now: space follows the link again",
    "DEAD": "no frame comes",
    "BAD": "the frame is damaged",
    "GONE": "failsafe",
    "LOST": "frames flagged lost",
    "?": "ambiguous: the bytes can be read in two ways",
    "READ": "outages are found once the whole recording is read",
    "LOSS": "frames come, but some were just missed",
    "OK": "frames come",
}
_ALARM_S = 1.0

Figure = tuple[str, str, str]  # caption, text, style


class BigDigits(LineWidget):
    """The link now; below it losses of the last seconds, the longest outage and the count of outages."""

    def lines(self, width: int, height: int) -> list[Line]:
        """Captions and figures."""
        session = self.ui.needs
        word = verdict(session)
        style = "good" if word == "OK" else "gap"
        scale = _alarm_scale(word, width - 2, height)
        out: list[Line] = [_caption(session, word, width)]
        out += [[(f" {line}", style)] for line in large(word, scale, self.ui.glyphs)]
        room = height - len(out) - 1
        figures = figures_of(session)
        out += (
            self._figures(figures, width, min(scale - 1 or 1, (room - 2) // 5))
            if room > 6 and scale > 1
            else _listed(figures)
        )
        out = out[: height - 1]
        return [*out, *([[("", "ink")]] * (height - 1 - len(out))), self._last_mark(session, width)][:height]

    def _figures(self, figures: list[Figure], width: int, most: int) -> list[Line]:
        """Figures side by side at the largest scale up to one at which they fit; in words where none does."""
        for scale in range(most, 0, -1):
            pictures = [large(text, scale, self.ui.glyphs) for _, text, _ in figures]
            needs = [max(len(one[0]), len(caption)) + 3 for one, (caption, _, _) in zip(pictures, figures, strict=True)]
            if sum(needs) <= width:
                break
        else:
            return _listed(figures)
        room = [need + (width - sum(needs)) // len(needs) for need in needs]
        out: list[Line] = [[("", "ink")]]
        out.append([(fit(f" {caption}", cells), "head") for (caption, _, _), cells in zip(figures, room, strict=True)])
        for y in range(5 * scale):
            parts = zip(pictures, figures, room, strict=True)
            out.append([(fit(f" {one[y]}", cells), style) for one, (_, _, style), cells in parts])
        return out

    def _last_mark(self, session: Session, width: int) -> Line:
        before = [mark for mark in session.marks if session.mark_place(mark) <= session.place]
        bell = "bell on outages: on" if self.ui.rings else "bell on outages: off"
        if not before:
            why = " m annotates: distance, motor, heading"
            return [(f" {bell}  {why if width > len(bell) + len(why) + 2 else ' m annotates'}", "dim")]
        age = duration(session.seconds(session.place) - session.seconds(session.mark_place(before[-1])))
        return [(f" {bell}   since ", "dim"), (sanitize(before[-1].text), "mark"), (f": {age}", "dim")]


def verdict(session: Session) -> str:
    """One short word for the link now, a key of CAPTIONS; OK only where nothing is wrong or was just now."""
    if session.link in ("unplugged", "port lost"):
        return "OFF"
    if session.is_live and not session.is_moving:
        return "PAST"
    words = session.flag_words
    for part, word in (("no frame", "DEAD"), ("damaged", "BAD"), ("FAILSAFE", "GONE"), ("LOST", "LOST")):
        if part in words:
            return word
    if session.link == "ambiguous":
        return "?"
    if session.link not in ("in sync", "ended"):
        return "DEAD"
    if session.progress:
        return "READ"
    return "LOSS" if session.recent_losses(_ALARM_S)[0] else "OK"


def _alarm_scale(word: str, width: int, height: int) -> int:
    """As large as it may be with figures of half its size below, or with figures in words."""
    scale = large_scale(word, width, height - 2)
    while scale > 1 and 5 * scale + 2 + 2 + 5 * max(1, scale // 2) > height:
        scale -= 1
    return max(1, scale)


def figures_of(session: Session) -> list[Figure]:
    """Frames missed lately, the longest outage, how many there were; a dash where it cannot be known."""
    missed, due = session.recent_losses()
    is_gone = session.flags is None
    missed = max(missed, int(is_gone and session.losses.period_s is not None))  # the one that is due now
    count = "-" if not due or session.progress or (is_gone and not missed) else str(missed)
    last = f"LAST {RECENT_S:.0f} S" if session.clock.is_known else f"LAST {due:,}"
    scope = "SO FAR" if session.is_live else "IN ALL"
    unit, longest = "S", _seconds(session.events.longest_s)
    if not session.clock.is_known:
        unit, longest = "FRAMES", f"{max((one.frames for one in session.events.items), default=0)}"
    outages = str(len(session.events))
    if not session.losses.frames:
        longest = outages = "-"
    elif is_gone and not len(session.events):
        longest, outages = "-", "1"
    return [
        (f"MISSED, {last}", count, "good" if count == "0" else "gap"),
        (f"LONGEST OUTAGE, {unit}", longest, "ink"),
        (f"OUTAGES {scope}", outages, "ink"),
    ]


def _caption(session: Session, word: str, width: int) -> Line:
    place = "NOW" if session.is_live and session.is_moving else f"AT {place_words(session, session.place).upper()}"
    text = f" LINK {place}: {CAPTIONS[word]} "
    return [(fit(text, min(width, width_of([(text, "")]))), "head" if word in ("OK", "READ") else "bad")]


def _listed(figures: list[Figure]) -> list[Line]:
    """Figures in words, one a line."""
    return [[(f" {caption}: ", "head"), (text, style)] for caption, text, style in figures]


def _seconds(value_s: float | None) -> str:
    if not value_s:
        return "0"
    return f"{value_s:.2f}" if value_s < 10 else f"{value_s:.0f}"
