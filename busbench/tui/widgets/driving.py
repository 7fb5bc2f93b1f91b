"""The drive screen: what is set, the cautions, the countdown, and what goes out and comes back."""

from __future__ import annotations

import math

import numpy as np

from busbench.bench.safety import CAUTIONS
from busbench.drive.dry_run import dry_run
from busbench.drive.preview import list_lines, preview_lines, scale_line
from busbench.errors import BusbenchError, sanitize
from busbench.tui.app_state import AppState
from busbench.tui.channels import TRACE_S
from busbench.tui.draw import I16, large, traces
from busbench.tui.driving import END, FIELDS, Drive, DrivePhase
from busbench.tui.text import UNIT_WORDS, Line, fit, value_words, wrap
from busbench.tui.widgets.channels import channels_below
from busbench.tui.widgets.frame import TOO_SMALL
from busbench.tui.widgets.line_widget import LineWidget
from busbench.wire.codec import unpack_channels
from busbench.wire.frame_spec import CHANNELS, FRAME_BYTES

_UNITS = {"low": " %", "high": " %", "period": " s"}
_ON = 1000  # height of a on/off channel that is on, where traces are drawn
_TRACE_ROWS_MAX = 12
_VALUE_CELLS = 10
_COUNT_SCALE_MOST = 4


