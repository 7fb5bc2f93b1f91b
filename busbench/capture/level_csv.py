"""CSV of levels: a time column and one or several columns of 0 and 1.

A row may stand for each change or for each sample. Times are seconds unless the
header names ms, µs or ns. Columns are parted by comma, semicolon or tab; after the
latter two a decimal comma is understood.
"""

from __future__ import annotations

import re
import warnings
from collections.abc import Collection, Iterator
from dataclasses import dataclass

import numpy as np

from busbench.capture.base import Capture, ReadOptions
from busbench.capture.edges import NAME_MOST, LevelCapture, LevelFile
from busbench.capture.file_io import read_head, whole_parts
from busbench.errors import CaptureError, sanitize
from busbench.model import F64, I64, U8
from busbench.wire.edges import Edges

FORMAT = "CSV of levels"

_REST_MOST = 1 << 20  # no row is as long
_HEADER_LINES = 40
_ROWS_LEAST = 3
_COLUMNS_MOST = 256  # no logic analyser has more inputs
_SNIFFED_LINES = 1000  # a few of which may be damaged
_DAMAGED_MOST = 100  # rows that are no rows, in one block, before the file is given up
_UNITS_NS = {"s": 10**9, "ms": 10**6, "us": 10**3, "ns": 1}
_UNIT = re.compile(
    r"(?:^|[\s_\[(/])(?:(?P<s>s|secs?|seconds?)|(?P<ms>ms|milliseconds?)"
    r"|(?P<us>us|µs|μs|microseconds?)|(?P<ns>ns|nanoseconds?))(?=$|[\s\])])",
    re.IGNORECASE,
)
_LATEST_NS = 2.0**62  # so that some characters can follow
_ROW = re.compile(rb"(?:(?:^|,)\s*+[-+]?(?:\d++\.?\d*+|\.\d++)(?:[eE][-+]?\d++)?\s*+)++")


@dataclass(frozen=True, slots=True)
class _Layout:
    """How the rows are laid out.

    Args:
        separator: between columns.
        names: of the level columns.
        unit_ns: of the times.
        first_line: line number of the first row, from 1.
        start: its byte offset.
    """

    separator: bytes
    names: tuple[str, ...]
    unit_ns: int
    first_line: int
    start: int


