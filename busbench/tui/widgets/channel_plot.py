"""One channel large: the whole session above, its window with scale and cursor, others over it, figures beside."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from busbench.errors import pluralize, sanitize
from busbench.model import I64
from busbench.tui.app_state import AppState
from busbench.tui.draw import WIRE_MAX, bands, drawn_range
from busbench.tui.plotting import Envelope, Plotter, unbroken
from busbench.tui.text import UNIT_WORDS, Line, difference_words, duration, fit, place_words, value_words, width_of
from busbench.tui.widgets.frame import cell_of, event_cells, joined
from busbench.tui.window import timeline_window
from busbench.wire.frame_spec import CHANNELS

_AXIS = 8  # cells of the scale at the left
_FIGURES = 25  # cells of the figures at the right
_BESIDE = 96  # cells from which figures are beside the plot
_MOMENT_S = 2.0  # before and after
_LETTERS = "abcdefgh"  # of channels over the plot
_OVERLAY_STYLES = ("span", "mark", "lost", "warn")

Cell = tuple[str, str]


def plot_lines(
    ui: AppState,
    plotter: Plotter,
    width: int,
    height: int,
    *,
    others: Sequence[int],
    anchor: int | None,
    seek: Callable[..., object],
) -> list[Line]:
    """All of it."""
    session = ui.needs
    lo, hi = timeline_window(session, ui.zoom)
    has_figures = width >= _BESIDE
    cells = width - _AXIS - (_FIGURES if has_figures else 0)
    points = cells if ui.glyphs.levels else 2 * cells
    view = plotter.envelope(lo, hi, points)
    out: list[Line] = [_title(ui, view, width)]
    over = 2 if height >= 18 else 1
    out += _overview(ui, plotter, cells, over)
    seek(1, _AXIS, _AXIS + cells, session.start, session.end, over + 1)
    legend = _legend(ui, others, width)
    figures = [] if has_figures else _figure_rows(ui, view, width, anchor)
    rows = max(3, height - len(out) - 2 - len(legend) - len(figures))
    seek(len(out), _AXIS, _AXIS + cells, lo, hi, rows)
    out += _plot(ui, view, cells, rows, others, channel=ui.channel, place=session.place, anchor=anchor)
    out.append([(" " * _AXIS, "ink"), *joined(event_cells(ui, lo, hi, cells))])
    labels = place_words(session, lo), place_words(session, hi)
    out.append([(" " * _AXIS, "ink"), (labels[0] + labels[1].rjust(cells - len(labels[0])), "dim")])
    if has_figures:
        told = _figures(ui, view, anchor)
        for y, (name, value) in enumerate(told[: len(out) - 1], start=1):
            gap = width - _FIGURES - width_of(out[y])
            out[y] = [*out[y], (" " * max(0, gap), "ink"), (f" {name:<11}", "name"), (value, "title")]
    return [*out, *legend, *figures][:height]


def _title(ui: AppState, view: Envelope, width: int) -> Line:
    session, channel = ui.needs, ui.channel
    data = session.channel_rows(2)
    name = sanitize(session.names.get(channel + 1, ""))
    state = data.states[channel]
    value = "-" if data.row < 0 else _value(ui, int(data.values[channel]), channel)
    unit = "" if channel >= CHANNELS else f" {UNIT_WORDS[ui.unit]}"
    left = f" channel {channel + 1}{f' {name}' if name else ''}   {value}{unit}   {state}"
    span = (
        duration((view.hi - view.lo) / session.store.ticks_per_s)
        if session.clock.is_known
        else f"{view.hi - view.lo} frames"
    )
    right = f"window {span} "
    return [(fit(left, width - len(right)), "title"), (right, "dim")]


def _overview(ui: AppState, plotter: Plotter, cells: int, rows: int) -> list[Line]:
    """The whole session, and below it which part of it the plot shows."""
    session, glyphs = ui.needs, ui.glyphs
    start, end = session.start, max(session.end, session.start + 1)
    if session.is_live:  # it grows: it is looked at again now and then
        step = 1 << max(0, (end - start).bit_length() - 8)
        whole = plotter.envelope(start, start + max(step, (end - start) // step * step), 2 * cells)
    else:
        whole = plotter.envelope(start, end, 2 * cells)
    low, high = _ends(ui, whole, ui.channel)
    pens = bands(*unbroken(whole.lows[ui.channel], whole.highs[ui.channel]), (low, high), cells, rows, glyphs)
    out: list[Line] = [[(fit("whole" if not y else "", _AXIS), "dim"), (one, "dim")] for y, one in enumerate(pens)]
    lo, hi = timeline_window(session, ui.zoom)
    marked = event_cells(ui, start, end, cells)
    first, last = cell_of(lo, start, end, cells), cell_of(hi, start, end, cells)
    marked[first : last + 1] = [(glyphs.span, "span") if one[1] == "rule" else one for one in marked[first : last + 1]]
    at = cell_of(session.place, start, end, cells)
    marked[at] = marked[at][0], "key"
    out.append([(" " * _AXIS, "ink"), *joined(marked)])
    return out


def moment_lines(ui: AppState, plotter: Plotter, width: int, height: int, *, channel: int, place: int) -> list[Line]:
    """A channel from two seconds before a place on the axis to two seconds after it."""
    session, cells = ui.needs, width - _AXIS
    reach = round(_MOMENT_S * session.store.ticks_per_s)
    lo, hi = place - reach, place + reach
    view = plotter.envelope(lo, hi, cells if ui.glyphs.levels else 2 * cells)
    name = sanitize(session.names.get(channel + 1, ""))
    head = f" channel {channel + 1}{f' {name}' if name else ''} around {place_words(session, place)}"
    labels = place_words(session, lo), place_words(session, hi)
    return [
        [(fit(head, width), "head")],
        *_plot(ui, view, cells, height - 3, (), channel=channel, place=place),
        [(" " * _AXIS, "ink"), *joined(event_cells(ui, lo, hi, cells))],
        [(" " * _AXIS, "ink"), (labels[0] + labels[1].rjust(cells - len(labels[0])), "dim")],
    ]


def _plot(
    ui: AppState,
    view: Envelope,
    cells: int,
    rows: int,
    others: Sequence[int],
    *,
    channel: int,
    place: int,
    anchor: int | None = None,
) -> list[Line]:
    glyphs = ui.glyphs
    common = _common_ends(view, [channel, *others]) if ui.is_common_scale else None
    low, high = _ends(ui, view, channel, common=common)
    pens = bands(*unbroken(view.lows[channel], view.highs[channel]), (low, high), cells, rows, glyphs)
    canvas: list[list[Cell]] = [[(one, "pen") for one in line] for line in pens]
    for at, other in enumerate(others):
        if other == channel:
            continue
        style = _OVERLAY_STYLES[at % len(_OVERLAY_STYLES)]
        ends = _ends(ui, view, other, common=common)
        for x, y in enumerate(_heights(view.lows[other], view.highs[other], ends, cells, rows).tolist()):
            if y >= 0 and (x + at) % 2 == 0:  # every other cell, so that one does not hide the next
                canvas[rows - 1 - y][x] = _LETTERS[at % len(_LETTERS)], style
    if anchor is not None and view.lo <= anchor < view.hi:
        _cursor(canvas, cell_of(anchor, view.lo, view.hi, cells), glyphs.bar, "mark", "A")
    _cursor(canvas, cell_of(place, view.lo, view.hi, cells), glyphs.bar, "here", "" if anchor is None else "B")
    middle = rows // 2
    labels = {0: high, rows - 1: low}
    if rows >= 7:
        labels[middle] = low + (high - low) * (rows - 1 - middle) // (rows - 1)
    axis = [_value(ui, labels[y], channel) if y in labels else "" for y in range(rows)]
    return [[(f"{text:>{_AXIS - 1}} ", "dim"), *joined(line)] for text, line in zip(axis, canvas, strict=True)]


def _cursor(canvas: list[list[Cell]], x: int, bar: str, style: str, letter: str) -> None:
    """A bar through a column, its letter at the top."""
    for line in canvas:
        line[x] = (line[x][0] if line[x][0] not in (" ", "\u2800") else bar), style
    if letter:
        canvas[0][x] = letter, style


def _heights(lows: I64, highs: I64, ends: tuple[int, int], cells: int, rows: int) -> I64:
    """Row from the bottom of the middle of each column, -1 where no frame came, int64 (cells,)."""
    each = lows.size // cells
    high, low = (
        highs.reshape(cells, each).max(axis=1),
        np.where(lows < 0, WIRE_MAX, lows).reshape(cells, each).min(axis=1),
    )
    at = ((high + low) // 2 - ends[0]) * rows // max(1, ends[1] - ends[0] + 1)
    heights: I64 = np.where(high < 0, -1, np.clip(at, 0, rows - 1))
    return heights


def _ends(ui: AppState, view: Envelope, channel: int, *, common: tuple[int, int] | None = None) -> tuple[int, int]:
    """Counts at the bottom and the top: the range in the window, that of several channels, or the line's."""
    found = view.range_of(channel)
    if channel >= CHANNELS:
        return 0, 1
    if common is not None:
        return common
    if ui.is_common_scale or found is None:
        return 0, WIRE_MAX
    low, high = drawn_range(np.array([found[0]], np.uint16), np.array([found[1]], np.uint16))
    return int(low[0]), int(high[0])


