"""Times and values of the wanted signals from the body of a value change dump.

Text with only times and single-bit changes, the usual case, is read as arrays; all else word by word.
"""

from __future__ import annotations

import re
from collections.abc import Collection

import numpy as np

from busbench.capture.digit_words import BEFORE, WORD, load_words, whole_numbers
from busbench.errors import CaptureError, pluralize, sanitize
from busbench.model import F64, I64, TIME_MAX_NS, TIME_MIN_NS, U8, U64, set_readonly

Part = tuple[bytes, int]
"""Identifier of a variable, and which of its bits counted from the right; REAL for a real number."""
REAL = -1
SPACE = b" \t\r\n\v\f"
FS_PER_NS = 10**6
_DUMPS = (b"$dumpvars", b"$dumpall", b"$dumpon", b"$dumpoff", b"$end")
_UNKNOWN = 2
_VALUES = {ord("0"): 0, ord("1"): 1, **dict.fromkeys(b"xXzZ", _UNKNOWN)}
_NO_TIMES, _NO_VALUES = np.empty(0, np.int64), np.empty(0, np.float64)
set_readonly(_NO_TIMES, _NO_VALUES)
_IS_SPACE = np.zeros(256, np.bool_)
_IS_SPACE[list(SPACE)] = True
_VALUE = np.full(256, 255, np.uint8)
_VALUE[list(_VALUES)] = list(_VALUES.values())
_BIT = [0]  # the parts of a variable of one bit
_SORTED_LEAST = 8  # from this number of variables, changes are sorted by variable
_TIME_DIGITS_MOST = 18
_REAL_MOST = 1e300
_MASKS = np.array([(1 << 8 * size) - 1 for size in range(WORD + 1)], np.uint64)