def sniff(head: bytes) -> bool:
    """True where rows of a rising time and of nothing but 0 and 1 begin, and a level changes.

    A CSV of bytes cannot pass: the header byte of every frame is neither.
    """
    layout = _layout(head)
    if layout is None:
        return False
    lines = head[layout.start :].split(b"\n")[:_SNIFFED_LINES]
    lines = [line for line in lines[: len(lines) - (len(lines) > _ROWS_LEAST)] if line.strip()]
    rows = [row for line in lines if (row := _parse(line, layout)) is not None]
    if len(rows) < max(_ROWS_LEAST, len(lines) * 0.9 - 2):
        return False
    table = np.concatenate(rows)
    levels = table[:, 1:]
    falls = int(np.count_nonzero(np.diff(table[:, 0]) < 0))  # a damaged time or two
    return bool(falls <= len(table) // 20 and _are_levels(levels) and (levels != levels[0]).any())


def open_file(path: str, options: ReadOptions) -> Capture:
    """Open a CSV of levels as the bytes on one of its columns.

    Args:
        path: the file.
        options: `signal` picks a column by name or number (1 is the first after the
            time); `line` sets the line.

    Raises:
        CaptureError: it is no such file, or has no such column.
    """
    return LevelCapture(LevelCsvFile(path), options)


class LevelCsvFile(LevelFile):
    """The layout of a CSV of levels, read once, and its rows, as often as asked."""

    def __init__(self, path: str) -> None:
        self.path, self.format = path, FORMAT
        self.notes: list[str] = []
        head = read_head(path)
        layout = _layout(head)
        if layout is None:
            hint = "it needs a time column, then columns of 0 and 1"
            raise CaptureError(path, "holds no rows of a time and of levels", hint=hint)
        self._layout = layout
        self.names = layout.names
        self._column = {name: at for at, name in enumerate(layout.names)}
        self.resolution_ns = _step_ns(head[layout.start :], layout)

    def pieces(self, names: Collection[str]) -> Iterator[dict[str, Edges]]:
        """Read the rows of the named columns, as LevelFile says."""
        self.notes.clear()
        rows, rest = _Rows(self.path, self._layout), b""
        last: dict[str, Edges] = {}
        try:
            for whole, rest in whole_parts(self.path, start=self._layout.start, ends=b"\n"):
                yield from self._pieces(rows.take(whole, is_last=False), names, last)
                if len(rest) > _REST_MOST:
                    raise rows.fault("is longer than any row")
            yield from self._pieces(rows.take(rest, is_last=True), names, last)
        except CaptureError:
            self.notes.extend(rows.notes())
            raise
        self.notes.extend(rows.notes())

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


class _Rows:
    """Turns text into times and levels, a block at a time."""

    def __init__(self, path: str, layout: _Layout) -> None:
        self._path, self._layout = path, layout
        self._line = layout.first_line
        self._last_ns = -(1 << 62)
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
        """Times in ns, levels (rows, columns), and why nothing after them can be read."""
        lines = np.empty(0, np.int64)
        table = _parse(text, self._layout)
        if table is not None and _are_levels(table[:, 1:]):
            lines = self._line + np.arange(len(table))
            damaged = 0
        else:
            table, lines, damaged = self._take_each(text, is_last=is_last)
        self._line += text.count(b"\n")
        times, fault = table[:, 0], None
        good = len(times)
        can_be = np.abs(times) < _LATEST_NS / self._layout.unit_ns
        if not can_be.all():
            good = int(np.argmin(can_be))
            fault = self.fault("has a time beyond all bounds", int(lines[good]))
        t_ns = np.rint(times[:good] * self._layout.unit_ns).astype(np.int64)
        back = np.flatnonzero(np.diff(t_ns, prepend=self._last_ns) < 0)
        if back.size:
            good = int(back[0])
            fault = self.fault("goes back in time", int(lines[good]))
        elif damaged > _DAMAGED_MOST and damaged > good:
            fault = self.fault("and those after it hold no time with levels", self._first_damaged)
        t_ns = t_ns[:good]
        if good:
            self._last_ns = int(t_ns[-1])
        return t_ns, table[:good, 1:].astype(np.uint8), fault

    def _take_each(self, text: bytes, *, is_last: bool) -> tuple[F64, I64, int]:
        """The same for rows some of which are damaged or have blank lines between them."""
        lines = text.split(b"\n")
        filled = [at for at, line in enumerate(lines) if line.strip()]
        flat = {at: _flat(lines[at], self._layout) for at in filled}
        commas = len(self._layout.names)
        shaped = [at for at in filled if _ROW.fullmatch(flat[at]) and flat[at].count(b",") == commas]
        table = _numbers(b",".join([flat[at] for at in shaped]), commas + 1)
        sound = np.isfinite(table[:, 0]) & ((table[:, 1:] == 0) | (table[:, 1:] == 1)).all(axis=1)
        table, places = table[sound], np.array(shaped, np.int64)[sound]
        damaged = np.setdiff1d(np.array(filled, np.int64), places)
        if is_last and damaged.size and damaged[-1] == len(lines) - 1:
            self._is_cut, damaged = True, damaged[:-1]
        self._damaged += damaged.size
        if damaged.size and not self._first_damaged:
            self._first_damaged = self._line + int(damaged[0])
        return table, self._line + places, damaged.size


def _flat(text: bytes, layout: _Layout) -> bytes:
    """Rows with commas between their cells, and points in their numbers."""
    flat = text.translate(None, b'\r" ')
    return flat if layout.separator == b"," else flat.replace(b",", b".").replace(layout.separator, b",")


def _numbers(flat: bytes, columns: int) -> F64:
    """Rows of as many numbers as there are columns, none where one is no number."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error", DeprecationWarning)
            return np.fromstring(flat.decode("ascii"), np.float64, sep=",").reshape(-1, columns)
    except (ValueError, DeprecationWarning):
        return np.empty((0, columns))


def _parse(text: bytes, layout: _Layout) -> F64 | None:
    """Rows of numbers, or None where a row is none."""
    columns = 1 + len(layout.names)
    count = text.count(b"\n") + (not text.endswith(b"\n") and bool(text))
    flat = _flat(text, layout)
    if flat.count(b",") != count * (columns - 1):
        return None
    values = _numbers(flat.rstrip(b"\n").replace(b"\n", b","), columns)
    return values if len(values) == count and np.isfinite(values).all() else None


def _are_levels(values: F64) -> bool:
    return bool(((values == 0) | (values == 1)).all())


def _layout(head: bytes) -> _Layout | None:
    """Separator, header and first row, or None where no row comes."""
    lines = head.split(b"\n")[: _HEADER_LINES + 1]
    start = 0
    for number, line in enumerate(lines, 1):
        for separator in (b"\t", b";", b","):
            columns = line.count(separator)
            if not 0 < columns <= _COLUMNS_MOST:
                continue
            unnamed = tuple(str(i + 1) for i in range(columns))
            row = _parse(line, _Layout(separator, unnamed, 1, number, start))
            if row is not None and len(row) == 1 and _are_levels(row[:, 1:]):
                above = [cells for cells in _cells(lines[: number - 1], separator) if len(cells) == columns + 1]
                names = next((tuple(cells[1:]) for cells in above if all(cells[1:])), unnamed)
                names = names if len(set(names)) == columns else unnamed
                units = [found for cells in above if (found := _UNIT.search(cells[0]))]
                unit = units[-1].lastgroup if units else None
                return _Layout(separator, names, _UNITS_NS[unit or "s"], number, start)
        start += len(line) + 1
    return None


def _cells(lines: list[bytes], separator: bytes) -> list[list[str]]:
    rows = [line.decode("utf-8-sig", "replace").split(separator.decode()) for line in lines]
    return [[sanitize(cell.strip().strip('"').lstrip("#;").strip(), most=NAME_MOST) for cell in row] for row in rows]


def _step_ns(text: bytes, layout: _Layout) -> int:
    """The step of the times: between samples, else as fine as they are written."""
    rows = [(line, row) for line in text.split(b"\n")[:2000] if (row := _parse(line, layout)) is not None]
    if not rows:
        return 1
    lines = [line for line, _ in rows]
    times = np.clip(np.concatenate([row[:, 0] for _, row in rows]), -_LATEST_NS, _LATEST_NS) * layout.unit_ns
    steps: F64 = np.diff(times)
    if steps.size >= _ROWS_LEAST and 0 < steps.max() < 1.5 * steps.min():
        return max(1, round(float(np.median(steps))))
    cells = [line.split(layout.separator)[0].strip(b'" \r') for line in lines]
    digits = max(len(re.split(rb"[.,]", cell)[1]) if re.search(rb"[.,]", cell) else 0 for cell in cells)
    return max(1, int(layout.unit_ns // 10**digits))
