"""Pictures of all channels around an outage."""

from __future__ import annotations

import numpy as np

from busbench.errors import sanitize
from busbench.tui.app_state import AppState
from busbench.tui.channels import between
from busbench.tui.draw import traces
from busbench.tui.session import Session
from busbench.tui.text import Line, fit, width_of
from busbench.tui.widgets.channels import channel_heights, drawable
from busbench.tui.widgets.frame import event_cells, joined
from busbench.wire.frame_spec import ALL_CHANNELS

_AROUND_S, _INSIDE_S = 2.0, 6.0  # before and after it, and of a long one its first seconds
_WIDTH_LEAST, _HEIGHT_LEAST = 36, 20
_NAMED_WIDTH = 70


def around_lines(ui: AppState, index: int, width: int, height: int) -> list[Line]:
    """A head, the outage by its letter, and a line of pen for each channel; nothing where there is no room."""
    if width < _WIDTH_LEAST or height < _HEIGHT_LEAST:
        return []
    session, glyphs = ui.needs, ui.glyphs
    lo, hi, words = _window(session, index)
    names = {number: sanitize(one) for number, one in session.names.items()} if width >= _NAMED_WIDTH else {}
    name = min(max((width_of([(one, "")]) + 1 for one in names.values()), default=0), width // 4)
    cells = width - 3 - name
    trace = between(
        session.store, lo, hi, points=cells if glyphs.levels else 2 * cells, stale_ns=round(session.stale_s * 1e9)
    )
    came = trace >= 0
    low = np.where(came, trace, 2047).min(axis=1).astype(np.uint16)
    curves, low, high = drawable(trace, low, np.where(came, trace, 0).max(axis=1).astype(np.uint16))
    tall = channel_heights(height - 2, channels=range(ALL_CHANNELS), named=[number - 1 for number in names])
    out: list[Line] = [[(fit(words, width, more=glyphs.more), "head")]]
    out.append([(" " * (3 + name), "ink"), *joined(event_cells(ui, lo, hi, cells))])
    for channel in range(ALL_CHANNELS):
        part = slice(channel, channel + 1)
        (pens,) = traces(curves[part], low[part], high[part], glyphs, rows=tall[channel])
        label = fit(names.get(channel + 1, ""), name, more=glyphs.more) if name else ""
        out.append([(f"{channel + 1:2d} ", "name"), (label, "ink"), (pens[0], "pen")])
        out += [[(" " * (3 + name), "ink"), (pen, "pen")] for pen in pens[1:]]
    return out


def _window(session: Session, index: int) -> tuple[int, int, str]:
    """From where to where on the axis, and the same for people."""
    start, end = int(session.events.start[index]), int(session.events.end[index])
    tick = session.store.ticks_per_s
    most = start + round(_INSIDE_S * tick)
    far = min(max(end, start), most) + round(_AROUND_S * tick)
    if not session.clock.is_known:
        count = round(_AROUND_S * tick)
        return start - count, far, f"{count} frames before to {count} after outage {index + 1}"
    words = f"from {_AROUND_S:g} s before outage {index + 1} to {_AROUND_S:g} s after"
    if end > most:
        words = f"from {_AROUND_S:g} s before outage {index + 1} to {(far - start) / tick:g} s into it"
    return start - round(_AROUND_S * tick), far, words
