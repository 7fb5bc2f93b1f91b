"""CSV of levels: one or several columns of 0 and 1, usually after a column of times.

A row per change or per sample; the line may idle for any time first.
Delimiters are comma, semicolon or tab; with the latter two, a decimal comma is accepted.
"""

from __future__ import annotations

import contextlib
import re
from collections.abc import Collection, Iterator
from dataclasses import replace

import numpy as np

from busbench.capture.base import Capture, ReadOptions
from busbench.capture.edges import LevelCapture, LevelFile
from busbench.capture.file_io import HEAD_BYTES, Source, as_source, read_head, whole_parts
from busbench.capture.level_layout import LevelLayout, are_levels, find_layout, numbers, step_ns
from busbench.capture.threshold import Thresholds
from busbench.errors import CaptureError
from busbench.model import F64, I64, TIME_MAX_NS, TIME_MIN_NS, U8
from busbench.wire.edges import Edges

FORMAT, ANALOG_FORMAT = "CSV of levels", "CSV of volts"

_HEAD_BYTES = (HEAD_BYTES, 4 << 20)  # the second holds a few rows of 100,000 columns
_REST_MOST = 4 << 20  # rows are shorter
_DAMAGED_MOST = 100  # max invalid rows in one block
_ROW = re.compile(rb"(?:(?:^|,)\s*+[-+]?(?:\d++\.?\d*+|\.\d++)(?:[eE][-+]?\d++)?\s*+)++")


def sniff(head: bytes) -> bool:
    """True if the file begins with rows of a rising time and only 0 and 1; see find_layout."""
    return find_layout(head, is_whole=len(head) < HEAD_BYTES) is not None


def open_file(source: str | Source, options: ReadOptions) -> Capture:
    """Open a CSV of levels as the bytes on one column: `options.signal` is its name or number after the time."""
    return LevelCapture(open_levels(source), options)


def open_levels(source: str | Source) -> LevelFile:
    """Open a CSV of levels as the levels of all its columns; see open_file."""
    return LevelCsvFile(source)


class LevelCsvFile(LevelFile):
    """The layout of a CSV of levels, read once, and its rows, readable repeatedly."""

    def __init__(self, source: str | Source, *, is_analog: bool = False) -> None:
        self._source = as_source(source)
        self.path, self.format = self._source.name, ANALOG_FORMAT if is_analog else FORMAT
        self.notes: list[str] = []
        for most in _HEAD_BYTES:
            head = read_head(self._source, most=most)
            layout = find_layout(head, is_whole=len(head) < most, is_known=not is_analog, is_analog=is_analog)
            if layout is not None or len(head) < most:
                break
        if layout is None:
            hint = "it needs a time column, then columns of 0 and 1"
            raise CaptureError(self.path, "holds no rows of a time and of levels", hint=hint)
        if layout.fault is not None:
            raise CaptureError(self.path, layout.fault[0], hint=layout.fault[1])
        self._layout = layout
        self.names = layout.names
        self._column = {name: at for at, name in enumerate(layout.names)}
        self.resolution_ns = step_ns(head[layout.start :], layout)
        self._threshold = Thresholds.of(self._volts(), layout.names) if is_analog else None

    def pieces(self, names: Collection[str]) -> Iterator[dict[str, Edges]]:
        """Read the rows of the named columns; see LevelFile."""
        self.notes[:] = self._threshold.notes(names) if self._threshold else []
        fresh = replace(self._threshold) if self._threshold else None
        rows = _LevelRows(self.path, self._layout, fresh)
        last: dict[str, Edges] = {}
        try:
            for text, is_last in self._parts(rows):
                yield from self._pieces(rows.take(text, is_last=is_last), names, last)
        except CaptureError:
            self.notes.extend(rows.notes())
            raise
        self.notes.extend(rows.notes())

    def _volts(self) -> Iterator[F64]:
        """All voltages, a column per signal."""
        rows = _LevelRows(self.path, self._layout, None)
        with contextlib.suppress(CaptureError):  # reported when it is read
            for text, is_last in self._parts(rows):
                if not is_last:
                    table, _lines, _damaged = rows.table(text, is_last=False)
                    yield table[:, 1:]

    def _parts(self, rows: _LevelRows) -> Iterator[tuple[bytes, bool]]:
        """The text after the head; a row that is too long is named by the rows taken before it."""
        return whole_parts(
            self._source,
            start=self._layout.start,
            ends=b"\n",
            rest_most=_REST_MOST,
            fault=lambda _: rows.fault("is longer than any row"),
        )

    def _pieces(
        self, taken: tuple[I64, U8, CaptureError | None], names: Collection[str], last: dict[str, Edges]
    ) -> Iterator[dict[str, Edges]]:
        t_ns, levels, fault = taken
        if t_ns.size:
            for name in names:
                column = levels[:, self._column[name]]
                last[name] = Edges.from_levels(t_ns, column, end_ns=int(t_ns[-1]), before=last.get(name))
            yield dict(last)
        if fault is not None:
            raise fault


