"""Find the columns of times and bytes in delimited text, and their notation."""

from __future__ import annotations

import enum
import math
import re
from dataclasses import dataclass, replace

import numpy as np

from busbench.capture.csv_cells import (
    SLACK,
    Cells,
    Decimals,
    Lines,
    decimal_bytes,
    decimals,
    has_prefix,
    hex_digits,
    is_word,
    split,
)
from busbench.line import BUS_LINE
from busbench.model import I64, U8, Bools

BOM = b"\xef\xbb\xbf"
_DELIMITERS = (ord("\t"), ord(";"), ord(","))
_COLUMNS_MAX = 32
_GOOD_WORDS = ("", "0", "false", "f", "no", "n", "none", "ok", "good", "null", "nan", "-", ".", "0x0", "0x00")
_STEPS_MIN = 8  # min rows for a conclusion
_COMPARED_ROWS = 200  # a column that is the same in so many does not change
_UNITS = {"s": 9, "m": 6, "u": 3, "µ": 3, "μ": 3, "n": 0, "milli": 6, "micro": 3, "nano": 0}

_UNIT = re.compile(
    r"(?<![a-zµμ])(?:(s|secs?|seconds?)|(m|u|µ|μ|n)(?:s|secs?|seconds?)|(milli|micro|nano)(?:secs?|seconds?))(?![a-zµμ])"
)
_TIME_WORDS = re.compile(r"time|start|begin|stamp|zeit|temps|tiempo|(?<![a-z])t(?![a-z])")
_NOT_TIME_WORDS = re.compile(r"end|stop|duration|delta|length|diff|dauer|period|index|packet|frame|(?<![a-z])id")
_BYTE_WORDS = re.compile(r"byte|data|value|hex|dec(?!od)|char|octet|(?<![a-z])rx|wert|valeur|dato")
_NOT_BYTE_WORDS = re.compile(
    r"parity|framing|error|break|bad|index|number|count|packet|address|channel|(?<![a-z])(?:id|no|ch|bits?)(?![a-z])"
)
_ERROR_WORDS = re.compile(r"parity|framing|frame.?err|error|break|overrun|bad|damaged|fault|fehler")


class Base(enum.Enum):
    """The notation of bytes."""

    PREFIXED = "with 0x"
    HEX = "as hex digits"
    DECIMAL = "as decimal numbers"
    OPEN = "not known from the first rows"


@dataclass(frozen=True, slots=True)
class Layout:
    """The layout of a file."""

    newline: int  # code of the line-end character
    delimiter: int  # code of the delimiter
    skipped: int  # lines before the first row
    time: int  # time, byte: columns, from 0
    byte: int
    errors: tuple[int, ...]  # columns that mark damaged bytes
    unit_power: int  # the unit of the times is 10^unit_power ns
    base: Base  # notation of the bytes
    width: int  # length of a byte cell if all are equal, else 0
    digit_ns: int  # decimal place of the last digit of the first times
    step_ns: int  # common step of the first times, 0 if there are too few
    first_t_ns: int  # the first time
    header: str  # header of the byte column
    notes: tuple[str, ...]
    fault: str = ""  # why the file cannot be read, else ""
    is_per_read: bool = False  # True if most of the first rows share a time: it is that of a read

    def resolution_ns(self, step_max_ns: int) -> int:
        """Smallest step of the clock.

        Args:
            step_max_ns: no clock fine enough for the bits of the line steps more
                coarsely; larger common steps are those of made-up times.
        """
        return self.step_ns if self.digit_ns <= self.step_ns <= step_max_ns else self.digit_ns

    def settled(self, evidence: I64) -> Layout:
        """The layout with the number base decided by the sum of weigh() over the file."""
        if self.base is not Base.OPEN:
            return self
        base, why = _decide(evidence, self.header)
        return replace(self, base=base, notes=(*self.notes, f"bytes without 0x are read {base.value}: {why}"))


def weigh(cells: Cells) -> I64:
    """Evidence for the base without 0x: number of cells that are hex only, decimal only, of one digit, int64 (3,)."""
    leading_zero = (cells.size == 2) & (cells.buffer[cells.start] == ord("0"))
    is_hex = hex_digits(cells, 0)[1] & (cells.size <= 2)
    is_decimal = decimal_bytes(cells)[1]
    counts = (is_hex & (~is_decimal | leading_zero), is_decimal & (cells.size == 3), is_decimal & (cells.size == 1))
    return np.array([np.count_nonzero(one) for one in counts], np.int64)


def read_bytes(cells: Cells, base: Base) -> tuple[U8, Bools]:
    """Bytes of a column, uint8 (R,), and True for cells that are bytes, bool (R,)."""
    if base is Base.PREFIXED:
        value, ok = hex_digits(cells, 2)
        return value, ok & has_prefix(cells)
    if base is Base.HEX:
        value, ok = hex_digits(cells, 0)
        return value, ok & (cells.size <= 2)
    return decimal_bytes(cells)


