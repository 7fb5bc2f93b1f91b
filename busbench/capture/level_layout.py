"""The layout of a CSV of levels: delimiter, names, and the meaning of the first column.

No standard defines such a layout (common practice, no source). Times are seconds unless the header names
ms, µs or ns. A first column that counts samples, or no time column, needs a sample rate in the lines above.
"""

from __future__ import annotations

import re
import warnings
from dataclasses import dataclass, replace

import numpy as np

from busbench.capture.digit_words import BEFORE, even_decimals
from busbench.capture.edges import NAME_MOST
from busbench.errors import sanitize
from busbench.line import BUS_LINE
from busbench.model import F64

Words = tuple[tuple[bytes, bytes], ...]
LATEST_NS = 2.0**62  # so that some characters fit
HEADER_LINES = 40
_ROWS_LEAST = 3
_SNIFFED_LINES = 1000  # of which a few may be damaged
_STEPS_MOST = 2000
_UNITS_NS = {"s": 10**9, "ms": 10**6, "us": 10**3, "ns": 1}
_UNIT = re.compile(
    r"(?:^|[\s_\[(/])(?:(?P<s>s|secs?|seconds?)|(?P<ms>ms|milliseconds?)"
    r"|(?P<us>us|µs|μs|microseconds?)|(?P<ns>ns|nanoseconds?))(?=$|[\s\])])",
    re.IGNORECASE,
)
_COUNTS = re.compile(r"(?<![a-z])(?:ticks?|samples?|counts?|cycles?|index|idx|points?|no|nr|n)(?![a-z])", re.IGNORECASE)
_TIME = re.compile(r"time|stamp|(?<![a-z])(?:t|x)(?![a-z])", re.IGNORECASE)
_VALUE = r"[^\d\n]*?(?P<number>\d{1,3}(?:,\d{3})+(?!\d)|\d[\d.]*(?:e[+-]?\d+)?)[ \t]*"
_WORD_PAIRS = ((b"high", b"low"), (b"true", b"false"), (b"on", b"off"), (b"hi", b"lo"), (b"0b1", b"0b0"), (b"h", b"l"))
_UNIT_ALONE = re.compile(r"[\[(]?(?:[munµμ]?[sv]|volts?|seconds?|logic|levels?|0/1)[\])]?", re.IGNORECASE)
_RATE = re.compile(
    r"sampl(?:e|ing)[\s_-]*(?:rate|freq(?:uency|\.)?)\s*(?:[\[(]\s*(?P<inner>[kMG]?)[^\])\n]*[\])])?"
    + _VALUE
    + "(?P<power>[kMG]?)",
    re.IGNORECASE,
)
_INTERVAL = re.compile(
    r"(?:sampl(?:e|ing)[\s_-]*(?:interval|period|spacing)|(?:time|horizontal|x)[\s_-]*(?:increment|interval))\s*"
    r"(?:[\[(]\s*(?P<inner>[munµμ]?)s[\])])?" + _VALUE + "(?P<power>[munµμ]?)",
    re.IGNORECASE,
)
_POWERS = {"k": 1e3, "m": 1e6, "g": 1e9}  # of a rate
_PARTS = {"m": 1e6, "u": 1e3, "µ": 1e3, "μ": 1e3, "n": 1.0}  # of a second, in ns


@dataclass(frozen=True, slots=True)
class LevelLayout:
    """The layout of the rows."""

    separator: bytes
    names: tuple[str, ...]
    has_time: bool  # True if the first column holds times or sample numbers; else each row is a sample
    tick_ns: float  # duration of one step of that column, or of a row
    first_line: int  # line number of the first row, from 1
    start: int  # its byte offset
    fault: tuple[str, str] | None = None  # why the times cannot be known, and what to do; None if they can
    words: Words = ()  # names of 1 and 0 other than digits, in lower case, each with its digit
    is_analog: bool = False  # True if the columns hold voltages

    @property
    def columns(self) -> int:
        """Number of cells of a row."""
        return len(self.names) + self.has_time

    def flat(self, text: bytes) -> bytes:
        """Rows with commas between their cells, and points in their numbers."""
        flat = text.translate(None, b'\r" ')
        if self.words:
            flat = flat.lower()
            for word, digit in self.words:
                flat = flat.replace(word, digit)
        return flat if self.separator == b"," else flat.replace(b",", b".").replace(self.separator, b",")

    def parse(self, text: bytes) -> F64 | None:
        """Rows of numbers, or None if a row is invalid."""
        if self.has_time and not self.is_analog and not self.words and (rows := self._even_rows(text)) is not None:
            return rows
        count = text.count(b"\n") + (not text.endswith(b"\n") and bool(text))
        flat = self.flat(text)
        if flat.count(b",") != count * (self.columns - 1):
            return None
        values = numbers(flat.rstrip(b"\n").replace(b"\n", b","), self.columns)
        return values if len(values) == count and np.isfinite(values).all() else None

    def _even_rows(self, text: bytes) -> F64 | None:
        """The same for rows of a plain time and one-digit levels, which most files have; else None."""
        if not text.endswith(b"\n"):
            return None
        buffer = np.frombuffer(bytes(BEFORE) + text, np.uint8)
        end = np.flatnonzero(buffer == ord("\n"))
        start = np.concatenate([[BEFORE], end[:-1] + 1])
        if text.endswith(b"\r\n"):
            end = end - 1
        levels = len(self.names)
        if int((end - start).min()) <= 2 * levels:
            return None
        rows = np.empty((end.size, self.columns))
        for column in range(levels):
            place = end - 2 * (levels - column)
            digit = buffer.take(place + 1) - np.uint8(ord("0"))
            if not ((buffer.take(place) == self.separator[0]) & (digit < 2)).all():
                return None
            rows[:, 1 + column] = digit
        digits, places, ok = even_decimals(buffer, start, end - 2 * levels, has_comma=self.separator != b",")
        if not ok.all():
            return None
        np.divide(digits, 10.0**places, out=rows[:, 0])  # both are exact, so that the result is rounded once
        return rows