class _LevelRows:
    """Converts text into times and levels, block by block."""

    def __init__(self, path: str, layout: LevelLayout, threshold: Thresholds | None) -> None:
        self._path, self._layout, self._threshold = path, layout, threshold
        self._line = layout.first_line
        self._last_ns = TIME_MIN_NS
        self._damaged = 0
        self._first_damaged = 0
        self._is_cut = False

    def notes(self) -> list[str]:
        notes = []
        if self._damaged:
            rows = "1 row holds" if self._damaged == 1 else f"{self._damaged} rows hold"
            notes.append(f"{rows} no time with levels, the first in line {self._first_damaged}: left out")
        if self._is_cut:
            notes.append("the file is cut inside its last row")
        return notes

    def fault(self, what: str, line: int | None = None) -> CaptureError:
        return CaptureError(self._path, f"line {line or self._line} {what}", hint="save it again")

    def take(self, text: bytes, *, is_last: bool) -> tuple[I64, U8, CaptureError | None]:
        """Times in ns, levels (rows, columns), and why reading ended, if it did."""
        layout = self._layout
        table, lines, damaged = self.table(text, is_last=is_last)
        times = table[:, 0] if layout.has_time else lines - layout.first_line
        fault = None
        good = len(times)
        can_be = (times > TIME_MIN_NS / layout.tick_ns) & (times < TIME_MAX_NS / layout.tick_ns)
        if not can_be.all():
            good = int(np.argmin(can_be))
            fault = self.fault("has a time beyond all bounds", int(lines[good]))
        t_ns = np.rint(times[:good] * layout.tick_ns).astype(np.int64)
        back = np.flatnonzero(np.diff(t_ns, prepend=self._last_ns) < 0)
        if back.size:
            good = int(back[0])
            fault = self.fault("goes back in time", int(lines[good]))
        elif damaged > _DAMAGED_MOST and damaged > good:
            fault = self.fault("and those after it hold no time with levels", self._first_damaged)
        t_ns = t_ns[:good]
        if good:
            self._last_ns = int(t_ns[-1])
        values = table[:good, layout.has_time :]
        return t_ns, values.astype(np.uint8) if self._threshold is None else self._threshold.levels(values), fault

    def table(self, text: bytes, *, is_last: bool) -> tuple[F64, I64, int]:
        """Rows of numbers, the line number of each, and the number of damaged rows."""
        layout = self._layout
        table = layout.parse(text)
        if table is not None and (layout.is_analog or are_levels(table[:, layout.has_time :])):
            lines: I64 = self._line + np.arange(len(table))
            damaged = 0
        else:
            table, lines, damaged = self._take_each(text, is_last=is_last)
        self._line += text.count(b"\n")
        return table, lines, damaged

    def _take_each(self, text: bytes, *, is_last: bool) -> tuple[F64, I64, int]:
        """The same if some rows are damaged or blank."""
        layout = self._layout
        lines = text.split(b"\n")
        filled = [at for at, line in enumerate(lines) if line.strip()]
        flat = {at: layout.flat(lines[at]) for at in filled}
        commas = layout.columns - 1
        shaped = [at for at in filled if _ROW.fullmatch(flat[at]) and flat[at].count(b",") == commas]
        table = numbers(b",".join([flat[at] for at in shaped]), layout.columns)
        levels = table[:, layout.has_time :]
        sound = np.isfinite(table).all(axis=1)
        if not layout.is_analog:
            sound &= ((levels == 0) | (levels == 1)).all(axis=1)
        table, places = table[sound], np.array(shaped, np.int64)[sound]
        damaged = np.setdiff1d(np.array(filled, np.int64), places)
        if is_last and damaged.size and damaged[-1] == len(lines) - 1:
            self._is_cut, damaged = True, damaged[:-1]
        self._damaged += damaged.size
        if damaged.size and not self._first_damaged:
            self._first_damaged = self._line + int(damaged[0])
        return table, self._line + places, damaged.size
