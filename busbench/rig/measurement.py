"""Voltages and currents of a meter or logger: a CSV file whose columns name supply, receiver, hubs and devices."""

from __future__ import annotations

import csv
import difflib
import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from busbench.errors import RigError, TextFileError, pluralize, quote_value, unreadable
from busbench.model import F64
from busbench.rig.model import RECEIVER, SUPPLY, Rig
from busbench.text_file import other_kind, read_bounded, require_small

SIZE_MAX = 50_000_000
VALUE_MAX = 1e13  # of any cell: times in ms since 1970 are below
_COLUMN = re.compile(r"(?P<name>.*?)[\s_,:]*[\[(]?(?P<unit>[mµu]?[VA])[\])]?")
_TIMES = {"time": 1.0, "time s": 1.0, "t": 1.0, "t s": 1.0, "seconds": 1.0, "s": 1.0, "timestamp": 1.0, "date": 1.0,
          "date time": 1.0, "datetime": 1.0, "utc": 1.0, "time ms": 1e-3, "t ms": 1e-3, "ms": 1e-3}  # fmt: skip
_UNITS = {"": 1.0, "m": 1e-3, "µ": 1e-6, "u": 1e-6}
_CLOCK = re.compile(r"(\d{1,2}):(\d\d):(\d\d(?:\.\d+)?)")
_EPOCH_LEAST_S = 1e9  # numbers from here on count from 1970: a recording does not last for 30 years


@dataclass(frozen=True, slots=True, eq=False)
class Measurement:
    """What a meter or logger measured in an aircraft."""

    volts: dict[str, F64]  # at each node of the plan that has a column, float64 (N,), NaN where a cell is empty
    amps: dict[str, F64]  # drawn or passed on by each node that has a column, float64 (N,), no NaN
    t_s: F64 | None  # time of each row, float64 (N,), None without such a column
    is_utc: bool  # True if times are seconds since 1970, False if they begin at a zero of their own
    cases: tuple[str, ...]  # load case that each row names, empty without such a column
    step_v: float  # the last digit of the voltages as written
    notes: tuple[str, ...]  # what was left out

    def __len__(self) -> int:
        return int(next(iter(self.volts.values())).size)


def read_measurement(path: str | Path, rig: Rig) -> Measurement:
    """Read a CSV of voltages and currents.

    Args:
        path: of the file. Its first row names the columns: a node of the plan with a unit, as in `left flap V` or
            `left wing mA`; `time` or `time_s` (seconds, or date and time); `case` (a load case of `rig power`).
        rig: the plan; "supply" and "receiver" are names too.

    Raises:
        RigError: it cannot be read, or a column or cell is not understood.
    """
    text = _read_text(path)
    # In a file of one column no delimiter is in the first row, and a comma is the decimal sign.
    delimiter = max(";,\t", key=text.partition("\n")[0].count)
    # With their ends, so that an open quote does not join the numbers of two lines.
    rows = csv.reader(text.splitlines(keepends=True), delimiter=delimiter)
    try:
        lines = [(rows.line_num, row) for row in rows if any(cell.strip() for cell in row)]
    except csv.Error:
        raise RigError(path, f"line {rows.line_num}", "is not CSV", hint="save it as CSV again") from None
    if len(lines) < 2:
        raise RigError(path, "", "holds no readings", hint="put a row of names first, then a row per reading")
    return _Table(path, rig, lines[0][1], has_comma=delimiter != ",").read(lines[1:])


def _read_text(path: str | Path) -> str:
    try:
        data = read_bounded(path, takes_stdin=True, most=SIZE_MAX)
        require_small(data, most=SIZE_MAX)
        if other := other_kind(data[:4096]):
            raise TextFileError(f"{other}, not CSV", hint="save the readings as CSV")
        return data.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise RigError(path, "", "is not UTF-8 text", hint="save it as CSV in UTF-8") from None
    except (OSError, ValueError) as error:
        what, hint = unreadable(error)
        raise RigError(path, "", what, hint=hint) from None


def _simplify(name: str) -> str:
    return " ".join(re.split(r"[\s_-]+", name.strip().casefold()))


