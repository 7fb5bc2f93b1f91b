"""Convert text with dates or times of day, or bytes as characters, into numbers and 0xNN.

No standard defines such cells (common practice, no source). The first rows decide; only
files with such cells are converted, so that all others are read at full speed. It is below the text readers, so that
it serves them all.
"""

from __future__ import annotations

import contextlib
import csv
import io
import re
from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from busbench.capture.file_io import HEAD_BYTES, ByteStream, MadeSource, PieceStream, Source, whole_parts
from busbench.errors import CaptureError

_ROWS_LEAST = 3
_ROWS_LOOKED_AT = 400
_MOSTLY = 0.9
_DAY_S = 86_400
_REST_MOST = 4 << 20
_HINTED = re.compile(
    rb"\d:\d\d|0b[01]{2}|\\x|[\"';,\t]\$[0-9A-Fa-f]|[0-9A-Fa-f]{2}[hH]\b|['\"]['\"]?.['\"]|[,;\t]\S[\r\n,;\t]"
)
_DATE = re.compile(
    r"(?P<date>\d{4}[-/.]\d\d[-/.]\d\d)[T ](?P<clock>\d\d:\d\d:\d\d(?:[.,]\d{1,12})?) ?(?P<zone>Z|UTC|[+-]\d\d:?\d\d)?"
)
_CLOCK = re.compile(
    r"(?:(?P<h>\d{1,3}):)?(?P<m>\d{1,2}|(?<!:)\d{3,5}(?=:\d{1,2}[.,])):(?P<s>\d{1,2})(?P<part>[.,:]\d{1,12})?"
)
_UNDERSTOOD = re.compile(r"0x[0-9a-f]{1,2}|[0-9a-f]{2}|\d{1,3}", re.IGNORECASE)
_ESCAPES = {r"\0": 0, r"\a": 7, r"\b": 8, r"\t": 9, r"\n": 10, r"\v": 11, r"\f": 12, r"\r": 13, r"\e": 27, r"\\": 92}
_CONTROLS = (
    "NUL SOH STX ETX EOT ENQ ACK BEL BS HT LF VT FF CR SO SI"
    " DLE DC1 DC2 DC3 DC4 NAK SYN ETB CAN EM SUB ESC FS GS RS US SP"
)
_WORDS = {name: code for code, name in enumerate(_CONTROLS.split())}
_WORDS |= {"TAB": 9, "SPACE": 32, "COMMA": 44, "DEL": 127}
_NUMBERS: tuple[tuple[re.Pattern[str], int], ...] = (
    (re.compile(r"0b([01]{2,8})", re.IGNORECASE), 2),
    (re.compile(r"\\x([0-9a-f]{2})", re.IGNORECASE), 16),
    (re.compile(r"\$([0-9a-f]{1,2})", re.IGNORECASE), 16),
    (re.compile(r"0?([0-9a-f]{2})h", re.IGNORECASE), 16),
    (re.compile(r"<([0-9a-f]{2})>", re.IGNORECASE), 16),
    (re.compile(r"0x([0-9a-f]{1,2})", re.IGNORECASE), 16),
    (re.compile(r".*[(\[]0x([0-9a-f]{1,2})[)\]]", re.IGNORECASE), 16),
)
Convert = Callable[[str], str]


class _Times:
    """Dates and times of day as seconds from the first day's midnight."""

    def __init__(self) -> None:
        self.zero: datetime | None = None  # the first day, where a date is given
        self._last_s, self._day_s = -1.0, 0

    def __call__(self, cell: str) -> str:
        cell = cell.strip()
        if (found := _DATE.fullmatch(cell)) is not None:
            day = datetime.strptime(re.sub("[/.]", "-", found["date"]), "%Y-%m-%d").replace(tzinfo=UTC)
            zone = found["zone"] or "Z"
            if zone[0] in "+-":
                sign = -1 if zone[0] == "+" else 1
                day += sign * timedelta(hours=int(zone[1:3]), minutes=int(zone[-2:]))
            self.zero = day if self.zero is None else self.zero
            return _seconds(found["clock"], round((day - self.zero).total_seconds()))
        text = _seconds(cell, self._day_s)
        now_s = float(text)
        if now_s < self._last_s - _DAY_S / 2:  # after midnight
            self._day_s += _DAY_S
            text = _seconds(cell, self._day_s)
            now_s = float(text)
        self._last_s = now_s
        return text


def _seconds(clock: str, day_s: int) -> str:
    """Seconds of hh:mm:ss.fff, mm:ss.fff or hh:mm:ss:mmm from the start of the day; digits are kept as written."""
    found = _CLOCK.fullmatch(clock.strip())
    if found is None or (found["h"] is None and found["part"] is None):
        raise ValueError(clock)  # 12:30 alone may be hours or minutes
    whole = day_s + 3600 * int(found["h"] or 0) + 60 * int(found["m"]) + int(found["s"])
    digits = (found["part"] or "")[1:]
    return f"{whole}.{digits}" if digits else str(whole)


