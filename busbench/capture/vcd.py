"""Value change dumps: the levels of named signals over time.

Source: IEEE 1364, clause "Value change dump (VCD) files". Each bit of a vector is a
signal; a real number is one by a threshold half way between the two values at which
it is. x and z leave the level as it was.
"""

from __future__ import annotations

import contextlib
import re
from collections.abc import Collection, Iterator, Mapping
from dataclasses import replace
from typing import Protocol

import numpy as np

from busbench.capture.base import Capture, ReadOptions
from busbench.capture.edges import LevelCapture, LevelFile
from busbench.capture.file_io import BLOCK_BYTES, Source, as_source, read_into, whole_parts
from busbench.capture.threshold import Thresholds
from busbench.capture.vcd_changes import FS_PER_NS, REAL, SPACE, Part, VcdChanges
from busbench.errors import CaptureError, pluralize, sanitize
from busbench.model import F64
from busbench.wire.edges import Edges

FORMAT = "VCD"

_BEGIN = re.compile(
    rb"(?:\xef\xbb\xbf)?(?:[^$\n]{0,200}\n){0,3}\s*"
    rb"\$(?:date|version|comment|timescale|scope|var|upscope|enddefinitions)(?=\s|$)"
)
_UNITS_FS = {b"s": 10**15, b"ms": 10**12, b"us": 10**9, b"ns": 10**6, b"ps": 1000, b"fs": 1}
_HEADER_MOST = 4 << 20
_REST_MOST = 1 << 19  # entries are shorter
_NO_LEVELS_IN = (b"string", b"event", b"parameter", b"time", b"integer")
_REALS = (b"real", b"realtime")
_SCOPES_MOST, _NAME_MOST = 400, 200  # max characters of a name kept
_VECTOR_MOST = 64  # max bits of a variable that become signals


def sniff(head: bytes) -> bool:
    """True if the file begins with a declaration of a value change dump; some tools write a line before it."""
    return _BEGIN.match(head) is not None


def open_file(source: str | Source, options: ReadOptions) -> Capture:
    """Open a value change dump as the bytes on one of its signals; `options.signal` is its name or scope.name."""
    return LevelCapture(open_levels(source), options)


def open_levels(source: str | Source) -> LevelFile:
    """Open a value change dump as the levels of all its signals; see open_file."""
    return VcdLevels(source)