def is_marked(cells: Cells) -> Bools:
    """True for cells that mark a byte as damaged."""
    return ~is_word(cells, _GOOD_WORDS)


def find_layout(head: bytes, *, is_whole: bool) -> Layout | None:
    """The layout from the first bytes of a file; None if no rows hold a time and a byte."""
    if head.startswith(BOM):
        head = b"   " + head[3:]
    newline = b"\r" if b"\n" not in head and b"\r" in head else b"\n"
    text = head + newline if is_whole else head[: head.rfind(newline) + 1]
    buffer = np.zeros(len(text) + SLACK, np.uint8)
    buffer[: len(text)] = np.frombuffer(text, np.uint8)
    for delimiter in _DELIMITERS:
        lines = split(buffer, len(text), newline=newline[0], delimiter=delimiter)
        has_end = not is_whole or head.endswith(newline)
        layout = _layout(lines, newline[0], delimiter, has_end=has_end)
        if layout is not None:
            return layout
    return None


def _decide(evidence: I64, header: str) -> tuple[Base, str]:
    hex_only, decimal_only, single = evidence.tolist()
    if hex_only != decimal_only:
        if hex_only > decimal_only:
            return Base.HEX, f"{hex_only} of them can be nothing else"
        return Base.DECIMAL, f"{decimal_only} of them can be nothing else"
    if re.search(r"hex|(?<![a-z])dec", header):
        return (Base.HEX if "hex" in header else Base.DECIMAL), "the header says so"
    if single:
        return Base.DECIMAL, "both would do, but some have a single digit"
    return Base.HEX, "both would do, but all have two digits"


def _layout(lines: Lines, newline: int, delimiter: int, *, has_end: bool) -> Layout | None:
    """The layout with one delimiter, None if that gives no columns of times and bytes."""
    content = np.flatnonzero(~lines.is_void())
    widths = np.minimum(lines.fields[content], _COLUMNS_MAX + 1)
    counts = np.bincount(widths)
    counts[:2] = 0
    if not counts.any():
        return None
    fields = counts.size - 1 - int(counts[::-1].argmax())
    mine = content[widths == fields]
    rows = lines.select(mine)
    cells = [rows.column(c) for c in range(min(fields, _COLUMNS_MAX))]
    numbers = [decimals(one) for one in cells]
    is_byte = [_may_be_byte(one) for one in cells]
    known = np.sum([number.ok | byte for number, byte in zip(numbers, is_byte, strict=True)], axis=0)
    data = (known >= 2) & np.any(is_byte, axis=0) & np.any([one.ok for one in numbers], axis=0)
    above = content[content < mine[int(data.argmax())]]
    header = lines.select(above[-1:])
    names = [header.column(c).text(0).lower() if above.size else "" for c in range(len(cells))]

    time = _best([_time_score(name, one, data) for name, one in zip(names, numbers, strict=True)])
    if time < 0:
        return None
    scores = [_byte_score(name, one, ok & data, data) for name, one, ok in zip(names, cells, is_byte, strict=True)]
    scores[time] = 0
    byte = _best(scores)
    if byte < 0:
        return None
    first = int(data.argmax())
    data &= numbers[time].ok & is_byte[byte]
    named = _TIME_WORDS.search(names[time]) and _BYTE_WORDS.search(names[byte])
    if np.count_nonzero(data) * 2 < data.size - first and not (named and data.any()):
        return None

    notes: list[str] = []
    if scores.count(scores[byte]) > 1:
        notes.append(f"column {byte + 1} is taken for the bytes; others would do as well")
    unit_power = _unit_power(names[time], numbers[time], data, notes)
    times = numbers[time].scaled(unit_power)[0][data]
    is_per_read = _share_times(times)
    if is_per_read:
        notes.append("most rows share their time with the next: rows of one time are taken as one read")
    last_digit = int(numbers[time].power[data].min()) + unit_power
    bytes_ = cells[byte]
    prefixed = has_prefix(bytes_)[data]
    sizes = np.unique(bytes_.size[data][: None if has_end else -1])
    layout = Layout(
        newline=newline,
        delimiter=delimiter,
        skipped=int(mine[int(data.argmax())]),
        time=time,
        byte=byte,
        errors=_error_columns(names, cells, data, {time, byte}, notes),
        unit_power=unit_power,
        base=Base.PREFIXED if np.count_nonzero(prefixed) * 2 > prefixed.size else Base.OPEN,
        width=int(sizes[0]) if sizes.size == 1 else 0,
        digit_ns=10 ** min(max(last_digit, 0), 12),
        step_ns=int(np.gcd.reduce(np.diff(times))) if times.size >= _STEPS_MIN else 0,
        first_t_ns=int(times[0]),
        header=names[byte],
        notes=tuple(notes),
        fault=_fault(header, fields, cells[-1], data, delimiter),
        is_per_read=is_per_read,
    )
    evidence = weigh(bytes_.select(data))
    # Clear evidence in the first rows is enough; else the whole column decides.
    return layout.settled(evidence) if (evidence[:2] > 0).sum() == 1 else layout