def _common_ends(view: Envelope, channels: Sequence[int]) -> tuple[int, int] | None:
    """The range in the window of several channels together, None of one alone."""
    found = [view.range_of(channel) for channel in set(channels) if channel < CHANNELS]
    ranges = [one for one in found if one is not None]
    if len(ranges) < 2:
        return None
    low, high = min(one[0] for one in ranges), max(one[1] for one in ranges)
    ends = drawn_range(np.array([low], np.uint16), np.array([high], np.uint16))
    return int(ends[0][0]), int(ends[1][0])


def _value(ui: AppState, counts: int, channel: int) -> str:
    return value_words(counts, channel, ui.unit, ui.needs.scale)


def _between(ui: AppState, anchor: int) -> list[tuple[str, str]]:
    """Time and value from the second cursor to the place."""
    session, channel = ui.needs, ui.channel
    ticks = session.place - anchor
    time = duration(ticks / session.store.ticks_per_s) if session.clock.is_known else f"{ticks} frames"
    ends = [session.value_at(channel, place) for place in (anchor, session.place)]
    shown = ["no frame" if one is None else _value(ui, one, channel) for one in ends]
    out = [("A to B", time), ("value at A", shown[0]), ("value at B", shown[1])]
    if ends[0] is not None and ends[1] is not None and channel < CHANNELS:
        out.append(("change", difference_words(ends[0], ends[1], ui.unit, session.scale)))
    return [*out, ("", "")]