@dataclass(frozen=True, slots=True, eq=False)
class _FirstRows:
    """The first rows of a file."""

    seen: int
    lines: list[bytes]
    table: F64  # these, float64 (rows, columns)

    @property
    def has_time(self) -> bool:
        """False if the first column holds levels too."""
        first = self.table[:, 0]
        return not are_levels(first) or bool((np.diff(first) > 0).all())


def numbers(flat: bytes, columns: int) -> F64:
    """Rows with one number per column; empty if a cell is not a number."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error", DeprecationWarning)
            return np.fromstring(flat.decode("ascii"), np.float64, sep=",").reshape(-1, columns)
    except (ValueError, DeprecationWarning):
        return np.empty((0, columns))


def are_levels(values: F64) -> bool:
    """True if all values are 0 or 1."""
    return bool(((values == 0) | (values == 1)).all())


def find_layout(head: bytes, *, is_whole: bool, is_known: bool = False, is_analog: bool = False) -> LevelLayout | None:
    """Find the layout from the beginning of a file.

    Args:
        head: the first bytes of the file.
        is_whole: True if that is the whole file.
        is_known: True if it was recognized already, so that damage is accepted.
        is_analog: True to look for columns of voltages instead of levels.

    Returns:
        The layout; None without rows of a rising time and only 0 and 1, or if the
        whole file has no level change. A CSV of bytes cannot pass: the header byte of a frame is neither.
    """
    lines = head.split(b"\n")[: HEADER_LINES + 1]
    start = 0
    for number, line in enumerate(lines, 1):
        for separator in (b"\t", b";", b","):
            if separator not in line and (separator != b"," or line.strip() not in (b"0", b"1")):
                continue
            words = () if is_analog else _words_in(line, separator)
            row = _plain(separator, line.count(separator) + 1, words).parse(line)
            if row is not None and len(row) == 1 and (is_analog or are_levels(row[:, 1:])):
                rows = _first_rows(head[start:], separator, words)
                if is_known or _are_sound(rows, is_whole=is_whole, is_analog=is_analog):
                    found = _described(lines[: number - 1], rows, separator, number, start)
                    if found is not None:
                        return replace(found, words=words, is_analog=is_analog)
        start += len(line) + 1
    return None


def _words_in(line: bytes, separator: bytes) -> Words:
    """The level words in a row, and their opposites."""
    cells = {cell.strip(b' "\r') for cell in line.lower().split(separator)}
    pairs = [pair for pair in _WORD_PAIRS if not cells.isdisjoint(pair)]
    return tuple((word, digit) for pair in pairs for word, digit in zip(pair, (b"1", b"0"), strict=True))


def _plain(separator: bytes, columns: int, words: Words) -> LevelLayout:
    """Rows with a given number of numbers."""
    return LevelLayout(separator, ("",) * columns, False, 1, 1, 0, words=words)


def _first_rows(text: bytes, separator: bytes, words: Words) -> _FirstRows:
    """The first rows with as many numbers as the first one."""
    lines = text.split(b"\n")
    lines = [line for line in lines[: len(lines) - (len(lines) > _ROWS_LEAST)] if line.strip()][:_SNIFFED_LINES]
    plain = _plain(separator, lines[0].count(separator) + 1, words)
    rows = [(line, row) for line in lines if (row := plain.parse(line)) is not None]
    return _FirstRows(len(lines), [line for line, _ in rows], np.concatenate([row for _, row in rows]))


def _are_sound(rows: _FirstRows, *, is_whole: bool, is_analog: bool) -> bool:
    """True if few rows are damaged, times rise, and the other columns hold only levels or voltages."""
    table = rows.table
    if len(table) < max(_ROWS_LEAST, rows.seen * 0.9 - 2):
        return False
    levels = table[:, rows.has_time :]
    falls = int(np.count_nonzero(np.diff(table[:, 0]) < 0)) if rows.has_time else 0  # allows a damaged time or two
    changes = bool((levels != levels[:1]).any())
    fits = rows.has_time and bool((levels != np.rint(levels)).any()) if is_analog else are_levels(levels)
    return bool(levels.size) and falls <= len(table) // 20 and fits and (changes or not is_whole)


def _described(above: list[bytes], rows: _FirstRows, separator: bytes, number: int, start: int) -> LevelLayout | None:
    """The layout from the lines above the rows; None if rows without times have no sample rate."""
    has_time, columns = rows.has_time, rows.table.shape[1]
    tick_ns = stated_ns = _stated_tick_ns(above)
    others = [line for line in above if _stated_tick_ns([line]) is None]
    cells = [cells for cells in _cells(others, separator) if len(cells) == columns]
    unnamed = tuple(str(i + 1) for i in range(columns - has_time))
    full = [i for i, one in enumerate(cells) if all(one[has_time:])]
    full = [i for i in full if not all(map(_UNIT_ALONE.fullmatch, cells[i][has_time:]))]
    names = tuple(cells[full[-1]][has_time:]) if full else unnamed
    names = names if len(set(names)) == len(unnamed) else unnamed
    fault = None
    if has_time:
        first = [line.split(separator)[0].strip(b'" \r+-') for line in rows.lines]
        heads = [one[0] for one in cells[full[-1] if full else -1 :]]  # the names, and units below them
        tick_ns, fault = _tick_ns(heads, stated_ns, rows.table, is_whole=all(cell.isdigit() for cell in first))
    elif tick_ns is None or not (np.diff(rows.table, axis=0) == 0).all(axis=1).any():
        return None
    return LevelLayout(separator, names, has_time, tick_ns, number, start, fault)


def _tick_ns(
    heads: list[str], rate_ns: float | None, table: F64, *, is_whole: bool
) -> tuple[float, tuple[str, str] | None]:
    """Duration of one step of the first column; else why it is not known."""
    units = [found for head in heads if (found := _UNIT.search(head))]
    if units:
        return _UNITS_NS[units[-1].lastgroup or "s"], None
    counting = next((head for head in heads if _COUNTS.search(head) and not _TIME.search(head)), None)
    if counting is not None:
        if rate_ns is not None:
            return rate_ns, None
        what = f'its column "{counting}" counts samples, and no sample rate is stated'
        return 1, (what, "write the rate above the rows, as in samplerate = 1 MHz")
    if not is_whole:
        return _UNITS_NS["s"], None
    fit = _unit_that_fits(table)
    if fit:
        return fit, None
    if rate_ns is not None:
        return rate_ns, None
    name = f'"{heads[-1]}"' if heads and heads[-1] else "1"
    return 1, (f"its column {name} holds whole numbers of no stated unit", "name it in the header, as in time_ns")


def _unit_that_fits(table: F64) -> int:
    """The unit in which the shortest level lasts one bit of the bus, 0 without one."""
    changed = np.flatnonzero((np.diff(table[:, 1:], axis=0) != 0).any(axis=1)) + 1
    spans = np.diff(table[changed, 0])
    if not spans.size:
        return 0
    shortest = float(np.quantile(spans, 0.05)) * BUS_LINE.baud / 1e9  # in bits, if the unit were ns
    return next((unit for unit in _UNITS_NS.values() if 0.9 <= shortest * unit <= 1.1), 0)


def _stated_tick_ns(above: list[bytes]) -> float | None:
    """Duration of one sample, from the lines above the rows; None if not stated."""
    text = "\n".join(line.decode("utf-8", "replace") for line in above)
    for pattern, powers in ((_RATE, _POWERS), (_INTERVAL, _PARTS)):
        found = pattern.search(text)
        if found:
            power = powers.get((found["inner"] or found["power"]).lower(), 1 if powers is _POWERS else 1e9)
            value = _number(found["number"].replace(",", "")) * power
            return (1e9 / value if powers is _POWERS else value) if value else None
    return None


def _number(text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        return 0
    return value if 1e-15 < value < 1e15 else 0


def _cells(lines: list[bytes], separator: bytes) -> list[list[str]]:
    rows = [line.decode("utf-8-sig", "replace").split(separator.decode()) for line in lines]
    return [[sanitize(cell.strip().strip('"').lstrip("#;").strip(), most=NAME_MOST) for cell in row] for row in rows]


def step_ns(text: bytes, layout: LevelLayout) -> int:
    """The step of the times: that of the samples, else the written precision."""
    if not layout.has_time:
        return max(1, round(layout.tick_ns))
    rows = [(line, row) for line in text.split(b"\n")[:_STEPS_MOST] if (row := layout.parse(line)) is not None]
    lines = [line for line, _ in rows]
    times = np.clip(np.concatenate([row[:, 0] for _, row in rows]), -LATEST_NS, LATEST_NS) * layout.tick_ns
    steps: F64 = np.diff(times)
    if steps.size >= _ROWS_LEAST and 0 < steps.max() < 1.5 * steps.min():
        return max(1, round(float(np.median(steps))))
    cells = [line.split(layout.separator)[0].strip(b'" \r') for line in lines]
    digits = max(len(re.split(rb"[.,]", cell)[1]) if re.search(rb"[.,]", cell) else 0 for cell in cells)
    return max(1, int(layout.tick_ns // 10**digits))
