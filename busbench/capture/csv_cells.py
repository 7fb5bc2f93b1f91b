"""Cells of delimited text as arrays: a block of lines is parsed column by column.

Text is not decoded: a column is the start and end of each of its cells in the
block, and numbers are read one character position at a time for all rows at once.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from busbench.capture.digit_words import even_decimals
from busbench.errors import sanitize
from busbench.model import I64, TIME_MAX_NS, TIME_MIN_NS, U8, U64, Bools

SLACK = 64  # zeros required after the text of a block
CELL_BYTES_MAX = 48  # longer cells are not numbers
_DIGITS_MAX = 19  # so many digits always fit in 64 bits
_STRIPPED_MAX = 32

_BLANK = np.zeros(256, np.bool_)
_BLANKS = b" \t\r\"'\xa0\xc2"  # a no-break space is the last two
_BLANK[list(_BLANKS)] = True
_HEX = np.full(256, 255, np.uint8)
_HEX[list(b"0123456789")] = range(10)
_HEX[list(b"abcdef")] = _HEX[list(b"ABCDEF")] = range(10, 16)
_POWERS = np.array([10**k for k in range(20)], np.uint64)


@dataclass(frozen=True, slots=True, eq=False)
class Cells:
    """One column of a block."""

    buffer: U8  # the block, uint8, with SLACK zeros after the text
    start: I64  # position of each cell's first character, without blanks and quotes, int64 (R,)
    size: I64  # its length, int64 (R,), 0 if it is empty or absent

    def select(self, keep: Bools | I64) -> Cells:
        """Some of the cells, by mask or by index."""
        return Cells(self.buffer, self.start[keep], self.size[keep])

    def text(self, row: int) -> str:
        """The first 40 characters of a cell, safe to print."""
        start, size = int(self.start[row]), int(self.size[row])
        return sanitize(self.buffer[start : start + size].tobytes(), most=40)


@dataclass(frozen=True, slots=True, eq=False)
class Lines:
    """The lines of a block."""

    buffer: U8  # the block, uint8, with SLACK zeros after the text
    start: I64  # position of each line's first character, int64 (R,)
    end: I64  # position just past its last, int64 (R,)
    marks: I64  # positions of all delimiters outside quotes, int64, rising
    first: I64  # index into marks of the line's first, int64 (R,)
    fields: I64  # its number of cells, int64 (R,)
    is_tight: bool = False  # True if the text has no blanks and no quotes

    def column(self, number: int) -> Cells:
        """The cells of one column, counted from 0."""
        start, end = self.start, self.end
        if int(self.fields.min(initial=number + 1)) > number:  # every line has it
            start = self.marks.take(self.first + (number - 1)) + 1 if number else start
            if int(self.fields.max(initial=0)) > number + 1:
                marks = np.append(self.marks, 0)
                inner = marks.take(np.minimum(self.first + number, marks.size - 1))
                end = inner if int(self.fields.min()) > number + 1 else np.where(self.fields > number + 1, inner, end)
            if self.is_tight:
                return Cells(self.buffer, start, end - start)
            return _stripped(self.buffer, start, end)
        marks = np.append(self.marks, 0)  # a valid position for lines without such a cell
        last = marks.size - 1
        start = np.where(self.fields > number, marks[np.minimum(self.first + (number - 1), last)] + 1, end)
        end = np.where(self.fields > number + 1, marks[np.minimum(self.first + number, last)], end)
        return _stripped(self.buffer, start, end)

    def select(self, keep: Bools | I64) -> Lines:
        """Some of the lines, by mask or by index."""
        part = self.start[keep], self.end[keep], self.marks, self.first[keep], self.fields[keep]
        return Lines(self.buffer, *part, self.is_tight)

    def is_void(self) -> Bools:
        """True for lines that are blank or a comment."""
        cells = _stripped(self.buffer, self.start, self.end)
        here, after = self.buffer[cells.start], self.buffer[cells.start + 1]
        comment = (here == ord("#")) | (here == ord("%")) | ((here == ord("/")) & (after == ord("/")))
        void: Bools = (cells.size == 0) | comment
        return void


def split(buffer: U8, size: int, *, newline: int, delimiter: int) -> Lines:
    """Find lines and cells in the first `size` bytes, which end with a line end followed by SLACK zeros."""
    text = buffer[:size]
    end = np.flatnonzero(text == newline)
    start = np.concatenate([[0], end[:-1] + 1]) if end.size else end
    marks = np.flatnonzero(text == delimiter)
    quote = text == ord('"')
    if quote.any():
        before = np.cumsum(quote, dtype=np.int32)
        line = np.searchsorted(end, marks)
        opened = before[marks] - (before[start] - quote[start])[line]
        marks = marks[opened % 2 == 0]
    each, odd = divmod(marks.size, max(start.size, 1))
    grid = marks.reshape(-1, each) if each and not odd else None
    if grid is not None and (grid[:, 0] >= start).all() and (grid[:, -1] < end).all():  # the same number in each line
        first = np.arange(0, marks.size, each)
        fields = np.full(start.size, each + 1)
    else:
        first = np.searchsorted(marks, start)
        fields = np.diff(first, append=marks.size) + 1
    written = text.tobytes()
    is_tight = not any(code != delimiter and bytes([code]) in written for code in _BLANKS)
    return Lines(buffer, start, end, marks, first, fields, is_tight)


def _stripped(buffer: U8, start: I64, end: I64) -> Cells:
    for _ in range(_STRIPPED_MAX):
        blank = _BLANK[buffer[start]] & (start < end)
        blank &= (buffer[start] != 0xC2) | (buffer[start + 1] == 0xA0)  # µ and ° begin with it too
        if not blank.any():
            break
        start = start + blank
    for _ in range(_STRIPPED_MAX):
        blank = _BLANK[buffer[end - 1]] & (start < end)
        before = buffer[end - 2]
        blank &= (buffer[end - 1] != 0xA0) | (before < 0x80) | (before == 0xC2)  # à ends with it too
        if not blank.any():
            break
        end = end - blank
    return Cells(buffer, start, end - start)


@dataclass(frozen=True, slots=True, eq=False)
class Decimals:
    """Decimal numbers as written: digits · 10^power."""

    digits: U64  # all digits as one number, uint64 (R,)
    power: I64  # int64 (R,)
    negative: Bools  # bool (R,)
    ok: Bools  # True if the cell is a number, bool (R,)

    def scaled(self, power: int) -> tuple[I64, Bools]:
        """Integers in units of 10^-power, rounded half away from zero.

        Returns:
            int64 (R,), and True if the cell was a number from TIME_MIN_NS to TIME_MAX_NS, bool (R,).
        """
        shift = self.power + power
        if shift.size and 0 <= (first := int(shift[0])) <= 19 and (shift == first).all():
            factor = _POWERS[first]
            most = np.uint64(min(TIME_MAX_NS, -TIME_MIN_NS)) // factor
            fits = self.ok & (self.digits <= most)
            if fits.all() and not self.negative.any():
                return (self.digits * factor).view(np.int64), fits
        up = _POWERS[shift.clip(0, 19)]
        down = _POWERS[(-shift).clip(0, 19)]
        whole, rest = np.divmod(self.digits, down)
        whole += rest >= down - down // np.uint64(2)
        whole[shift < -19] = 0
        most = np.where(self.negative, np.uint64(-TIME_MIN_NS), np.uint64(TIME_MAX_NS))
        fits = self.ok & (shift <= 19) & (whole <= most // up)
        fits |= self.ok & (self.digits == 0)
        value = (whole * up).view(np.int64)
        return np.where(fits, np.where(self.negative, -value, value), 0), fits


def decimals(cells: Cells) -> Decimals:
    """Numbers such as 12, -0.5, 0,0012 or 1.2e-05; a comma counts as a point."""
    digits, places, even = even_decimals(cells.buffer, cells.start, cells.start + cells.size)
    power, negative = np.full(digits.size, -places), np.zeros(digits.size, np.bool_)
    if not even.all():
        odd = np.flatnonzero(~even)
        others = _each_decimal(cells.select(odd))
        digits[odd], power[odd], negative[odd], even[odd] = others.digits, others.power, others.negative, others.ok
    return Decimals(digits, power, negative, even)


def _each_decimal(cells: Cells) -> Decimals:
    """Numbers of any form, character by character for all at once."""
    rows = cells.size.size
    digits = np.zeros(rows, np.uint64)
    significant, fraction, power = (np.zeros(rows, np.int16) for _ in range(3))
    phase = np.zeros(rows, np.uint8)  # 0 before the point, 1 after it, 2 in the exponent
    count = np.zeros(rows, np.uint8)  # digits in this part of the number
    negative, power_negative = np.zeros(rows, np.bool_), np.zeros(rows, np.bool_)
    ok = (cells.size > 0) & (cells.size <= CELL_BYTES_MAX)
    size = np.where(ok, cells.size, 0)
    previous = np.zeros(rows, np.uint8)
    for k in range(int(size.max(initial=0))):
        live = size > k
        c = np.where(live, cells.buffer[np.minimum(cells.start + k, cells.buffer.size - 1)], 0)
        digit = c - np.uint8(48)
        is_digit = digit < 10
        mantissa = is_digit & (phase < 2)
        full = significant >= _DIGITS_MAX
        ok &= ~(mantissa & full & (phase == 0))
        used = mantissa & ~full
        digits[used] = digits[used] * np.uint64(10) + digit[used]
        significant += used & (digits > 0)
        fraction += used & (phase == 1)
        count += is_digit
        if mantissa.all():
            previous = c
            continue
        exponent = is_digit & (phase == 2)
        power[exponent] = np.minimum(power[exponent] * 10 + digit[exponent], 999)
        point = (c == ord(".")) | (c == ord(","))
        ok &= ~point | (phase == 0)
        phase[point] = 1
        starts = (c | 32) == ord("e")
        ok &= ~starts | ((phase < 2) & (count > 0))
        phase[starts] = 2
        count[starts] = 0
        sign = (c == ord("-")) | (c == ord("+"))
        ok &= ~sign | (k == 0) | ((previous | 32) == ord("e"))
        negative |= (c == ord("-")) & (k == 0)
        power_negative |= (c == ord("-")) & (k > 0)
        ok &= is_digit | point | starts | sign | ~live
        previous = c
    ok &= count > 0
    return Decimals(digits, np.where(power_negative, -power, power).astype(np.int64) - fraction, negative, ok)


def hex_digits(cells: Cells, skip: int) -> tuple[U8, Bools]:
    """Bytes from hex digits after `skip` characters such as "0x", and True if the cell is such a byte, (R,) each."""
    value: U8 = np.zeros(cells.size.size, np.uint8)
    ok = cells.size > skip
    alike = int(cells.size[0]) if ok.all() and ok.size else 0
    if skip < alike <= skip + 8 and (cells.size == alike).all():
        for k in range(skip, alike):
            digit = _HEX.take(cells.buffer.take(cells.start + k))
            ok &= (digit < 16) & (value < 16)
            value = (value << np.uint8(4) | digit).astype(np.uint8)
        return value, ok
    for k in range(min(int(cells.size.max(initial=0)), skip + 8)):
        if k < skip:
            continue
        live = cells.size > k
        digit = _HEX[cells.buffer[np.minimum(cells.start + k, cells.buffer.size - 1)]]
        ok &= ~live | ((digit < 16) & (value < 16))
        value[live] = value[live] << 4 | digit[live]
    return value, ok & (cells.size <= skip + 8)


def decimal_bytes(cells: Cells) -> tuple[U8, Bools]:
    """Bytes from decimal numbers of at most three digits, and True if the cell is one, (R,) each."""
    value = np.zeros(cells.size.size, np.uint16)
    ok = (cells.size > 0) & (cells.size <= 3)
    for k in range(3):
        live = cells.size > k
        digit = cells.buffer[np.minimum(cells.start + k, cells.buffer.size - 1)] - np.uint8(48)
        ok &= ~live | (digit < 10)
        value = np.where(live, value * np.uint16(10) + digit, value)
    return value.astype(np.uint8), ok & (value < 256)


def has_prefix(cells: Cells) -> Bools:
    """True for cells that begin with 0x."""
    found: Bools = (
        (cells.size > 2) & (cells.buffer[cells.start] == ord("0")) & (cells.buffer[cells.start + 1] | 32 == ord("x"))
    )
    return found


def is_word(cells: Cells, words: tuple[str, ...]) -> Bools:
    """True for cells that are one of the words of at most 8 letters; case is ignored."""
    key = np.zeros(cells.size.size, np.uint64)
    for k in range(min(int(cells.size.max(initial=0)), 8)):
        c = cells.buffer[cells.start + k]
        c = np.where((c >= 65) & (c <= 90), c | 32, c)
        key |= np.where(cells.size > k, c, 0).astype(np.uint64) << np.uint64(8 * k)
    is_one = key.size > 0 and bool((key == key[0]).all())
    some = key[:1] if is_one else key
    found = np.zeros(some.size, np.bool_)
    for word in words:
        found |= some == np.uint64(int.from_bytes(word.encode(), "little"))
    return found & (cells.size <= 8)