class VcdChanges:
    """Collects times and values from the body of a dump: what is `wanted` among the identifiers that are `known`."""

    def __init__(self, path: str, wanted: Collection[Part], known: Collection[bytes], step_fs: int) -> None:
        self._path, self._known, self._step_fs = path, frozenset(known), step_fs
        self._got: dict[Part, list[tuple[I64, F64 | U8]]] = {part: [] for part in wanted}
        self._parts: dict[bytes, list[int]] = {}
        for ident, bit in self._got:
            self._parts.setdefault(ident, []).append(bit)
        self._keys = {int.from_bytes(ident, "little"): ident for ident in self._known if len(ident) <= WORD}
        self._now = 0
        self._has_begun = False  # a time or a change was read; before, times may be negative
        self._skips_to_end = False
        self._value: bytes | None = None  # value of a vector or real number whose name comes next
        self.unknown = 0
        self._is_cut = False

    def notes(self) -> list[str]:
        """The faults so far."""
        notes = []
        if self.unknown:
            notes.append(f"{pluralize(self.unknown, 'change')} to x or z taken as no change")
        if self._is_cut:
            notes.append("the file is cut inside its last entry")
        return notes

    def take(self, text: bytes, offset: int) -> None:
        """Read whole entries.

        Args:
            offset: of the text in the file.

        Raises:
            CaptureError: something is no entry; what came before was taken.
        """
        # Commands come before the first changes; what follows the last of them may be plain.
        size = text.rfind(b"$end") + len(b"$end")
        if size >= len(b"$end") and text[size : size + 1] <= b" ":
            self._take_each(text[:size].split(), text, offset)
            text, offset = text[size:], offset + size
        if self._skips_to_end or self._value is not None or not self._take_plain(text):
            self._take_each(text.split(), text, offset)

    def take_last(self, token: bytes) -> None:
        """Read the last entry, which has no end and may be cut."""
        if token[:1] == b"#":
            try:
                self._take_each([token], token, 0)
            except CaptureError:
                self._is_cut = True
        elif (token[0] in _VALUES and token[1:] in self._known) or token == b"$end" or self._value is not None:
            self._take_each([token], token, 0)
        else:
            self._is_cut = True

    @property
    def reached_ns(self) -> int:
        """The time up to which the values are known."""
        return int(self._to_ns(np.array([self._now]))[0])

    def hand_over(self, part: Part, *, is_end: bool) -> tuple[I64, F64 | U8]:
        """Times in ns and values since the last call; single bits are uint8.

        Changes at the latest time are held back, since others may follow.
        """
        parts = self._got[part]
        if not parts:
            return _NO_TIMES, _NO_VALUES
        times = np.concatenate([one[0] for one in parts])
        values = np.concatenate([one[1] for one in parts])
        over = times.size if is_end else int(np.searchsorted(times, self._now))
        self._got[part] = [(times[over:], values[over:])] if over < times.size else []
        return self._to_ns(times[:over]), values[:over]

    def _to_ns(self, times: I64) -> I64:
        if self._step_fs % FS_PER_NS == 0:
            return times * (self._step_fs // FS_PER_NS)
        per_ns = FS_PER_NS // self._step_fs
        if FS_PER_NS % self._step_fs == 0:
            return times // per_ns
        return np.array([t * self._step_fs // FS_PER_NS for t in times.tolist()], np.int64)

    def _add(self, part: Part, times: I64, values: U8) -> None:
        is_known = values != _UNKNOWN
        if not is_known.all():
            self.unknown += int(np.count_nonzero(~is_known))
            times, values = times[is_known], values[is_known]
        if times.size:
            self._got[part].append((times, values))

    def _take_plain(self, text: bytes) -> bool:
        """Read times and single-bit changes, all at once; False if there is anything else."""
        buffer = np.frombuffer(b" " * BEFORE + text + bytes(WORD), np.uint8)
        body = buffer[BEFORE - 1 : BEFORE + len(text)]
        is_space = _IS_SPACE.take(body)
        bounds = np.flatnonzero(is_space[1:] != is_space[:-1]) + BEFORE
        start, end = bounds[::2], bounds[1::2]
        if not start.size:
            return True
        first = buffer.take(start)
        is_time = first == ord("#")
        value = _VALUE.take(first)
        size = end - start
        if not (is_time | (value != 255)).all() or int(size.min()) < 2:
            return False
        at = np.flatnonzero(is_time)
        stamps, is_digits = whole_numbers(buffer, end[at], size[at] - 1)
        times = np.concatenate([np.array([self._now]), stamps.view(np.int64)])
        if not is_digits.all() or (times[1:] < times[:-1]).any() or int(times[-1]) > self._most:
            return False
        changes = np.flatnonzero(~is_time)
        longest = int(size.take(changes).max(initial=0)) - 1
        if longest > WORD:
            return False
        names = load_words(buffer, start.take(changes) + 1)
        names &= _MASKS.take(size.take(changes) - 1)
        rows = self._rows(names)
        if rows is None:
            return False
        place = np.cumsum(is_time)
        for ident, mine in rows.items():
            mine = changes[mine]
            self._add((ident, 0), times.take(place.take(mine)), value.take(mine))
        self._now = int(times[-1])
        self._has_begun = True
        return True

    def _rows(self, names: U64) -> dict[bytes, I64] | None:
        """The rows in which each wanted variable changes; None if one is undeclared or not a single bit."""
        first = names[:1].tolist()
        rows: list[I64]
        if (names == names[:1]).all():  # of one variable, or times alone
            present, rows = first, [np.arange(names.size)] * len(first)
        elif len(self._parts) < _SORTED_LEAST and len(self._keys) < _SORTED_LEAST:
            present = [key for key in self._keys if (names == key).any()]
            rows = [np.flatnonzero(names == key) for key in present]
            if sum(one.size for one in rows) < names.size:
                return None
        else:
            order = np.argsort(names, kind="stable")
            keys, starts = np.unique(names[order], return_index=True)
            present, rows = keys.tolist(), np.split(order, starts[1:])
        found = {}
        for key, mine in zip(present, rows, strict=True):
            ident = self._keys.get(key)
            if ident is None or self._parts.get(ident, _BIT) != _BIT:
                return None
            if ident in self._parts:
                found[ident] = mine
        return found

    @property
    def _most(self) -> int:
        return TIME_MAX_NS // max(1, self._step_fs // FS_PER_NS)

    def _take_each(self, tokens: list[bytes], text: bytes, offset: int) -> None:
        got: dict[Part, tuple[list[int], list[float]]] = {part: ([], []) for part in self._got}
        try:
            for at, token in enumerate(tokens):
                fault = self._take_one(token, got)
                if fault:
                    where = next(m for i, m in enumerate(re.finditer(rb"\S+", text)) if i == at).start()
                    said = sanitize(token, most=20)
                    raise CaptureError(self._path, f'"{said}" {fault}', offset=offset + where, hint="save it again")
        finally:
            for part, (times, values) in got.items():
                if part[1] != REAL:
                    self._add(part, np.array(times, np.int64), np.array(values, np.uint8))
                elif times:
                    self._got[part].append((np.array(times, np.int64), np.array(values, np.float64)))

    def _take_one(self, token: bytes, got: dict[Part, tuple[list[int], list[float]]]) -> str:
        first = token[0]
        if self._skips_to_end:
            self._skips_to_end = token != b"$end"
        elif self._value is not None:
            for bit in self._parts.get(token, ()):
                value = _value_of(self._value, bit)
                if value is not None:
                    got[token, bit][0].append(self._now)
                    got[token, bit][1].append(value)
                    self._has_begun = True
            self._value = None
        elif first == ord("#"):
            digits = token[1:].removeprefix(b"-")
            if not digits.isdigit() or len(digits) > _TIME_DIGITS_MOST + 1:
                return "is not a time"
            now = int(token[1:])
            if now < self._now and self._has_begun:
                return f"goes back in time from #{self._now}"
            if not TIME_MIN_NS // max(1, self._step_fs // FS_PER_NS) <= now <= self._most:
                return "is too late a time" if now > 0 else "is too early a time"
            self._now, self._has_begun = now, True
        elif first in _VALUES:
            name = token[1:]
            if name in self._parts:
                for bit in self._parts[name]:
                    got[name, bit][0].append(self._now)
                    got[name, bit][1].append(_VALUES[first] if bit <= 0 else 0)
                self._has_begun = True
            elif name not in self._known:
                return "changes no signal that is declared"
        elif first in b"bBrRsS":
            self._value = token
        elif first == ord("$"):
            self._skips_to_end = token not in _DUMPS
        else:
            return "is not an entry of a value change dump"
        return ""


def _value_of(token: bytes, bit: int) -> float | None:
    """The value of one bit of b1010, counted from the right, or of a real number; None without one."""
    kind = token[:1].lower()
    if bit == REAL:
        if kind != b"r":
            return None
        try:
            value = float(token[1:])
        except ValueError:
            return None
        return value if abs(value) < _REAL_MOST else None
    if kind != b"b":
        return None
    bits = token[1:]
    if bit < len(bits):
        return _VALUES.get(bits[-1 - bit], _UNKNOWN)
    return 0 if bits[:1] in (b"0", b"1") else _UNKNOWN  # missing leading bits repeat x and z, else are 0
