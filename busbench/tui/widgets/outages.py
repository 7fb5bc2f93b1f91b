"""The outages: a timeline of the whole session, the list, and what each channel did across the chosen one."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial

import numpy as np

from busbench.analysis.outages import KINDS, Outage
from busbench.errors import sanitize
from busbench.tui.app_state import AppState
from busbench.tui.events import LETTERS
from busbench.tui.outage_list import Row
from busbench.tui.session import Across, Session
from busbench.tui.text import Line, by_cells, duration, fit, place_words, value_words, width_of, wrap
from busbench.tui.widgets.frame import cell_of, joined, strip
from busbench.tui.widgets.line_widget import LineWidget
from busbench.tui.widgets.outage_bytes import byte_lines
from busbench.tui.widgets.outage_traces import around_lines
from busbench.tui.widgets.receivers import beside_lines
from busbench.tui.window import timeline_window

_CELL = 26
_LIST_CELLS = 78
_LOW = 14  # lines up to which channels are closer together
_ENDS = (55, 63, 75)  # cells of the list with its columns up to frames, bytes, at byte


class OutageLines(LineWidget):
    """All of it.

    Args:
        ui: what is shown, and how.
    """

    def __init__(self, ui: AppState) -> None:
        super().__init__(ui)
        self.shows_frames = False  # the bytes around the chosen outage, in place of its channels

    def lines(self, width: int, height: int) -> list[Line]:
        """Summary, timeline, list, channels."""
        session = self.ui.needs
        self._see_chosen()
        texts = self._changes()
        longest = max((len(text) + 5 for text, _ in texts), default=0)
        cell = max(_CELL, longest) if height > _LOW else longest or _CELL
        rows = -(-18 // max(1, (width - 1) // cell))
        lo, hi = timeline_window(session, self.ui.zoom)
        beside = beside_lines(self.ui, lo, hi, width)
        head = [_summary(self.ui, width), self._above(width), strip(self.ui, width), *beside, _below(self.ui, width)]
        room = max(1 if texts else 3, height - len(head) - 1 - (rows + 1))
        listed = self._list(room + 1, width, at=len(head))
        if self.shows_frames and self.ui.chosen is not None:
            half = max(6, (height - len(head)) // 2)
            listed = self._list(height - len(head) - half, width, at=len(head))
            return [*head, *listed, *byte_lines(session, self.ui.chosen, width, half)]
        out = [*head, *self._beside(listed, width), *self._across(texts, cell, rows, width)]
        if len(out) > height:
            more = f" {self.ui.glyphs.more} more channels: make the window taller"
            out[height - 1 :] = [[(fit(more, width), "warn")]]
        return out

    def _see_chosen(self) -> None:
        """Something is chosen at once: the outage at the place, or the one before it, or the first."""
        ui, events = self.ui, self.ui.needs.events
        rows = ui.listed.rows(ui.needs)
        fitting = rows.indices
        if not fitting.size:
            ui.chosen = None
        elif rows.place_of(ui.chosen) is None:
            ui.chosen = int(fitting[max(0, int(np.searchsorted(events.start[fitting], ui.needs.place, "right")) - 1)])

    def go(self, index: int) -> None:
        """Choose an outage and go to it."""
        self.ui.chosen = index
        self.ui.needs.seek(int(self.ui.needs.events.start[index]))
        self.ui.draw()

    def wheel(self, rows: int) -> None:
        """Go to the outage before or after."""
        among = self.ui.listed.rows(self.ui.needs).indices
        index = self.ui.needs.jump(1 if rows > 0 else -1, chosen=self.ui.chosen, among=among)
        self.ui.chosen = self.ui.chosen if index is None else index
        self.ui.draw()

    def _beside(self, rows: list[Line], width: int) -> list[Line]:
        """The list, and right of it what all channels did, where there is room."""
        index = self.ui.chosen
        if index is None or index >= len(self.ui.needs.events):
            return rows
        pens = around_lines(self.ui, index, width - _LIST_CELLS, len(rows))
        left = [[*row, (" " * (_LIST_CELLS - width_of(row)), "ink")] for row in rows]
        return [[*row, *pen] for row, pen in zip(left, pens, strict=False)] + rows[len(pens) :]

    def _above(self, width: int) -> Line:
        """Marks, and the ends of the cut."""
        session, glyphs = self.ui.needs, self.ui.glyphs
        lo, hi = timeline_window(session, self.ui.zoom)
        cells = [(" ", "ink")] * width
        ends = [(session.cut_in, glyphs.cut_in), (session.cut_out, glyphs.cut_out)]
        cuts = {cell_of(place, lo, hi, width): one for place, one in ends if place is not None and lo <= place <= hi}
        shown = ((session.mark_place(mark), sanitize(mark.text)) for mark in session.marks)
        marks = [(cell_of(place, lo, hi, width), text) for place, text in shown if lo <= place <= hi]
        free = 0  # nothing from here on yet
        for at, words in marks:
            room = min((one for one in (*cuts, *(one for one, _ in marks)) if one > at), default=width) - at - 1
            size = width_of([(words, "")])
            if size > room and free <= at - size and not any(at - size <= one < at for one in cuts):
                cells[at - size : at + 1] = [(one, "mark") for one in by_cells(words + glyphs.mark)]
                free = at + 1
            else:
                text = glyphs.mark + fit(words, max(0, min(size, room)), more=glyphs.more)
                cells[at : at + width_of([(text, "")])] = [(one, "mark") for one in by_cells(text)]
                free = at + width_of([(text, "")])
        for at, one in cuts.items():
            cells[at] = one, "mark"
        if self.ui.beside:  # the timelines below have their names, too
            free = next((at for at, (one, _) in enumerate(cells) if one != " "), width)
            name = by_cells(fit(f" {sanitize(session.title)}", max(0, free - 1), more=glyphs.more))
            cells[: len(name)] = [(one, "head") for one in name]
        return joined(cells[:width])

    def _list(self, height: int, width: int, *, at: int) -> list[Line]:
        """A head, then rows around the chosen outage; those close together share one row."""
        session, events, listed = self.ui.needs, self.ui.needs.events, self.ui.listed
        head = f"    no. {'kind':<11}{'from':>14}{'lasted':>14}{'frames':>8}{'bytes':>8}{'at byte':>12}"
        width = max((end for end in _ENDS if end <= width), default=_ENDS[0])  # columns are whole or not there
        out: list[Line] = [[(head[:width], "head")]]
        found = listed.rows(session)
        if not found.indices.size:
            words = f" no outage of {len(events):,} fits {listed.words}" if len(events) else " no outage so far"
            return [*out, [(words, "warn" if len(events) else "good")], *([[("", "ink")]] * (height - 2))]
        for row in found.around(self.ui.chosen, height - 1):
            self.spot(at + len(out), 0, width, partial(self.go, row.first))
            if row.count == 1:
                is_chosen = row.first == self.ui.chosen
                out.append(_row(session, row.first, events.items[row.first], width=width, is_chosen=is_chosen))
            else:
                items = [events.items[index] for index in found.listed(row).tolist()]
                out.append(_group(session, row, items, width))
        return out + [[("", "ink")]] * (height - len(out))

    def _changes(self) -> list[tuple[str, str]]:
        """What each channel did across the outage chosen, with its style; empty if none is."""
        session, index = self.ui.needs, self.ui.chosen
        if index is None or index >= len(session.events):
            return []
        across = enumerate(session.across(index))
        return [(self._channel(channel, one), "pen" if _has_moved(one) else "dim") for channel, one in across]

    def _across(self, texts: list[tuple[str, str]], cell: int, rows: int, width: int) -> list[Line]:
        index = self.ui.chosen
        if not texts or index is None:
            words = "n and p choose an outage; then this shows what each channel did"
            return [[(f" {line}", "dim")] for line in wrap(words, width - 2)]
        event = self.ui.needs.events.items[index]
        words = "before, during, after" if event.kind in ("lost", "failsafe") else "before and after"
        out: list[Line] = [[(f" channels across outage {index + 1} ({event.kind}): {words}", "head")]]
        for y in range(rows):
            shown = ((channel, *texts[channel]) for channel in range(y, 18, rows))
            out.append([(" ", "ink"), *((fit(f"{ch + 1:2d} {text}", cell), style) for ch, text, style in shown)])
        return out

    def _channel(self, channel: int, one: Across) -> str:
        def show(counts: int | None) -> str:
            return "none" if counts is None else value_words(counts, channel, self.ui.unit, self.ui.needs.scale)

        if not _has_moved(one):
            return f"held {show(one.before)}"
        parts = [show(one.before)]
        if one.low is not None and one.high is not None:
            parts.append(show(one.low) if one.low == one.high else f"{show(one.low)}..{show(one.high)}")
        parts.append(show(one.after))
        return " > ".join(parts)


def _group(session: Session, row: Row, items: Sequence[Outage], width: int) -> Line:
    """Several outages close together."""
    events = session.events
    kinds = sorted({one.kind for one in items})
    start, end = int(events.start[row.first]), int(events.end[row.last])
    lasted = duration((end - start) / session.store.ticks_per_s) if session.clock.is_known else ""
    count, size = sum(one.frames for one in items), sum(one.bytes for one in items)
    name = f"{row.count} close" if len(kinds) > 1 else f"{row.count} {kinds[0]}"
    text = f" {name:<9}{place_words(session, start):>14}{lasted:>14}{count:>8,}{size:>8,}{items[0].offset:>12,}"
    letters = LETTERS[kinds[0]].upper() if len(kinds) == 1 else "+"
    return [("   ", "ink"), (f"{row.first + 1:4d} ", "dim"), (letters, kinds[0]), (text[: width - 9], "ink")]


def _has_moved(one: Across) -> bool:
    values = {value for value in (one.before, one.low, one.high, one.after) if value is not None}
    return len(values) > 1 or one.before is None or one.after is None


def _summary(ui: AppState, width: int) -> Line:
    """Kinds and the longest, closer together where that takes less than there is; which are listed, where not all."""
    session = ui.needs
    if ui.listed.words:
        count = ui.listed.rows(session).indices.size
        words = f" {count:,} of {len(session.events):,} outages listed: {sanitize(ui.listed.words)}"
        return [(fit(words, width, more=ui.glyphs.more), "mark")]
    wide, closer, close = (_summed(session, " " * gap) for gap in (3, 2, 1))
    return next((line for line in (wide, closer, close) if width_of(line) <= width), close[:-1])


def _summed(session: Session, gap: str) -> Line:
    line: Line = [(" ", "ink")]
    counts = session.events.counts
    for kind in KINDS:
        style = kind if counts[kind] else "dim"
        line += [(LETTERS[kind], style), (f" {kind} {counts[kind]}{gap}", "ink" if counts[kind] else "dim")]
    if session.events.longest_s is not None:
        line.append((f"longest {duration(session.events.longest_s)}", "ink"))
    if session.losses.bursts:
        line.append((f"{gap}in bursts", "warn"))
    return line


def _below(ui: AppState, width: int) -> Line:
    session = ui.needs
    lo, hi = timeline_window(session, ui.zoom)
    left, middle, right = (place_words(session, place) for place in (lo, (lo + hi) // 2, hi))
    gap = max(1, (width - len(left) - len(middle) - len(right)) // 2)
    return [(left + " " * gap + middle + " " * gap + right, "dim")]


def _row(session: Session, index: int, event: Outage, *, width: int, is_chosen: bool) -> Line:
    start = int(session.events.start[index])
    style = "chosen" if is_chosen else "ink"
    text = (
        f" {event.kind:<9}{place_words(session, start):>14}{duration(event.duration_s):>14}"
        f"{event.frames:>8,}{event.bytes:>8,}{event.offset:>12,}"
    )
    return [
        (" > " if is_chosen else "   ", style),
        (f"{index + 1:4d} ", style),
        (LETTERS[event.kind], event.kind),
        (text[: width - 9], style),
    ]