def _byte(cell: str) -> str:
    """0xNN of a byte in any known notation (raises ValueError: not a byte)."""
    text = cell.strip() or cell[:1]
    if len(text) > 2 and text[0] == text[-1] and text[0] in "'\"":
        text = text[1:-1]
    for pattern, base in _NUMBERS:
        if (found := pattern.fullmatch(text)) is not None:
            return f"0x{int(found[1], base):02X}"
    if len(text) == 1 and ord(text) < 128:
        return f"0x{ord(text):02X}"
    code = _ESCAPES.get(text, _WORDS.get(text.strip("<>[]{}'\"").upper()))
    if code is None:
        raise ValueError(cell)
    return f"0x{code:02X}"


@dataclass(frozen=True, slots=True)
class ColumnStyle:
    """Which columns are converted."""

    delimiter: str
    times: tuple[int, ...]  # times, bytes_: columns, from 0
    bytes_: tuple[int, ...]

    def converters(self, times: _Times) -> Mapping[int, Convert]:
        """The converter of each of these columns; one clock for all."""
        made: dict[int, Convert] = dict.fromkeys(self.times[:1], times)
        return made | dict.fromkeys(self.bytes_, _byte)


def find_style(head: bytes) -> ColumnStyle | None:
    """The columns to convert, from the beginning of a file; None if there are none."""
    if not _HINTED.search(head) or b"\0" in head or head.lstrip()[:1] == b"$":
        return None
    text = (
        head.decode("utf-8-sig", "replace").rpartition("\n")[0]
        if len(head) >= HEAD_BYTES
        else head.decode("utf-8-sig", "replace")
    )
    lines = [line for line in text.splitlines() if line.strip()][: 2 * _ROWS_LOOKED_AT]
    for delimiter in "\t;,":
        with contextlib.suppress(csv.Error):
            style = _style(lines, delimiter)
            if style is not None:
                return style
    return None


def _style(lines: list[str], delimiter: str) -> ColumnStyle | None:
    if sum(delimiter in line for line in lines) < len(lines) // 2:
        return None
    rows = list(csv.reader(lines, delimiter=delimiter))
    width = Counter(len(row) for row in rows if len(row) > 1).most_common(1)
    rows = [row for row in rows if width and len(row) == width[0][0]][1:][:_ROWS_LOOKED_AT]
    if len(rows) < _ROWS_LEAST:
        return None
    columns = list(zip(*rows, strict=True))
    times = tuple(i for i, cells in enumerate(columns) if _are_times(cells))
    bytes_ = tuple(i for i, cells in enumerate(columns) if i not in times and _are_odd_bytes(cells))
    return ColumnStyle(delimiter, times, bytes_) if times or bytes_ else None


def _are_times(cells: tuple[str, ...]) -> bool:
    """True if nearly all cells are dates or times of day."""
    convert, fits = _Times(), 0
    for cell in cells:
        with contextlib.suppress(ValueError, OverflowError):
            convert(cell)
            fits += 1
    return fits >= _MOSTLY * len(cells)


def _are_odd_bytes(cells: tuple[str, ...]) -> bool:
    """True for bytes that no reader knows: some are not digits, and nearly all can be converted.

    One of the bytes that every frame has must occur, or any column of letters would count as bytes.
    """
    odd = [cell for cell in cells if not _UNDERSTOOD.fullmatch(cell.strip())]
    if len(odd) * 20 < len(cells):
        return False
    made = []
    for cell in cells:
        with contextlib.suppress(ValueError):
            made.append(_byte(cell))
    return "0x0F" in made and len(made) >= _MOSTLY * len(cells)


class StyledSource(MadeSource):
    """Text with its special columns converted."""

    def __init__(self, inner: Source, style: ColumnStyle) -> None:
        super().__init__(inner)
        self._style, self._times = style, _Times()

    @property
    def zero_utc_ns(self) -> int | None:
        """Unix time of 0 s in ns, if times are dates and some were read."""
        zero = self._times.zero
        return None if zero is None else round(zero.timestamp()) * 1_000_000_000

    def open(self) -> ByteStream:
        """A stream of the converted text; see Source."""
        self._times = _Times()
        return PieceStream(filter(None, self._lines()), comes_slowly=self.comes_slowly)

    def _lines(self) -> Iterator[bytes]:
        style = self._style
        convert = style.converters(self._times)
        fault = CaptureError(self.name, "has a line of more than 4 MB", hint="save it again")
        for text, _ in whole_parts(self._inner, start=0, ends=b"\n", rest_most=_REST_MOST, fault=lambda _: fault):
            yield _made_anew(text, style.delimiter, convert)


def _made_anew(text: bytes, delimiter: str, convert: Mapping[int, Convert]) -> bytes:
    out = io.StringIO()
    writer = csv.writer(out, delimiter=delimiter, lineterminator="\n")
    lines = text.decode("utf-8-sig", "replace").splitlines(keepends=True)
    try:
        for row in csv.reader(lines, delimiter=delimiter):
            for column, made in convert.items():
                if column < len(row):
                    with contextlib.suppress(ValueError, OverflowError):  # left for the reader, which names it
                        row[column] = made(row[column])
            writer.writerow(row)
    except csv.Error:
        return text
    return out.getvalue().encode()