class VcdLevels(LevelFile):
    """The declarations of a dump, read once, and its changes, readable repeatedly."""

    def __init__(self, source: str | Source) -> None:
        self._source = as_source(source)
        self.path, self.format = self._source.name, FORMAT
        self.notes: list[str] = []
        self._notes: list[str] = []  # of the latest reading
        self._first_notes: list[str] = []
        self._step_fs = 0
        self._parts: dict[str, Part] = {}
        self._all_ids: set[bytes] = set()
        self._passed_over = 0
        self._thresholds: dict[str, Thresholds] = {}  # of real numbers, as far as requested
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
        self.names = tuple(self._parts)
        if not self.names:
            what = (
                f"declares no signal that has a level ({pluralize(self._passed_over, 'other variable')})"
                if self._passed_over
                else "declares no signal"
            )
            raise CaptureError(self.path, what, hint="save the line as a signal of one bit")
        if not self._step_fs:
            self._step_fs = FS_PER_NS
            self._first_notes.append("no time scale is given: 1 ns was taken")
        self.resolution_ns = max(1, -(-self._step_fs // FS_PER_NS))

    def pieces(self, names: Collection[str]) -> Iterator[dict[str, Edges]]:
        """Read the changes of the named signals; see LevelFile."""
        self._find_thresholds(names)
        levels = {name: replace(self._thresholds[name]) for name in names if self._parts[name][1] == REAL}
        self.notes[:] = self._first_notes + [note for one in levels.values() for note in one.notes(names)]
        last: dict[str, Edges] = {}
        try:
            for changes, is_end in self._read(names):
                yield self._gather(changes, names, last, levels, is_end=is_end)
        finally:
            self.notes.extend(self._notes)

    def _read(self, names: Collection[str]) -> Iterator[tuple[VcdChanges, bool]]:
        """The growing collection, again and again, and True at its end.

        Raises:
            CaptureError: nothing more can be read; the collection was yielded with True before.
        """
        changes = VcdChanges(self.path, {self._parts[name] for name in names}, self._all_ids, self._step_fs)
        offset = self._body

        def fault(at: int) -> CaptureError:
            return CaptureError(self.path, "is not a value change dump from here on", offset=at, hint="save it again")

        try:
            for text, is_last in whole_parts(self._source, start=offset, ends=SPACE, rest_most=_REST_MOST, fault=fault):
                if not is_last:
                    changes.take(text, offset)
                    offset += len(text)
                    yield changes, False
                elif text:
                    changes.take_last(text)
        except CaptureError:
            yield changes, True
            self._notes = changes.notes()
            raise
        yield changes, True
        self._notes = changes.notes()

    def _find_thresholds(self, names: Collection[str]) -> None:
        """Search the file for the two voltages of real numbers."""
        wanted = [name for name in names if self._parts[name][1] == REAL and name not in self._thresholds]
        values: dict[str, list[F64]] = {name: [] for name in wanted}
        with contextlib.suppress(CaptureError):  # reported when it is read
            for changes, is_end in self._read(wanted) if wanted else ():
                for name in wanted:
                    values[name].append(changes.hand_over(self._parts[name], is_end=is_end)[1].astype(np.float64))
        for name, parts in values.items():
            self._thresholds[name] = Thresholds.of((part[:, None] for part in parts), (name,))

    def _gather(
        self,
        changes: VcdChanges,
        names: Collection[str],
        last: dict[str, Edges],
        levels: Mapping[str, Thresholds],
        *,
        is_end: bool,
    ) -> dict[str, Edges]:
        piece = {}
        got = {part: changes.hand_over(part, is_end=is_end) for part in {self._parts[name] for name in names}}
        end_ns = changes.reached_ns
        for name in names:
            t_ns, value = got[self._parts[name]]
            before = last.get(name)
            if before is None and not t_ns.size:
                continue  # its level is unknown so far
            level = value.astype(np.uint8)
            if name in levels:
                level = levels[name].levels(value[:, None].astype(np.float64))[:, 0]
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
                name = scopes[-1] + b"".join(inside[3:])[:_NAME_MOST].decode("utf-8", "replace")
                self._add_signals(name, inside[0], inside[1], inside[2])

    def _add_signals(self, name: str, kind: bytes, width: bytes, ident: bytes) -> None:
        """Add the signals of a variable: itself, or each of its bits."""
        bits = int(width) if width.isdigit() and len(width) < 5 else 0
        if kind in _REALS:
            self._parts[name] = ident, REAL
        elif kind in _NO_LEVELS_IN or not 1 <= bits <= _VECTOR_MOST:
            self._passed_over += 1
        elif bits == 1:
            self._parts[name] = ident, 0
        else:
            found = re.search(r"\[(-?\d{1,6}):(-?\d{1,6})\]$", name)
            left, right = (int(found[1]), int(found[2])) if found else (bits - 1, 0)
            stem = name[: found.start()] if found else name
            for bit in range(bits):
                self._parts[f"{stem}[{right + (bit if left >= right else -bit)}]"] = ident, bit

    def _set_scale(self, text: bytes) -> None:
        match = re.fullmatch(rb"(\d{1,9})(s|ms|us|ns|ps|fs)", text)
        if match is None or not int(match[1]):
            said = sanitize(text, most=40)
            raise CaptureError(self.path, f'has the time scale "{said}"', hint="write one such as 10 ns")
        self._step_fs = int(match[1]) * _UNITS_FS[match[2]]


class _Sink(Protocol):
    def write(self, data: bytes, /) -> object: ...


class VcdWriter:
    """Writes the level of one signal, in pieces.

    Args:
        file: the output; it is left open.
        timescale_ns: step of the times, 1, 10 or 100 of ns, µs or ms.
    """

    def __init__(self, file: _Sink, *, signal: str = "bus", timescale_ns: int = 1) -> None:
        self._file, self._signal, self._step_ns = file, signal, timescale_ns
        self._end: int | None = None

    def write(self, edges: Edges) -> None:
        """Add the next piece of the record, from time 0 or later on."""
        step = self._step_ns
        if self._end is None:
            start = f"#{edges.start_ns // step}\n$dumpvars\n{edges.initial}!\n$end\n"
            self._file.write(_header(self._signal, step) + start.encode())
        rows = zip((edges.t_ns // step).tolist(), edges.level.tolist(), strict=True)
        self._file.write("".join(f"#{t}\n{level}!\n" for t, level in rows).encode())
        self._end = edges.end_ns // step

    def close(self) -> None:
        """Write the time up to which the level is known."""
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
