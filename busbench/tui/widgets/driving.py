"""The drive screen: what is set, the cautions, the countdown, and what goes out and comes back."""

from __future__ import annotations

import math

import numpy as np

from busbench.bench.safety import CAUTIONS
from busbench.drive.dry_run import dry_run
from busbench.drive.preview import driven_lines, end_line, list_lines, preview_lines, scale_line
from busbench.errors import BusbenchError, sanitize
from busbench.model import I64
from busbench.tui.app_state import AppState
from busbench.tui.draw import large
from busbench.tui.driving import END, FIELDS, Drive, DrivePhase
from busbench.tui.plotting import Envelope, HeardProgram
from busbench.tui.text import UNIT_WORDS, Line, fit, value_words, wrap
from busbench.tui.widgets.channels import channels_below
from busbench.tui.widgets.frame import TOO_SMALL
from busbench.tui.widgets.line_widget import LineWidget
from busbench.tui.widgets.program_plot import TABLE_ROWS, ProgramLook, channel_table, program_lines
from busbench.wire.codec import join_channels, unpack_channels
from busbench.wire.frame_spec import CHANNELS, FRAME_BYTES

_UNITS = {"low": " %", "high": " %", "period": " s"}
_WIDE = 110  # cells from which all channels are below the program
_LEAST_PLOT, _PLOT_MOST = 5, 16  # lines of the program over time
_VALUE_CELLS = 10
_COUNT_SCALE_MOST = 4


