"""Value change dumps: the levels of named signals over time.

Source: IEEE 1364, clause "Value change dump (VCD) files". Signals of one bit are
read; wider ones and reals are passed over. x and z leave the level as it was.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterator
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from busbench.capture.base import Capture, ReadOptions
from busbench.capture.edges import LevelCapture, LevelFile
from busbench.capture.file_io import BLOCK_BYTES, Source, as_source, read_into, whole_parts
from busbench.errors import CaptureError, pluralize, sanitize
from busbench.model import I64, TIME_MAX_NS, U8, Bools, set_readonly
from busbench.wire.edges import Edges

FORMAT = "VCD"

_KEYWORDS = (b"$date", b"$version", b"$comment", b"$timescale", b"$scope", b"$var", b"$upscope", b"$enddefinitions")
_DUMPS = (b"$dumpvars", b"$dumpall", b"$dumpon", b"$dumpoff", b"$end")
_UNITS_FS = {b"s": 10**15, b"ms": 10**12, b"us": 10**9, b"ns": 10**6, b"ps": 1000, b"fs": 1}
_FS_PER_NS = 10**6
_HEADER_MOST = 4 << 20
_REST_MOST = 1 << 19  # no entry is as long
_SORTED_LEAST = 8  # signals from which on changes are sorted by signal
_NO_LEVELS_IN = (b"real", b"realtime", b"string", b"event", b"parameter", b"time")
_SCOPES_MOST, _NAME_MOST = 400, 200  # characters of a name that are kept
_TOKEN_MOST = 40  # what a time or a change can be long
_SPACE = b" \t\r\n\v\f"
_UNKNOWN = 2
_VALUES = {ord("0"): 0, ord("1"): 1, **dict.fromkeys(b"xXzZ", _UNKNOWN)}
_NO_TIMES, _NO_LEVELS = np.empty(0, np.int64), np.empty(0, np.uint8)
set_readonly(_NO_TIMES, _NO_LEVELS)


def sniff(head: bytes) -> bool:
    """True where the file begins with a declaration of a value change dump."""
    first = head.removeprefix(b"\xef\xbb\xbf").split(None, 1)[:1]
    return bool(first) and first[0] in _KEYWORDS


def open_file(source: str | Source, options: ReadOptions) -> Capture:
    """Open a value change dump as the bytes on one of its signals.

    Args:
        options: `signal` picks one by name or scope.name; `line` sets the line.

    Raises:
        CaptureError: it is no such file, or has no such signal.
    """
    return LevelCapture(open_levels(source), options)


def open_levels(source: str | Source) -> LevelFile:
    """Open a value change dump as the levels of all its signals; see open_file."""
    return VcdFile(source)


class VcdFile(LevelFile):
    """The declarations of a dump, read once, and its changes, as often as asked."""

    def __init__(self, source: str | Source) -> None:
        self._source = as_source(source)
        self.path, self.format = self._source.name, FORMAT
        self.notes: list[str] = []
        self._first_notes: list[str] = []
        self._step_fs = 0
        self._ids: dict[str, bytes] = {}
        self._all_ids: set[bytes] = set()
        self._wide = 0
        with self._source.open() as stream:
            head = b""
            while (match := re.search(rb"\$enddefinitions\s+\$end(?=\s|$)", head)) is None:
                more = bytearray(BLOCK_BYTES)
                got = read_into(stream, memoryview(more), self.path)
                head += more[:got]
                if not got or len(head) > _HEADER_MOST:
                    what = "ends inside its declarations" if not got else "has no end of its declarations"
                    raise CaptureError(self.path, what, offset=len(head), hint="save it again")
        self._body = match.end()
        self._declare(head[: match.start()].split())
        self.names = tuple(self._ids)
        if not self.names:
            what = (
                f"declares no signal of one bit ({pluralize(self._wide, 'wider one')})"
                if self._wide
                else "declares no signal"
            )
            raise CaptureError(self.path, what, hint="save the line as a signal of one bit")
        if not self._step_fs:
            self._step_fs = _FS_PER_NS
            self._first_notes.append("no time scale is given: 1 ns was taken")
        self.resolution_ns = max(1, -(-self._step_fs // _FS_PER_NS))

    def pieces(self, names: Collection[str]) -> Iterator[dict[str, Edges]]:
        """Read the changes of the named signals, as LevelFile says."""
        self.notes[:] = self._first_notes
        changes = _Changes(self.path, {self._ids[name] for name in names}, self._all_ids, self._step_fs)
        offset, rest = self._body, b""
        last: dict[str, Edges] = {}
        try:
            for whole, rest in whole_parts(self._source, start=offset, ends=_SPACE):
                if len(rest) > _REST_MOST:
                    what = "is not a value change dump from here on"
                    raise CaptureError(self.path, what, offset=offset + len(whole), hint="save it again")
                changes.take(whole, offset)
                offset += len(whole)
                yield self._gather(changes, names, last, is_end=False)
            if rest:
                changes.take_last(rest)
        except CaptureError as error:
            yield self._gather(changes, names, last, is_end=True)
            self.notes.extend(changes.notes())
            raise error from None
        yield self._gather(changes, names, last, is_end=True)
        self.notes.extend(changes.notes())

    def _gather(
        self, changes: _Changes, names: Collection[str], last: dict[str, Edges], *, is_end: bool
    ) -> dict[str, Edges]:
        piece = {}
        got = {ident: changes.hand_over(ident, is_end=is_end) for ident in {self._ids[name] for name in names}}
        end_ns = changes.reached_ns
        for name in names:
            t_ns, level = got[self._ids[name]]
            before = last.get(name)
            if before is None and not t_ns.size:
                continue  # its level is not known yet
            piece[name] = last[name] = Edges.from_levels(t_ns, level, end_ns=end_ns, before=before)
        return piece

    def _declare(self, tokens: list[bytes]) -> None:
        scopes = [""]
        at = 0
        while at < len(tokens):
            word = tokens[at]
            try:
                end = tokens.index(b"$end", at)
            except ValueError:
                end = len(tokens)
            inside = tokens[at + 1 : end]
            at = end + 1
            if word == b"$scope":
                inner = inside[1][:_NAME_MOST].decode("utf-8", "replace") if len(inside) > 1 else ""
                scopes.append(f"{scopes[-1]}{inner}."[-_SCOPES_MOST:])
            elif word == b"$upscope" and len(scopes) > 1:
                scopes.pop()
            elif word == b"$timescale":
                self._set_scale(b"".join(inside))
            elif word == b"$var" and len(inside) >= 4:
                self._all_ids.add(inside[2])
                if inside[1] != b"1" or inside[0] in _NO_LEVELS_IN:
                    self._wide += 1
                    continue
                name = b"".join(inside[3:])[:_NAME_MOST].decode("utf-8", "replace")
                self._ids[scopes[-1] + name] = inside[2]

    def _set_scale(self, text: bytes) -> None:
        match = re.fullmatch(rb"(\d{1,9})(s|ms|us|ns|ps|fs)", text)
        if match is None or not int(match[1]):
            said = sanitize(text, most=40)
            raise CaptureError(self.path, f'has the time scale "{said}"', hint="write one such as 10 ns")
        self._step_fs = int(match[1]) * _UNITS_FS[match[2]]


class _Changes:
    """Collects times and levels out of the body of a dump."""

    def __init__(self, path: str, wanted: set[bytes], known: set[bytes], step_fs: int) -> None:
        self._path, self._known, self._step_fs = path, known, step_fs
        self._got: dict[bytes, list[tuple[I64, U8]]] = {ident: [] for ident in wanted}
        self._now = 0
        self._skips_to_end = False
        self._value: int | None = None  # of a vector whose name comes next
        self.unknown = 0
        self._is_cut = False

    def notes(self) -> list[str]:
        notes = []
        if self.unknown:
            notes.append(f"{self.unknown} changes to x or z were taken as no change")
        if self._is_cut:
            notes.append("the file is cut inside its last entry")
        return notes

    def take(self, text: bytes, offset: int) -> None:
        """Read whole entries."""
        tokens = text.split()
        if not tokens or (not self._skips_to_end and self._value is None and self._take_plain(tokens)):
            return
        self._take_each(tokens, text, offset)

    def take_last(self, token: bytes) -> None:
        """Read the last entry, which nothing ends: it may be cut."""
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
        """How far the levels are known."""
        return int(self._to_ns(np.array([self._now]))[0])

    def hand_over(self, ident: bytes, *, is_end: bool) -> tuple[I64, U8]:
        """Times in ns and levels of one signal since the last call.

        Changes at the time reached are held back until it is over, for others may follow.
        """
        parts = self._got[ident]
        if not parts:
            return _NO_TIMES, _NO_LEVELS
        times = np.concatenate([part[0] for part in parts])
        levels = np.concatenate([part[1] for part in parts])
        over = times.size if is_end else int(np.searchsorted(times, self._now))
        self._got[ident] = [(times[over:], levels[over:])] if over < times.size else []
        return self._to_ns(times[:over]), levels[:over]

    def _to_ns(self, times: I64) -> I64:
        if self._step_fs % _FS_PER_NS == 0:
            return times * (self._step_fs // _FS_PER_NS)
        per_ns = _FS_PER_NS // self._step_fs
        if _FS_PER_NS % self._step_fs == 0:
            return times // per_ns
        return np.array([t * self._step_fs // _FS_PER_NS for t in times.tolist()], np.int64)

    def _add(self, ident: bytes, times: I64, values: U8) -> None:
        is_known = values != _UNKNOWN
        self.unknown += int(np.count_nonzero(~is_known))
        if is_known.any():
            self._got[ident].append((times[is_known], values[is_known]))

    def _take_plain(self, tokens: list[bytes]) -> bool:
        """Read times and changes of single bits, all at once; False where there is anything else."""
        longest = max(map(len, tokens))
        if longest > _TOKEN_MOST:
            return False
        cells = np.array(tokens, f"S{longest}").view(np.uint8).reshape(len(tokens), longest)
        values = np.full(256, 255, np.uint8)
        values[list(_VALUES)] = list(_VALUES.values())
        value = values[cells[:, 0]]
        is_time = cells[:, 0] == ord("#")
        if longest < 2 or not (is_time | (value != 255)).all():
            return False
        digits = cells[is_time, 1:]
        is_digit = (digits >= ord("0")) & (digits <= ord("9"))
        if longest > 19 or not is_digit[:, 0].all() or (is_digit[:, 1:] > is_digit[:, :-1]).any():
            return False
        if (digits[~is_digit] != 0).any():
            return False
        stamps = np.ascontiguousarray(digits).view(f"S{longest - 1}").reshape(-1).astype(np.int64)
        times = np.concatenate([np.array([self._now]), stamps])
        if (np.diff(times) < 0).any() or int(times[-1]) > TIME_MAX_NS // max(1, self._step_fs // _FS_PER_NS):
            return False
        names = np.ascontiguousarray(cells[:, 1:]).view(f"S{longest - 1}").reshape(-1)
        place = np.cumsum(is_time)
        if not np.isin(names[~is_time], np.array(list(self._known))).all():
            return False
        for ident, mine in self._rows(names, ~is_time):
            self._add(ident, times[place[mine]], value[mine])
        self._now = int(times[-1])
        return True

    def _rows(self, names: NDArray[np.bytes_], is_change: Bools) -> Iterator[tuple[bytes, I64]]:
        """The rows in which each wanted signal changes."""
        if len(self._got) < _SORTED_LEAST:
            yield from ((ident, np.flatnonzero((names == ident) & is_change)) for ident in self._got)
            return
        rows = np.flatnonzero(is_change)
        rows = rows[np.argsort(names[rows], kind="stable")]
        idents, first = np.unique(names[rows], return_index=True)
        for ident, mine in zip(idents.tolist(), np.split(rows, first[1:]), strict=True):
            if ident in self._got:
                yield ident, mine

    def _take_each(self, tokens: list[bytes], text: bytes, offset: int) -> None:
        got: dict[bytes, tuple[list[int], list[int]]] = {ident: ([], []) for ident in self._got}
        try:
            for at, token in enumerate(tokens):
                fault = self._take_one(token, got)
                if fault:
                    where = next(m for i, m in enumerate(re.finditer(rb"\S+", text)) if i == at).start()
                    said = sanitize(token, most=20)
                    raise CaptureError(self._path, f'"{said}" {fault}', offset=offset + where, hint="save it again")
        finally:
            for ident, (times, values) in got.items():
                self._add(ident, np.array(times, np.int64), np.array(values, np.uint8))

    def _take_one(self, token: bytes, got: dict[bytes, tuple[list[int], list[int]]]) -> str:
        first = token[0]
        if self._skips_to_end:
            self._skips_to_end = token != b"$end"
        elif self._value is not None:
            if token in got and self._value >= 0:
                got[token][0].append(self._now)
                got[token][1].append(self._value)
            self._value = None
        elif first == ord("#"):
            if not token[1:].isdigit() or len(token) > 20:
                return "is not a time"
            now = int(token[1:])
            if now < self._now:
                return f"goes back in time from #{self._now}"
            if now > TIME_MAX_NS // max(1, self._step_fs // _FS_PER_NS):
                return "is too late a time"
            self._now = now
        elif first in _VALUES:
            name = token[1:]
            if name in got:
                got[name][0].append(self._now)
                got[name][1].append(_VALUES[first])
            elif name not in self._known:
                return "changes no signal that is declared"
        elif first in b"bB":
            self._value = _VALUES.get(token[-1], _UNKNOWN)
        elif first in b"rRsS":
            self._value = -1  # no level
        elif first == ord("$"):
            self._skips_to_end = token not in _DUMPS
        else:
            return "is not an entry of a value change dump"
        return ""


class _Sink(Protocol):
    def write(self, data: bytes, /) -> object: ...


class VcdWriter:
    """Writes the level of one signal, piece by piece.

    Args:
        file: where to; it is left open.
        signal: its name.
        timescale_ns: step of the times, 1, 10 or 100 of ns, µs or ms.
    """

    def __init__(self, file: _Sink, *, signal: str = "bus", timescale_ns: int = 1) -> None:
        self._file, self._signal, self._step_ns = file, signal, timescale_ns
        self._end: int | None = None

    def write(self, edges: Edges) -> None:
        """Add a piece of the record, which follows the one before; what lies before time 0 is left out."""
        step = self._step_ns
        if self._end is None:
            start = max(0, edges.start_ns // step)
            self._file.write(_header(self._signal, step) + f"#{start}\n$dumpvars\n{edges.initial}!\n$end\n".encode())
        rows = zip((edges.t_ns // step).tolist(), edges.level.tolist(), strict=True)
        self._file.write("".join(f"#{t}\n{level}!\n" for t, level in rows).encode())
        self._end = edges.end_ns // step

    def close(self) -> None:
        """Write until when the level is known."""
        if self._end is not None:
            self._file.write(f"#{self._end}\n".encode())


def _header(signal: str, step_ns: int) -> bytes:
    for unit, size in (("ms", 10**6), ("us", 10**3), ("ns", 1)):
        if step_ns % size == 0 and step_ns // size in (1, 10, 100):
            return (
                "$version busbench $end\n"
                f"$timescale {step_ns // size} {unit} $end\n"
                f"$scope module line $end\n$var wire 1 ! {signal} $end\n$upscope $end\n$enddefinitions $end\n"
            ).encode()
    raise ValueError(f"timescale_ns is {step_ns}, not 1, 10 or 100 of ns, µs or ms")
