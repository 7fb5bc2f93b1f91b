"""A locked program over time with its limits, how much was sent and what came back; and all channels beside it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from busbench.drive.dry_run import DryRun
from busbench.drive.program import Program
from busbench.errors import sanitize
from busbench.model import I64
from busbench.tui.app_state import AppState
from busbench.tui.draw import bands, ruler
from busbench.tui.plotting import Envelope, unbroken
from busbench.tui.text import UNIT_WORDS, Line, fit, value_words
from busbench.tui.widgets.frame import cell_of, joined
from busbench.wire.frame_spec import ALL_CHANNELS, CHANNELS

AXIS = 16  # cells of the axis at the left
TABLE_ROWS = 1 + ALL_CHANNELS
_LIMITS_ROWS = 7  # of a plot from which it reaches to the limits
_HEARD = "o"
_BLANK = (" ", "\u2800")
_VALUE = 9
_LIMIT = 17
_TICKS = 4  # parts of the time axis


@dataclass(frozen=True, slots=True, eq=False)
class ProgramLook:
    """A program inside its limits, worked out before anything is sent."""

    program: Program | None  # None if the settings make none
    seen: DryRun | None
    drawn: list[str]  # drawing and list for a narrow window, or what is wrong with the settings
    listed: list[str]  # what each channel will do
    driven: list[str]  # the same of the one that is driven, and what comes after the last frame


def program_lines(
    ui: AppState,
    look: ProgramLook,
    width: int,
    height: int,
    *,
    channel: int,
    now_s: float | None = None,
    heard: Envelope | None = None,
) -> list[Line]:
    """The way of one channel from start to end, and below it the time.

    Args:
        ui: glyphs and unit.
        look: the program.
        width, height: cells there are.
        channel: its index.
        now_s: what was sent so far, None before the start.
        heard: what came back in the time of the program, None if nothing did.
    """
    program, seen = look.program, look.seen
    cells, rows = width - AXIS, height - 1
    if program is None or seen is None or rows < 1 or cells < 20:
        return []
    marks = _marks(program, seen, channel, is_wide=rows >= _LIMITS_ROWS)
    low, high = min(marks), max(marks)
    pens = bands(*unbroken(seen.low[:, channel], seen.high[:, channel]), (low, high), cells, rows, ui.glyphs)
    here = cells if now_s is None else cell_of(round(now_s * 1e6), 0, round(seen.duration_s * 1e6), cells)

    def row_of(counts: int) -> int:
        return rows - 1 - min(rows - 1, (counts - low) * rows // max(1, high - low))

    levels = {row_of(counts): (counts, words) for counts, words in sorted(marks.items(), key=lambda one: bool(one[1]))}
    out: list[Line] = []
    answers = _heights(heard, channel, (low, high), cells, rows)
    for y, pen in enumerate(pens):
        counts, words = levels.get(y, (None, ""))
        blank = ui.glyphs.rule if words.startswith("limit") else ui.glyphs.flat if words else " "
        styled = [
            (blank, "rule") if one in _BLANK else (one, "pen" if x <= here else "dim") for x, one in enumerate(pen)
        ]
        for x in np.flatnonzero(answers == rows - 1 - y).tolist():
            styled[x] = _HEARD, "span"
        if here < cells:
            styled[here] = (ui.glyphs.bar if styled[here][0] in (blank, " ") else styled[here][0]), "here"
        value = "" if counts is None else _value(ui, program, channel, counts)
        out.append([(f"{f'{words} {value}':>{AXIS - 1}} ", "dim"), *joined(styled)])
    return [*out, _times(seen.duration_s, cells)]


def channel_table(
    ui: AppState, look: ProgramLook, width: int, *, sent: object, heard: object, channel: int
) -> list[Line]:
    """A head, then for each channel what it does, its rest and limits, what is sent now and what came back.

    Args:
        sent, heard: values of all channels now, None if there are none.
        channel: index of the one that is driven.
    """
    program = look.program
    if program is None:
        return []
    names = ui.needs.names
    name = min(34, width // 6)
    does = 24
    rule = width - (5 + name + 1 + does + 1 + _VALUE + 3 + _LIMIT + 2 * _VALUE + 2)
    rest_head = f"rest, {UNIT_WORDS[ui.unit]}"
    head = f"  ch {fit('name', name)} {fit('does', does)} {rest_head:>{_VALUE + 3}}{'limits':>{_LIMIT}}"
    head += f"{'sent':>{_VALUE}}{'received':>{_VALUE}}  travel and value"
    out: list[Line] = [[(fit(head, width), "head")]]
    for at in range(ALL_CHANNELS):
        is_driven, is_locked = at == channel, program.limits.is_locked(at)
        words = "LOCKED" if is_locked else "moves" if is_driven else "rests"
        if is_driven and not is_locked:
            words = next((part.shape.words() for part in program.parts if part.channel == at), words)
        rest, low, high = _bounds(program, at)
        now = sent[at] if isinstance(sent, np.ndarray) else None
        limits = "" if is_locked or at >= CHANNELS else " to ".join(_value(ui, program, at, one) for one in (low, high))
        values = "".join(f"{_shown(ui, program, at, one):>{_VALUE}}" for one in (sent, heard))
        label = fit(sanitize(names.get(at + 1, "")), name, more=ui.glyphs.more)
        style = "pen" if is_driven else "dim" if is_locked else "ink"
        line: Line = [(f" {'>' if is_driven else ' '}{at + 1:2d} {label} ", "chosen" if is_driven else style)]
        line += [(fit(words, does, more=ui.glyphs.more), "warn" if is_locked else style)]
        line += [(f" {_value(ui, program, at, rest):>{_VALUE + 3}}{limits:>{_LIMIT}}", "dim"), (values, style)]
        top = {"top": 1} if at >= CHANNELS else {}
        pieces = ruler(rest if now is None else int(now), low, high, rule, ui.glyphs, **top)
        out.append([*line, ("  ", "ink"), *pieces])
    return out


def _marks(program: Program, seen: DryRun, channel: int, *, is_wide: bool) -> dict[int, str]:
    """Levels with a word beside them: rest, the ends of the way, and where there is room the limits."""
    rest, low, high = _bounds(program, channel)
    least, most = int(seen.least[channel]), int(seen.most[channel])
    marks = {least: "", most: ""}
    if is_wide and not program.limits.is_locked(channel) and channel < CHANNELS:
        marks |= {low: "limit", high: "limit"}
    marks[rest] = "LOCKED" if program.limits.is_locked(channel) else "rest"
    if len(marks) == 1:
        marks = ({rest - 8: "", rest + 8: ""} if channel < CHANNELS else {0: "", 1: ""}) | marks
    return marks


def _bounds(program: Program, channel: int) -> tuple[int, int, int]:
    """Rest, low and high of a channel; of a locked one it is all rest."""
    limits = program.limits
    if channel >= CHANNELS:
        rest = int(limits.switches_rest[channel - CHANNELS])
        return (rest, rest, rest) if limits.is_locked(channel) else (rest, 0, 1)
    one = limits.channels[channel]
    return (one.rest, one.rest, one.rest) if one.is_locked else (one.rest, one.low, one.high)


def _heights(heard: Envelope | None, channel: int, ends: tuple[int, int], cells: int, rows: int) -> I64:
    """Row from the bottom of what was heard in every second column, -1 elsewhere, int64 (cells,)."""
    if heard is None:
        return np.full(cells, -1, np.int64)
    at = np.arange(cells) * heard.lows.shape[1] // cells
    low, high = heard.lows[channel][at], heard.highs[channel][at]
    row = np.clip(((low + high) // 2 - ends[0]) * rows // max(1, ends[1] - ends[0] + 1), 0, rows - 1)
    return np.where((high < 0) | (np.arange(cells) % 2 == 1), -1, row)


def _times(duration_s: float, cells: int) -> Line:
    text = ""
    for at in range(_TICKS):
        text = text.ljust(at * cells // _TICKS) + f"{duration_s * at / _TICKS:.3g} s"
    end = f"{duration_s:.3g} s"
    return [(" " * AXIS, "ink"), (text.ljust(cells - len(end))[: cells - len(end)] + end, "dim")]


def _shown(ui: AppState, program: Program, channel: int, values: object) -> str:
    return _value(ui, program, channel, int(values[channel])) if isinstance(values, np.ndarray) else "-"


def _value(ui: AppState, program: Program, channel: int, counts: int) -> str:
    return value_words(counts, channel, ui.unit, program.scale)