class DriveLines(LineWidget):
    """All of the drive screen; the line that says how to stop is above everything."""

    def __init__(self, ui: AppState, drive: Drive) -> None:
        super().__init__(ui)
        self.drive = drive
        self.field = 0
        self.is_whole = False  # all cautions are on the screen
        self._seen: tuple[object, ProgramLook] | None = None
        self._echo = HeardProgram()

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
        across = 3 if width >= _WIDE else 2
        cells = [self._field(at, width // across) for at in range(len(FIELDS))]
        out += [[], *([part for one in cells[at : at + across] for part in one] for at in range(0, len(cells), across))]
        out.append([])
        room = height - len(out)
        if width >= _WIDE and room >= TABLE_ROWS + _LEAST_PLOT + 2:
            return out + self._pictures(width, room)
        return out + self._preview(width, room)

    def _pictures(self, width: int, height: int) -> list[Line]:
        """The program over time, and below it all channels."""
        ui, look, at = self.ui, self._look(), self.drive.settings.channel - 1
        if look.program is None:
            return _wrapped(look.listed, width, "warn")
        text = _wrapped([look.drawn[0], *look.driven], width, "ink")
        heard = ui.needs.channel_rows(2).values if ui.needs.is_live and len(ui.needs.store) else None
        table = channel_table(ui, look, width, sent=None, heard=heard, channel=at)
        plot = program_lines(
            ui, look, width, min(_PLOT_MOST, height - len(text) - len(table) - 1), channel=at
        )  # fmt: skip
        return [*text, *plot, [], *table]

    def _preview(self, width: int, height: int) -> list[Line]:
        """The same in a narrow window, as much as there is room for."""
        drive, preview = self.drive, self._look().drawn
        room, now = height, drive.settings
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
        out: list[Line] = [[(fit(f" {line}", width), "ink")] for line in preview[: max(0, room)]]
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

    def _look(self) -> ProgramLook:
        """The program, worked out once for each setting."""
        now = self.drive.settings
        key = (now.channel, now.shape, now.low, now.high, now.period, now.cycles, self.ui.session, self.ui.is_ascii)
        if self._seen is None or self._seen[0] != key:
            try:
                program = self.drive.program.program
                seen = dry_run(program, end=END)
                drawn = preview_lines(program, seen, end=END, is_ascii=self.ui.is_ascii)
                listed = [*list_lines(program, seen, end=END), scale_line(program, is_ascii=self.ui.is_ascii)]
                driven = [*driven_lines(program, seen, now.channel - 1), end_line(END)]
                look = ProgramLook(program, seen, *([*map(sanitize, lines)] for lines in (drawn, listed, driven)))
            except BusbenchError as error:
                look = ProgramLook(None, None, [sanitize(str(error))], [sanitize(str(error))], [])
            self._seen = key, look
        return self._seen[1]

    def _cautions(self, width: int, height: int) -> list[Line]:
        """All of it, closer together where that takes too many lines; what is left out is never left out silently."""
        cautions = _wrapped((*CAUTIONS, *self.ui.sources.cautions), width, "warn")
        enter: Line = [(" Enter: all this is seen to, count down. Escape: back.", "title")]
        target, listed = _wrapped([self.drive.target], width, "title"), self._look().listed
        out = [*cautions, [], enter, [], *target, *_wrapped(listed, width, "ink")]
        if len(out) > height:
            out = [*cautions, enter, *target, *_wrapped(["; ".join(map(str.strip, listed))], width, "ink")]
        self.is_whole = len(out) <= height
        if not self.is_whole:
            out = [*out[: height - 1], [(fit(TOO_SMALL, width), "bad")]]
        return self._with_plot(out, width, height)

    def _with_plot(self, out: list[Line], width: int, height: int) -> list[Line]:
        """Lines, and below them the program where there is room for it."""
        room = height - len(out) - 1
        if room < _LEAST_PLOT:
            return out
        plot = program_lines(
            self.ui, self._look(), width, min(_PLOT_MOST, room), channel=self.drive.settings.channel - 1
        )
        return [*out, [], *plot]

    def _counting(self, width: int, height: int) -> list[Line]:
        seconds = math.ceil(self.drive.left_s)
        cautions = _wrapped((*CAUTIONS, *self.ui.sources.cautions), width, "warn")
        scale = max(1, min(_COUNT_SCALE_MOST, (height - len(cautions) - 3) // 5))
        out: list[Line] = [[(f" moving in {seconds} s: {self._what()}", "title")], []]
        out += [[(f"   {line}", "warn")] for line in large(str(seconds), scale, self.ui.glyphs)]
        return self._with_plot([*out, [], *cautions], width, height)

    def _what(self) -> str:
        now = self.drive.settings
        name = sanitize(self.ui.needs.names.get(now.channel, ""))
        where = "rehearsal, nothing is sent" if self.drive.is_rehearsal else sanitize(self.ui.needs.source)
        return f"{where}: channel {now.channel}{f' ({name})' if name else ''}"

    def _moving(self, width: int, height: int) -> list[Line]:
        """What was sent of the program and what is to come, what came back by the letter o, and all channels."""
        ui, drive, at = self.ui, self.drive, self.drive.settings.channel - 1
        sent = _values_of(drive.sent[-1].data) if drive.sent else None
        data = ui.needs.channel_rows(2)
        is_heard = not drive.is_rehearsal and data.row >= drive.first_row
        heard = data.values if is_heard else None
        title = [[(fit(f" {self._what()}: {drive.progress()}", width), "title")]]
        wide = width >= _WIDE and height >= len(title) + TABLE_ROWS + _LEAST_PLOT + 1
        columns = max(2, width // 54)
        if wide:
            table = channel_table(ui, self._look(), width, sent=sent, heard=heard, channel=at)
        else:
            table = self._values(sent, heard, columns, -(-18 // columns), min(width // columns, 60))
        rows = height - len(title) - len(table) - 1
        plot = program_lines(
            ui, self._look(), width, rows, channel=at, now_s=drive.sent_s, heard=self._heard() if is_heard else None
        )
        return [*title, [(fit(f" {self._legend(is_heard=is_heard)}", width), "head")], *plot, *table]

    def _legend(self, *, is_heard: bool) -> str:
        if self.drive.is_rehearsal:
            return "the program; the bar is where it is now"
        words = "the program, sent as far as the bar"
        return f"{words}; o received" if is_heard else f"{words}; received: nothing, this port does not echo"

    def _heard(self) -> Envelope | None:
        """What came back in the time of the program."""
        seen, drive = self._look().seen, self.drive
        if seen is None:
            return None
        return self._echo.of(self.ui.needs, drive.start_ns, duration_s=seen.duration_s, sent_s=drive.sent_s)

    def _values(self, sent: I64 | None, heard: object, columns: int, rows: int, width: int) -> list[Line]:
        name = width - 3 - 2 * _VALUE_CELLS - 1
        unit = UNIT_WORDS[self.ui.unit]
        head = fit(f"ch {fit(unit, name)} {'sent':>9} {'received':>9}", width)
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
        return value_words(int(values[channel]), channel, self.ui.unit, self.ui.needs.scale)


def _wrapped(texts: list[str] | tuple[str, ...], width: int, style: str) -> list[Line]:
    return [[(f" {line}", style)] for text in texts for line in _folded(text, width)]


def _folded(text: str, width: int) -> list[str]:
    """On as many lines as it takes, those after the first farther in."""
    return wrap(sanitize(text), width - 2, indent=" " * (len(text) - len(text.lstrip()) + 2))


def _values_of(frame: bytes) -> I64:
    """Values of all 18 channels of a frame, int64 (18,)."""
    raw = np.frombuffer(frame, np.uint8).reshape(1, FRAME_BYTES)
    return join_channels(unpack_channels(raw), raw[:, FRAME_BYTES - 2])[:, 0].astype(np.int64)