class _Table:
    """The columns of a file, by its first row."""

    def __init__(self, path: str | Path, rig: Rig, head: Sequence[str], *, has_comma: bool) -> None:
        self._path, self._has_comma, self._columns = path, has_comma, len(head)
        self._time: tuple[int, float] | None = None
        self._case: int | None = None
        self._measured: dict[tuple[str, str], tuple[int, float]] = {}  # node and unit: column and factor
        self._unused: list[str] = []
        self._nodes = {_simplify(name): name for name in (SUPPLY, RECEIVER, *(part.name for part in rig.parts))}
        self._nodes |= {f"hub {_simplify(hub.name)}": hub.name for hub in rig.hubs}
        for column, cell in enumerate(head):
            self._take(column, cell.strip())
        if not any(unit == "V" for _, unit in self._measured):
            hint = "name a node of the plan and a unit, as in `receiver V`"
            raise RigError(path, "line 1", "names no column of voltages", hint=hint)

    def _take(self, column: int, cell: str) -> None:
        plain = _simplify(re.sub(r"[\[\]()]", " ", cell))
        found = _COLUMN.fullmatch(cell)
        if found is None or not found["name"]:
            if plain in _TIMES and self._time is None:
                self._time = column, _TIMES[plain]
            elif plain in ("case", "load case") and self._case is None:
                self._case = column
            elif cell:
                self._unused.append(cell)
            return
        name = self._nodes.get(_simplify(found["name"]))
        if name is None:
            near = difflib.get_close_matches(_simplify(found["name"]), self._nodes, n=1)
            hint = f"did you mean `{self._nodes[near[0]]}`?" if near else "name a device or hub as in the plan"
            raise RigError(self._path, "line 1", f"{quote_value(found['name'])} is not in the plan", hint=hint)
        key = name, found["unit"][-1]
        if key in self._measured:
            raise RigError(self._path, "line 1", f"{quote_value(' '.join(key))} is there twice", hint="keep one")
        self._measured[key] = column, _UNITS[found["unit"][:-1]]

    def read(self, lines: Sequence[tuple[int, list[str]]]) -> Measurement:
        """All rows."""
        for line, row in lines:
            if any(cell.strip() for cell in row[self._columns :]):
                cells = max(column for column, cell in enumerate(row, 1) if cell.strip())
                what = f"has {cells} cells for {pluralize(self._columns, 'name')}"
                hint = "name each column, or write decimals with a point"
                raise RigError(self._path, f"line {line}", what, hint=hint)
        amps = {name: at for (name, unit), at in self._measured.items() if unit == "A"}
        usable = [line for line in lines if all(_cell(line[1], column) for column, _ in amps.values())]
        notes = [f"columns not used: {', '.join(map(quote_value, self._unused))}"] if self._unused else []
        if len(usable) < len(lines):
            notes.append(f"rows left out, since a current is missing: {len(lines) - len(usable):,}")
        if not usable:
            raise RigError(self._path, "", "has no row with all its currents", hint="fill them in")
        places = {name: at for (name, unit), at in self._measured.items() if unit == "V"}
        volts = {name: self._numbers(usable, column, factor) for name, (column, factor) in places.items()}
        if empty := [name for name, one in volts.items() if np.isnan(one).all()]:
            notes.append(f"columns without a number: {', '.join(f'{name} V' for name in empty)}")
            volts = {name: one for name, one in volts.items() if name not in empty}
        if not volts:
            raise RigError(self._path, "", "holds no voltage", hint="fill in a reading per row")
        steps = [
            factor * 10.0 ** -_decimals(cell)
            for column, factor in places.values()
            for _, row in usable
            if (cell := _cell(row, column).replace(",", "."))
        ]
        times, is_utc = self._times(usable)
        return Measurement(
            volts,
            {name: self._numbers(usable, column, factor) for name, (column, factor) in amps.items()},
            times,
            is_utc,
            () if self._case is None else tuple(_cell(row, self._case) for _, row in usable),
            min(steps),
            tuple(notes),
        )

    def _numbers(self, lines: Sequence[tuple[int, list[str]]], column: int, factor: float) -> F64:
        return np.array([self._number(line, _cell(row, column)) for line, row in lines], np.float64) * factor

    def _number(self, line: int, cell: str) -> float:
        if not cell:
            return math.nan
        try:
            value = float(cell.replace(",", ".") if self._has_comma else cell)
        except ValueError:
            value = math.nan
        if not math.isfinite(value):
            raise RigError(self._path, f"line {line}", f"{quote_value(cell)} is not a number", hint="write it as 7.41")
        if abs(value) > VALUE_MAX:
            hint = f"give at most {VALUE_MAX:g} of the column's unit"
            raise RigError(self._path, f"line {line}", f"{quote_value(cell)} is out of range", hint=hint)
        return value

    def _times(self, lines: Sequence[tuple[int, list[str]]]) -> tuple[F64 | None, bool]:
        if self._time is None:
            return None, False
        column, factor = self._time
        t_s, kinds = np.empty(len(lines)), set()
        for at, (line, row) in enumerate(lines):
            t_s[at], is_date = self._time_of(line, _cell(row, column), factor)
            kinds.add(is_date)
        back = np.flatnonzero(np.diff(t_s) < 0)
        if back.size:
            raise RigError(self._path, f"line {lines[back[0] + 1][0]}", "its time is before that of the line above",
                           hint="put the rows in order")  # fmt: skip
        return t_s, kinds == {True} or float(t_s[0]) >= _EPOCH_LEAST_S

    def _time_of(self, line: int, cell: str, factor: float) -> tuple[float, bool]:
        if found := _CLOCK.fullmatch(cell):
            return int(found[1]) * 3600 + int(found[2]) * 60 + float(found[3]), False
        if "-" in cell[1:] and ":" in cell:
            try:
                moment = datetime.fromisoformat(cell)
            except ValueError:
                hint = "write it as 2026-05-28T20:26:40.5"
                raise RigError(self._path, f"line {line}", f"{quote_value(cell)} is not a time", hint=hint) from None
            return (moment if moment.tzinfo else moment.replace(tzinfo=UTC)).timestamp(), True
        value = self._number(line, cell)
        if math.isnan(value):
            raise RigError(self._path, f"line {line}", "has no time", hint="fill it in, or leave out the column")
        return value * factor, False


def _cell(row: Sequence[str], column: int) -> str:
    return row[column].strip() if column < len(row) else ""


def _decimals(cell: str) -> int:
    mantissa, _, exponent = cell.casefold().partition("e")
    return len(mantissa.partition(".")[2]) - int(exponent or 0)
