"""All channels: one row each."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import partial

from busbench.errors import sanitize
from busbench.model import I16, U16
from busbench.tui.app_state import AppState
from busbench.tui.channels import TRACE_S, ChannelRows, ChannelState
from busbench.tui.draw import WIRE_MAX, drawn_range, ruler, traces
from busbench.tui.live import LiveSession
from busbench.tui.plotting import Plotter
from busbench.tui.session import Session
from busbench.tui.store import ROWS_A_SECOND
from busbench.tui.text import UNIT_WORDS, Line, duration, fit, scale_words, value_words, width_of, wrap
from busbench.tui.widgets.channel_plot import plot_lines
from busbench.tui.widgets.line_widget import LineWidget
from busbench.wire.frame_spec import ALL_CHANNELS, CHANNELS

# A shape, since colour alone says no state, and a style.
_LOOKS: dict[ChannelState, tuple[str, str]] = {
    ChannelState.MOVING: ("~", "pen"),
    ChannelState.AT_END: ("|", "warn"),
    ChannelState.PAST_END: ("!", "warn"),
    ChannelState.GLITCH: ("*", "gap"),
    ChannelState.NONE: ("x", "gap"),
    ChannelState.ON: ("1", "pen"),
    ChannelState.FAILSAFE: ("f", "failsafe"),
    ChannelState.LOST: ("l", "lost"),
    ChannelState.DAMAGED: ("d", "damaged"),
}
_STATE_CELLS = 10
_PATIENCE_S = 1.0
_SCALE_CELLS = 6  # on both sides of a trace: what its bottom and its top mean
_ROWS_MOST = 4
_HEAD_ROWS = 2
_ON = 1000  # height of a on/off channel that is on, where traces are drawn


class ChannelLines(LineWidget):
    """All channels in one widget: one drawing a tick, only changed lines are sent. Or one of them large."""

    def __init__(self, ui: AppState) -> None:
        super().__init__(ui)
        self.is_large = False
        self.others: list[int] = []  # channels drawn over the large one
        self._anchor: tuple[Session, int] | None = None  # where the second cursor is
        self._plotter: tuple[Session, Plotter] | None = None

    def lines(self, width: int, height: int) -> list[Line]:
        """A head, then the rows; where no frame came so far, why that may be."""
        session = self.ui.needs
        if isinstance(session, LiveSession) and not len(session.store) and session.seconds(session.end) > _PATIENCE_S:
            return _no_frames(session, width, height)
        if self.is_large and len(session.store):
            if self._plotter is None or self._plotter[0] is not session:
                self._plotter = session, Plotter(session)
            return plot_lines(
                self.ui, self._plotter[1], width, height, others=self.others, anchor=self.cursor_a, seek=self._seeks
            )
        return self._list(width, height)

    @property
    def cursor_a(self) -> int | None:
        """Place of the second cursor, None where there is none."""
        return None if self._anchor is None or self._anchor[0] is not self.ui.session else self._anchor[1]

    def toggle_cursor(self) -> None:
        """Leave a second cursor at the place, or take it away."""
        session = self.ui.needs
        self._anchor = (session, session.place) if self.cursor_a is None else None

    def choose(self, channel: int) -> None:
        """Have another channel chosen."""
        self.ui.channel = min(max(channel, 0), ALL_CHANNELS - 1)
        self.redraw()

    def wheel(self, rows: int) -> None:
        """Choose another row, or zoom."""
        if self.is_large:
            self.ui.zoom_by(1 if rows < 0 else -1)
            self.ui.draw()
        else:
            self.choose(self.ui.channel + (1 if rows > 0 else -1))

    def _list(self, width: int, height: int) -> list[Line]:
        shown = range(ALL_CHANNELS)
        if len(shown) + 1 > height:  # those around the one chosen, and how many there are before and after
            first = min(max(0, self.ui.channel - (height - 2) // 2), len(shown) - height + 2)
            shown = range(first, first + height - 2)
        out = channel_lines(
            self.ui, width, height if len(shown) == ALL_CHANNELS else height - 1, channels=shown, list_=self
        )
        if len(shown) < ALL_CHANNELS:
            words = f" {shown.start} above, {ALL_CHANNELS - shown.stop} below: up and down scroll"
            out.append([(fit(words, width), "dim")])
        return out

    def _seeks(self, y: int, x: int, end: int, lo: int, hi: int, rows: int = 1) -> None:
        """A click on the cells of some lines goes to the place below it."""

        def go(at: int) -> None:
            self.ui.needs.seek(lo + (hi - lo) * (at - x) // max(1, end - x))
            self.ui.draw()

        for line in range(y, y + rows):
            self.area(line, x, end, go)


def _no_frames(session: LiveSession, width: int, height: int) -> list[Line]:
    """What the line is, and what to do."""
    says, advice = session.no_frames
    parts = (
        (f"NO FRAMES in {duration(session.seconds(session.end))}", "gap"),
        (f"The line: {says}.", "title"),
        (f"To do: {advice}.", "ink"),
        ("s chooses another source; `busbench probe PORT` shows the bytes. Watching goes on.", "ink"),
    )
    wrapped: list[list[Line]] = [[[(f" {line}", style)] for line in wrap(text, width - 2)] for text, style in parts]
    apart: list[Line] = [[("", "ink")]] if sum(map(len, wrapped)) + len(wrapped) <= height else []
    return [line for lines in wrapped for line in (*apart, *lines)]


def channel_lines(
    ui: AppState,
    width: int,
    height: int,
    *,
    channels: Sequence[int] = range(ALL_CHANNELS),
    list_: ChannelLines | None = None,
) -> list[Line]:
    """A head, then a row for each channel.

    Args:
        width, height: cells there are; rows grow with the height.
        list_: the widget in which rows are chosen, None if they are only shown.
    """
    session, glyphs = ui.needs, ui.glyphs
    names = {number: sanitize(name) for number, name in session.names.items() if number - 1 in channels}
    name, rule, trace = columns(width, name=max((width_of([(one, "")]) for one in names.values()), default=0))
    data = session.channel_rows(trace if glyphs.levels else 2 * trace)
    curves, low, high = drawable(data.trace, data.low, data.high, is_common=ui.is_common_scale)
    bottom, top = (one.tolist() for one in drawn_range(low, high))
    tall = channel_heights(height - 1, channels=channels, named=[number - 1 for number in names])
    pens: dict[int, list[str]] = {}
    for rows in set(tall.values()):
        some = [channel for channel in channels if tall[channel] == rows]
        pens |= dict(zip(some, traces(curves[some], low[some], high[some], glyphs, rows=rows), strict=True))
    out = [_head(ui, data, name, rule, trace)]
    blank = " " * (3 + (name + 1 if name else 0) + 9 + rule)
    for channel in channels:
        label = fit(names.get(channel + 1, ""), name, more=glyphs.more) + " " if name else ""
        state, lines = data.states[channel], pens[channel]
        least, most = (_end(ui, data, channel, one[channel]) for one in (bottom, top))
        ends = [" " * _SCALE_CELLS] * (len(lines) - 1) + [f"{least:>{_SCALE_CELLS - 1}} "]
        is_held = state.is_held
        pen = "dim" if is_held else "pen"
        out.append(
            [
                _number(ui, channel, list_, is_held=is_held),
                (label, "dim" if is_held else "ink"),
                *_value(ui, data, channel),
                *_ruler(ui, data, channel, rule),
                (ends[0], "dim"),
                (lines[0], pen),
                (f" {most:<{_SCALE_CELLS - 1}}", "dim"),
                *_state(state),
            ]
        )
        out += [[(blank, "ink"), (end, "dim"), (one, pen)] for end, one in zip(ends[1:], lines[1:], strict=True)]
        if list_ is not None:
            for y in range(len(out) - len(lines), len(out)):
                list_.spot(y, 0, width, partial(list_.choose, channel))
    if len(out) > height > 1:
        words = f" {glyphs.more} {len(out) - height + 1} more channels: make the window taller"
        out[height - 1 :] = [[(fit(words, width), "warn")]]
    return out


def _number(ui: AppState, channel: int, list_: ChannelLines | None, *, is_held: bool) -> tuple[str, str]:
    """The number of a channel, with a sign where it is chosen or drawn over the large one."""
    is_chosen = list_ is not None and channel == ui.channel
    sign = ">" if is_chosen else "+" if list_ is not None and channel in list_.others else " "
    return f"{channel + 1:2d}{sign}", "chosen" if is_chosen else "dim" if is_held else "name"


def drawable(trace: I16, low: U16, high: U16, *, is_common: bool = False) -> tuple[I16, U16, U16]:
    """Traces of all 18 channels and their ranges, on/off channels with off at the bottom and on at the top.

    Args:
        trace: int16 (18, points).
        low, high: min and max of each, uint16 (18,).
        is_common: True for one range for all, that of the line.
    """
    trace, low, high = trace.copy(), low.copy(), high.copy()
    if is_common:
        low[:], high[:] = 0, WIRE_MAX
    trace[CHANNELS:][trace[CHANNELS:] > 0] = _ON
    low[CHANNELS:], high[CHANNELS:] = 0, _ON
    return trace, low, high


def channels_below(ui: AppState, width: int, height: int, *, channels: Sequence[int]) -> list[Line]:
    """Rows for the foot of another view: all of them, or the few that matter, or nothing where there is no room."""
    if len(ui.needs.store) and height >= _HEAD_ROWS + 18:
        channels = range(ALL_CHANNELS)
    elif not len(ui.needs.store) or not channels or height < _HEAD_ROWS + len(channels):
        return []
    return [[("", "ink")], *channel_lines(ui, width, height - 1, channels=channels)]


def _head(ui: AppState, data: ChannelRows, name: int, rule: int, trace: int) -> Line:
    label = fit("name", name) + " " if name else ""
    is_timed = ui.needs.clock.is_known
    span = f"last {TRACE_S:.0f} s" if is_timed else f"last {TRACE_S * ROWS_A_SECOND:.0f} frames"
    room = rule + trace + 2 * _SCALE_CELLS - 1
    if data.row >= 0 and ChannelState.NONE in data.states:
        age = f" for {duration(ui.needs.age_s)}" if is_timed else ""
        words = f"NO FRAME{age}; (last values)"
        return [
            (f"ch {label}{UNIT_WORDS[ui.unit]:>8} ", "head"),
            (fit(words, room + 1), "gap"),
            (" " * _STATE_CELLS, "head"),
        ]
    scale = scale_words(ui.unit, ui.needs.scale)
    both = next((one for one in (scale, *_shorter(scale)) if len(one) <= room), "")
    scale = fit(both, room) if len(both) + len(span) >= room else both + span.rjust(room - len(both))
    return [(f"ch {label}{UNIT_WORDS[ui.unit]:>8} {scale} {fit('  state', _STATE_CELLS)}", "head")]


def _shorter(scale: str) -> Iterator[str]:
    """The same with fewer of its parts."""
    while ", " in scale:
        scale = scale.rpartition(", ")[0]
        yield scale


def _value(ui: AppState, data: ChannelRows, channel: int) -> Line:
    if data.row < 0:
        return [(f"{'-':>8} ", "dim")]
    text = value_words(int(data.values[channel]), channel, ui.unit, ui.needs.scale)
    is_held = data.states[channel].is_held
    return [(f"{f'({text})' if is_held else text:>8} ", "dim" if is_held else "title")]


def _end(ui: AppState, data: ChannelRows, channel: int, counts: int) -> str:
    """What an end of a trace means, in four cells."""
    if data.row < 0:
        return ""
    if channel >= CHANNELS:
        return "on" if counts else "off"
    if ui.unit == "us":
        return f"{ui.needs.scale.to_us(counts):.0f}"
    return f"{ui.needs.scale.to_percent(counts):+.0f}" if ui.unit == "percent" else str(counts)


def _ruler(ui: AppState, data: ChannelRows, channel: int, width: int) -> Line:
    if data.row < 0:
        return [(ui.glyphs.rule * width, "rule")]
    low, high = int(data.low[channel]), int(data.high[channel])
    value = None if data.states[channel].is_held else int(data.values[channel])
    return ruler(value, low, high, width, ui.glyphs, top=1 if channel >= CHANNELS else WIRE_MAX)


def columns(width: int, *, name: int) -> tuple[int, int, int]:
    """Cells for the names, the ruler and the trace; `name` cells hold the longest name."""
    name = max(len("name"), min(name, width // (5 if width < 100 else 4))) if name else 0
    rest = width - (3 + (name + 1 if name else 0) + 9 + 2 * _SCALE_CELLS + _STATE_CELLS)
    rule = max(6, min(44, rest * 2 // 5))
    return name, rule, max(4, rest - rule)


def channel_heights(room: int, *, channels: Sequence[int], named: Sequence[int]) -> dict[int, int]:
    """Lines of each row: one, then more for those with a name, and for the others, as long as all fit."""
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


def _state(state: ChannelState) -> Line:
    shape, style = _LOOKS.get(state, (" ", "dim"))
    return [(fit(f"{shape} {state}", _STATE_CELLS), style)]
