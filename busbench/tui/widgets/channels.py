"""The lanes: a line for each of the 18 channels."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from busbench.errors import sanitize
from busbench.model import U16
from busbench.tui.app_state import AppState
from busbench.tui.channels import (
    AT_END,
    DAMAGED,
    FAILSAFE,
    GLITCH,
    LOST,
    MOVING,
    NONE,
    ON,
    PAST_END,
    TRACE_S,
    ChannelRows,
)
from busbench.tui.draw import I16, ruler, traces
from busbench.tui.store import ROWS_A_SECOND
from busbench.tui.text import UNIT_WORDS, Line, fit, scale_words, value_words, width_of
from busbench.tui.widgets.line_widget import LineWidget
from busbench.wire.codec import CHANNELS
from busbench.wire.frame_spec import ALL_CHANNELS

_STYLES = {
    MOVING: "pen",
    AT_END: "warn",
    PAST_END: "warn",
    GLITCH: "gap",
    NONE: "dim",
    ON: "pen",
    FAILSAFE: "failsafe",
    LOST: "lost",
    DAMAGED: "damaged",
}
# Told by shape as well as by word.
_SHAPES = {
    MOVING: "~",
    AT_END: "|",
    PAST_END: "!",
    GLITCH: "*",
    NONE: " ",
    ON: "1",
    FAILSAFE: "f",
    LOST: "l",
    DAMAGED: "d",
}
_STATE_CELLS = 10
_ROWS_MOST = 4
_HEAD_ROWS = 2
_ON = 1000  # height of a two-state channel that is on, where traces are drawn


class ChannelLines(LineWidget):
    """All lanes in one widget: one drawing a tick, only changed lines are sent."""

    def lines(self, width: int, height: int) -> list[Line]:
        """A head, then the lanes."""
        return lane_lines(self.ui, width, height)


def lane_lines(ui: AppState, width: int, height: int, *, channels: Sequence[int] = range(ALL_CHANNELS)) -> list[Line]:
    """A head, then a lane for each channel.

    Args:
        ui: its session is drawn.
        width, height: cells there are; lanes grow with the height.
        channels: indices of those to show.
    """
    session, glyphs = ui.needs, ui.glyphs
    names = {number: sanitize(name) for number, name in session.names.items() if number - 1 in channels}
    name, rule, trace = columns(width, name=max((width_of([(one, "")]) for one in names.values()), default=0))
    lanes = session.lanes(trace if glyphs.levels else 2 * trace)
    curves, low, high = drawable(lanes.trace, lanes.low, lanes.high)
    tall = lane_rows(height - 1, channels=channels, named=[number - 1 for number in names])
    pens: dict[int, list[str]] = {}
    for rows in set(tall.values()):
        some = [channel for channel in channels if tall[channel] == rows]
        pens |= dict(zip(some, traces(curves[some], low[some], high[some], glyphs, rows=rows), strict=True))
    out = [_head(ui, name, rule, trace)]
    for channel in channels:
        label = fit(names.get(channel + 1, ""), name, more=glyphs.more) + " " if name else ""
        out.append(
            [
                (f"{channel + 1:2d} ", "name"),
                (label, "ink"),
                *_value(ui, lanes, channel),
                *_ruler(ui, lanes, channel, rule),
                (" " + pens[channel][0] + " ", "pen"),
                *_state(lanes.states[channel]),
            ]
        )
        blank = " " * (3 + (name + 1 if name else 0) + 9 + rule + 1)
        out += [[(blank, "ink"), (pen, "pen")] for pen in pens[channel][1:]]
    if len(out) > height > 1:
        words = f" {glyphs.more} {len(out) - height + 1} more channels: make the window taller"
        out[height - 1 :] = [[(fit(words, width), "warn")]]
    return out


def drawable(trace: I16, low: U16, high: U16) -> tuple[I16, U16, U16]:
    """Traces of all 18 channels and their spans, those of two states with off at the bottom and on at the top."""
    trace, low, high = trace.copy(), low.copy(), high.copy()
    trace[CHANNELS:][trace[CHANNELS:] > 0] = _ON
    low[CHANNELS:], high[CHANNELS:] = 0, _ON
    return trace, low, high


def lanes_below(ui: AppState, width: int, height: int, *, channels: Sequence[int]) -> list[Line]:
    """Lanes for the foot of another view: all of them, or the few that matter, or nothing where there is no room.

    Args:
        ui: its session is drawn.
        width, height: cells that the view leaves.
        channels: indices of those that matter.
    """
    if len(ui.needs.store) and height >= _HEAD_ROWS + 18:
        channels = range(ALL_CHANNELS)
    elif not len(ui.needs.store) or not channels or height < _HEAD_ROWS + len(channels):
        return []
    return [[("", "ink")], *lane_lines(ui, width, height - 1, channels=channels)]


def _head(ui: AppState, name: int, rule: int, trace: int) -> Line:
    label = fit("name", name) + " " if name else ""
    is_timed = ui.needs.clock.is_known
    span = f"last {TRACE_S:.0f} s" if is_timed else f"last {TRACE_S * ROWS_A_SECOND:.0f} frames"
    room = rule + 1 + trace
    scale = scale_words(ui.unit, ui.needs.scale)
    both = next((one for one in (scale, *_shorter(scale)) if len(one) <= room), "")
    scale = fit(both, room) if len(both) + len(span) >= room else both + span.rjust(room - len(both))
    return [(f"ch {label}{UNIT_WORDS[ui.unit]:>8} {scale} {fit('  state', _STATE_CELLS)}", "head")]


def _shorter(scale: str) -> Iterator[str]:
    """The same with fewer of its parts."""
    while ", " in scale:
        scale = scale.rpartition(", ")[0]
        yield scale


def _value(ui: AppState, lanes: ChannelRows, channel: int) -> Line:
    if lanes.row < 0:
        return [(f"{'-':>8} ", "dim")]
    value = int(lanes.values[channel])
    if channel >= CHANNELS:
        return [(f"{'on' if value else 'off':>8} ", "title")]
    return [(f"{value_words(value, ui.unit, ui.needs.scale):>8} ", "title")]


def _ruler(ui: AppState, lanes: ChannelRows, channel: int, width: int) -> Line:
    if lanes.row < 0:
        return [(ui.glyphs.rule * width, "rule")]
    value, low, high = int(lanes.values[channel]), int(lanes.low[channel]), int(lanes.high[channel])
    if channel >= CHANNELS:
        return [*ruler(value, low, high, width, ui.glyphs, top=1)]
    return [*ruler(value, low, high, width, ui.glyphs)]


def columns(width: int, *, name: int) -> tuple[int, int, int]:
    """Cells for the names, the ruler and the trace; `name` cells hold the longest name."""
    name = max(len("name"), min(name, width // (5 if width < 100 else 4))) if name else 0
    rest = width - (3 + (name + 1 if name else 0) + 9 + 2 + _STATE_CELLS)
    rule = max(10, min(44, rest * 2 // 5))
    return name, rule, max(4, rest - rule)


def lane_rows(room: int, *, channels: Sequence[int], named: Sequence[int]) -> dict[int, int]:
    """Lines of each lane: one, then more for those with a name, and for the others, as long as all fit."""
    rows = dict.fromkeys(channels, 1)
    spare = room - len(rows)
    curves = [channel for channel in channels if channel < CHANNELS]
    groups = [[one for one in curves if (one in named) is has_name] for has_name in (True, False)]
    for most in range(2, _ROWS_MOST + 1):
        for group in groups:
            if len(group) > spare:
                return rows
            spare -= len(group)
            rows |= dict.fromkeys(group, most)
    return rows


def _state(word: str) -> Line:
    return [(fit(f"{_SHAPES.get(word, ' ')} {word}", _STATE_CELLS), _STYLES.get(word, "dim"))]
