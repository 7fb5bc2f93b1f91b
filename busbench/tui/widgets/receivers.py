"""Receivers that are watched beside the first: their timelines one above the other, and when all were out."""

from __future__ import annotations

import numpy as np

from busbench.analysis.coincidence import find_overlaps, join_spans
from busbench.errors import pluralize, sanitize
from busbench.model import I64
from busbench.tui.app_state import AppState
from busbench.tui.session import Session
from busbench.tui.text import Line, duration, fit
from busbench.tui.widgets.frame import event_cells, joined


def beside_lines(ui: AppState, lo: int, hi: int, width: int) -> list[Line]:
    """A word and a timeline for each receiver beside the first, and when all were out; nothing where there is none.

    Args:
        ui: the sessions.
        lo, hi: places between which the timelines go, those of the first.
        width: cells.
    """
    if not ui.beside:
        return []
    out: list[Line] = []
    for session in ui.beside:
        out.append([(fit(f" {_words(session)}", width, more=ui.glyphs.more), "head")])
        out.append(joined(event_cells(ui, lo, hi, width, session=session)))
    return [*out, [(fit(f" {_out_at_once(ui)}", width, more=ui.glyphs.more), "ink")]]


def _words(session: Session) -> str:
    losses = session.losses
    ratio = f", {100 * losses.missed / losses.expected:.3g} %" if losses.expected else ""
    return (
        f"{sanitize(session.title)}: {session.link}, {losses.missed:,} of"
        f" {pluralize(losses.expected, 'frame')} missed{ratio}"
    )


def _out_at_once(ui: AppState) -> str:
    sessions = [ui.needs, *ui.beside]
    if not all(session.clock.is_known for session in sessions):
        return "no times: what coincides is unknown"
    spans: list[I64] = [join_spans(np.column_stack([one.events.start, one.events.end]), 0) for one in sessions]
    every = "both" if len(sessions) == 2 else f"all {len(sessions)}"
    _, uncovered = find_overlaps(spans)
    if not uncovered:
        return f"never {every} out at once"
    total, longest = sum(uncovered) / 1e9, max(uncovered) / 1e9
    count = f"{every} out at once {pluralize(len(uncovered), 'time')}"
    return f"{count}: {duration(total)} in all, {duration(longest)} at most"