def _may_be_byte(cells: Cells) -> Bools:
    prefixed = has_prefix(cells)
    bare = (hex_digits(cells, 0)[1] & (cells.size <= 2)) | decimal_bytes(cells)[1]
    return np.where(prefixed, hex_digits(cells, 2)[1], bare)


def _best(scores: list[int]) -> int:
    """Index of the first highest score above 0, else -1."""
    top = max(scores)
    return scores.index(top) if top > 0 else -1


def _time_score(name: str, number: Decimals, data: Bools) -> int:
    """Score of a column as times."""
    use = data & number.ok
    if np.count_nonzero(use) * 2 < np.count_nonzero(data):
        return 0
    steps = np.diff(number.scaled(9)[0][use])
    rises = bool(steps.size and (steps > 0).mean() >= 0.9)
    has_point = bool((number.power[use] < 0).any())
    named = bool(_TIME_WORDS.search(name)) and not _NOT_TIME_WORDS.search(name)
    if not (named or rises or (has_point and steps.size == 0)):
        return 0
    return 10 + 16 * named + 4 * has_point + 2 * rises - 8 * bool(_NOT_TIME_WORDS.search(name))


def _byte_score(name: str, cells: Cells, use: Bools, data: Bools) -> int:
    """Score of a column as bytes."""
    some = cells.select(use)
    if not some.size.size or some.size.size * 2 < np.count_nonzero(data):
        return 0
    value = some.buffer[some.start]
    only_levels = bool(((some.size == 1) & ((value == ord("0")) | (value == ord("1")))).all())
    if only_levels and "byte" not in name:
        return 0
    if _NOT_BYTE_WORDS.search(name) and not _BYTE_WORDS.search(name):
        return 0
    named = bool(_BYTE_WORDS.search(name))
    numbers = decimals(some).digits.astype(np.int64)
    counts_up = numbers.size > 2 and bool((np.diff(numbers) == 1).all())
    constant = len({some.text(row) for row in range(min(some.size.size, _COMPARED_ROWS))}) == 1
    return 8 + 16 * named + 8 * bool(has_prefix(some).all()) - 6 * counts_up - 2 * constant


def _share_times(times: I64) -> bool:
    """True if most rows have the time of the row before."""
    return times.size >= _STEPS_MIN and int(np.count_nonzero(np.diff(times) == 0)) * 2 >= times.size


def _unit_power(name: str, number: Decimals, data: Bools, notes: list[str]) -> int:
    """The power of ten, in ns, of the unit of the times."""
    found = _UNIT.search(name)
    if found:
        return _UNITS[found[2] or found[3] or "s"]
    whole = bool((number.power[data] >= 0).all())
    times = number.scaled(0)[0][data]
    steps = np.diff(times)
    rows = steps.size
    steps = steps[steps > 0]
    if not whole or steps.size < _STEPS_MIN:
        notes.append("no unit is named for the times; they are taken as seconds")
        return 9
    # the characters of a frame follow without pause
    typical = float(np.median(steps)) * (steps.size / rows if _share_times(times) else 1)
    power = min((6, 3, 0), key=lambda p: abs(math.log10(typical * 10.0**p / BUS_LINE.character_ns)))
    unit = {6: "milliseconds", 3: "microseconds", 0: "nanoseconds"}[power]
    notes.append(f"no unit is named for the times; by their steps they are taken as {unit}")
    return power


def _error_columns(
    names: list[str], cells: list[Cells], data: Bools, taken: set[int], notes: list[str]
) -> tuple[int, ...]:
    found = []
    for column, (name, one) in enumerate(zip(names, cells, strict=True)):
        if column in taken:
            continue
        some = one.select(data)
        marked = is_marked(some)
        if not _ERROR_WORDS.search(name):
            unnamed = not name and bool(is_word(some, ("true", "false")).all())
            if not unnamed:
                continue
        elif "parity" in name and "err" not in name and np.count_nonzero(marked) * 4 > marked.size:
            notes.append(f"column {column + 1} is taken for the parity bit itself, not for errors")
            continue
        found.append(column)
    return tuple(found)


def _fault(header: Lines, fields: int, last: Cells, data: Bools, delimiter: int) -> str:
    """Detect a comma that is both decimal point and delimiter, which splits times in two."""
    parted = delimiter == ord(",") and header.fields.size and int(header.fields[0]) == fields - 1 > 1
    if not parted or not last.size[data].all():
        return ""
    return f"its header has {fields - 1} cells but its rows have {fields}"