def _figures(ui: AppState, view: Envelope, anchor: int | None) -> list[tuple[str, str]]:
    """Names and values of what is between the cursors, and in the window."""
    session, channel = ui.needs, ui.channel
    found = view.range_of(channel)
    missed = session.events.missing_within(view.lo, view.hi)
    out = [] if anchor is None else _between(ui, anchor)
    out += [("in window", ""), ("frames", f"{view.frames:,}"), ("missing", f"{missed:,}")]
    if found is not None:
        out += [("min", _value(ui, found[0], channel)), ("max", _value(ui, found[1], channel))]
        if channel < CHANNELS:
            out.append(("range", f"{found[1] - found[0]} counts"))
    if view.means is not None and channel < CHANNELS:
        out.append(("mean", _value(ui, round(float(view.means[channel])), channel)))
    if view.changes is not None:
        out.append(("changes", f"{int(view.changes[channel]):,}"))
    marks = sum(view.lo <= session.mark_place(mark) <= view.hi for mark in session.marks)
    return [*out, ("annotated", pluralize(marks, "time"))] if marks else out


def _figure_rows(ui: AppState, view: Envelope, width: int, anchor: int | None) -> list[Line]:
    """As many of the figures as have room, the first ones."""
    words = ""
    for name, value in _figures(ui, view, anchor):
        longer = f"{words}{'   ' if words else ' '}{name} {value}"
        if value and len(longer) <= width:
            words = longer
    return [[(fit(words, width), "ink")]]


def _legend(ui: AppState, others: Sequence[int], width: int) -> list[Line]:
    if not [one for one in others if one != ui.channel]:
        return []
    names = ui.needs.names
    scale = "on one scale" if ui.is_common_scale else "each on its own scale"
    line: Line = [(f" over it, {scale}: ", "dim")]
    for at, other in enumerate(others):
        if other != ui.channel:
            label = sanitize(names.get(other + 1, ""))
            line += [(_LETTERS[at % len(_LETTERS)], _OVERLAY_STYLES[at % len(_OVERLAY_STYLES)])]
            line += [(f" {other + 1}{f' {label}' if label else ''}  ", "ink")]
    used, out = 0, []
    for text, style in line:
        room = width - used
        out.append((fit(text, min(room, width_of([(text, "")])), more=ui.glyphs.more), style))
        used += width_of([out[-1]])
    return [out]