class DriveLines(LineWidget):
    """All of the drive screen; the line that says how to stop is above everything."""

    def __init__(self, ui: AppState, drive: Drive) -> None:
        super().__init__(ui)
        self.drive = drive
        self.field = 0
        self.is_whole = False  # all cautions are on the screen
        self._seen: tuple[object, list[str], list[str]] = (None, [], [])

    def lines(self, width: int, height: int) -> list[Line]:
        """The bar, then what the phase has to show."""
        bar = self._bar(width)
        room = height - len(bar)
        match self.drive.phase:
            case DrivePhase.SETTING:
                return bar + self._setting(width, room)
            case DrivePhase.CAUTIONS:
                return bar + self._cautions(width, room)
            case DrivePhase.COUNTING:
                return bar + self._counting(width, room)
            case DrivePhase.MOVING:
                return bar + self._moving(width, room)

    def _bar(self, width: int) -> list[Line]:
        match self.drive.phase:
            case DrivePhase.SETTING | DrivePhase.CAUTIONS:
                return [[(fit(" STOP   nothing moves; once something does, any key stops it", width), "key")]]
            case DrivePhase.COUNTING:
                words = "S T O P     any key cancels: nothing has moved"
            case DrivePhase.MOVING if self.drive.is_stopping:
                words = "STOPPING     ramp to the rest values, then silence"
            case DrivePhase.MOVING:
                words = "S T O P     any key stops"
        return [[(fit(text.center(width), width), "bad")] for text in ("", words, "")]

    def _setting(self, width: int, height: int) -> list[Line]:
        drive = self.drive
        style = "dim" if drive.is_rehearsal or not self.ui.needs.is_live else "bad" if drive.refusal else "warn"
        out = _wrapped([drive.target], width, style)
        out += _wrapped([drive.said], width, "title") if drive.said not in ("", drive.target) else []
        cells = [self._field(at, width // 2) for at in range(len(FIELDS))]
        out += [[], *([*left, *right] for left, right in zip(cells[::2], cells[1::2], strict=True)), []]
        now, (preview, _) = drive.settings, self._words()
        room = height - len(out)
        drawn = range(2, len(preview) - 1 - preview[::-1].index("")) if "" in preview else range(0)
        if any(len(line) > width - 1 for line in preview):
            folded = ([line] if at in drawn or not line else _folded(line, width) for at, line in enumerate(preview))
            preview = [part for lines in folded for part in lines]
        if len(preview) > room:
            preview = [line for line in preview if line]
        if len(preview) > room > 0:
            left = len(preview) - room + 1
            where = "they are in a taller window" if drive.refusal else "they are with the cautions"
            more = f"{self.ui.glyphs.more} {left} more lines: {where}"
            preview = [*preview[: room - 1], more]
        out += [[(fit(f" {line}", width), "ink")] for line in preview[: max(0, room)]]
        is_heard = self.ui.needs.is_live
        return out + channels_below(self.ui, width, height - len(out) if is_heard else 0, channels=[now.channel - 1])

    def _field(self, at: int, width: int) -> Line:
        name, now = FIELDS[at], self.drive.settings
        value = f"{getattr(now, name):g}" if name == "period" else str(getattr(now, name))
        if name in ("low", "high"):
            value = f"{getattr(now, name):+d}"
        if name == "channel" and (named := self.ui.needs.names.get(now.channel)):
            value += f"  {sanitize(named)}"
        if now.channel > CHANNELS and name in ("shape", "low", "high"):
            value = {"shape": "square", "low": "off", "high": "on"}[name]
        else:
            value += _UNITS.get(name, "")
        is_chosen = at == self.field
        text = fit(f"{value}", width - 14, more=self.ui.glyphs.more)
        return [
            (f" {'>' if is_chosen else ' '} {name:<9}", "name"),
            (text, "chosen" if is_chosen else "title"),
            ("  ", ""),
        ]

    def _words(self) -> tuple[list[str], list[str]]:
        """The drawing, and the list of what each channel will do; made once for each setting."""
        now = self.drive.settings
        key = (now.channel, now.shape, now.low, now.high, now.period, now.cycles, self.ui.session, self.ui.is_ascii)
        if self._seen[0] != key:
            try:
                program = self.drive.program.program
                seen = dry_run(program, end=END)
                drawn = list(preview_lines(program, seen, end=END, is_ascii=self.ui.is_ascii))
                listed = [*list_lines(program, seen, end=END), scale_line(program, is_ascii=self.ui.is_ascii)]
            except BusbenchError as error:
                drawn = listed = [str(error)]
            self._seen = key, [sanitize(line) for line in drawn], [sanitize(line) for line in listed]
        return self._seen[1], self._seen[2]

    def _cautions(self, width: int, height: int) -> list[Line]:
        """All of it, closer together where that takes too many lines; what is left out is never left out silently."""
        cautions = _wrapped((*CAUTIONS, *self.ui.sources.cautions), width, "warn")
        enter: Line = [(" Enter: all this is seen to, count down. Escape: back.", "title")]
        target, listed = _wrapped([self.drive.target], width, "title"), self._words()[1]
        out = [*cautions, [], enter, [], *target, *_wrapped(listed, width, "ink")]
        if len(out) > height:
            out = [*cautions, enter, *target, *_wrapped(["; ".join(map(str.strip, listed))], width, "ink")]
        self.is_whole = len(out) <= height
        if not self.is_whole:
            out = [*out[: height - 1], [(fit(TOO_SMALL, width), "bad")]]
        return out

    def _counting(self, width: int, height: int) -> list[Line]:
        seconds = math.ceil(self.drive.left_s)
        cautions = _wrapped((*CAUTIONS, *self.ui.sources.cautions), width, "warn")
        scale = max(1, min(_COUNT_SCALE_MOST, (height - len(cautions) - 3) // 5))
        out: list[Line] = [[(f" moving in {seconds} s: {self._what()}", "title")], []]
        out += [[(f"   {line}", "warn")] for line in large(str(seconds), scale, self.ui.glyphs)]
        return [*out, [], *cautions]

    def _what(self) -> str:
        now = self.drive.settings
        name = sanitize(self.ui.needs.names.get(now.channel, ""))
        where = "rehearsal, nothing is sent" if self.drive.is_rehearsal else sanitize(self.ui.needs.source)
        return f"{where}: channel {now.channel}{f' ({name})' if name else ''}"

    def _moving(self, width: int, height: int) -> list[Line]:
        drive, at = self.drive, self.drive.settings.channel - 1
        sent_t, sent = _table([(one.t_s, one.data) for one in drive.sent])
        columns = max(2, width // 54)
        table_rows = -(-18 // columns)
        points = (width - 2) * (1 if self.ui.glyphs.levels else 2)
        pens = [(f"commanded, last {TRACE_S:.0f} s", _sampled(sent_t, sent[:, at], points), "pen")]
        data = self.ui.needs.channel_rows(points)
        is_heard = not drive.is_rehearsal and data.row >= drive.first_row
        if is_heard:
            pens.append(("received", data.trace[at : at + 1].astype(np.int16), "span"))
        elif not drive.is_rehearsal:
            pens.append(
                ("received: nothing so far, this port does not echo", np.full((1, points), -1, np.int16), "span")
            )
        rows = min(_TRACE_ROWS_MAX, max(1, (height - table_rows - 2) // len(pens) - 1))
        if at >= CHANNELS:
            pens = [(words, np.where(one < 0, one, one * _ON).astype(np.int16), style) for words, one, style in pens]
        known = np.concatenate([one[one >= 0] for _, one, _ in pens])
        low, high = (np.array([end], np.uint16) for end in ((known.min(), known.max()) if known.size else (0, 2047)))
        out: list[Line] = [[(fit(f" {self._what()}: {drive.progress()}", width), "title")]]
        for words, trace, style in pens:
            out.append([(fit(f" {words}", width), "head")])
            out += [[(f" {pen}", style)] for pen in traces(trace, low, high, self.ui.glyphs, rows=rows)[0]]
        values = sent[-1] if len(sent) else None
        heard = data.values if is_heard else None
        return out + self._values(values, heard, columns, table_rows, min(width // columns, 60))

    def _values(self, sent: I16 | None, heard: object, columns: int, rows: int, width: int) -> list[Line]:
        name = width - 3 - 2 * _VALUE_CELLS - 1
        unit = UNIT_WORDS[self.ui.unit]
        head = fit(f"ch {fit(unit, name)} {'commanded':>9} {'received':>9}", width)
        out: list[Line] = [[(head * columns, "head")]]
        got = heard if isinstance(heard, np.ndarray) else None
        for row in range(rows):
            line: Line = []
            for channel in range(row, 18, rows):
                chosen = channel + 1 == self.drive.settings.channel
                label = fit(sanitize(self.ui.needs.names.get(channel + 1, "")), name, more=self.ui.glyphs.more)
                cells = "".join(f" {self._value(one, channel):>9}" for one in (sent, got))
                line.append((fit(f"{channel + 1:2d} {label}{cells}", width), "pen" if chosen else "ink"))
            out.append(line)
        return out

    def _value(self, values: object, channel: int) -> str:
        if not isinstance(values, np.ndarray):
            return "-"
        if channel >= CHANNELS:
            return "on" if values[channel] else "off"
        return value_words(int(values[channel]), self.ui.unit, self.ui.needs.scale)


def _wrapped(texts: list[str] | tuple[str, ...], width: int, style: str) -> list[Line]:
    return [[(f" {line}", style)] for text in texts for line in _folded(text, width)]


def _folded(text: str, width: int) -> list[str]:
    """On as many lines as it takes, those after the first farther in."""
    return wrap(sanitize(text), width - 2, indent=" " * (len(text) - len(text.lstrip()) + 2))


def _table(frames: list[tuple[float, bytes]]) -> tuple[np.ndarray[tuple[int], np.dtype[np.float64]], I16]:
    """Times, and values of all 18 channels of frames."""
    raw = np.frombuffer(b"".join(data for _, data in frames), np.uint8).reshape(-1, FRAME_BYTES)
    flags = raw[:, FRAME_BYTES - 2]
    values = np.column_stack([unpack_channels(raw), flags & 1, flags >> 1 & 1]).astype(np.int16)
    return np.array([t_s for t_s, _ in frames], np.float64), values


def _sampled(t_s: np.ndarray[tuple[int], np.dtype[np.float64]], values: I16, points: int) -> I16:
    """The last seconds at even times, -1 before the first frame; (1, points)."""
    if not t_s.size:
        return np.full((1, points), -1, np.int16)
    rows = np.searchsorted(t_s, t_s[-1] - TRACE_S * np.arange(points - 1, -1, -1) / points, side="right") - 1
    return np.where(rows < 0, -1, values[rows])[None].astype(np.int16)
