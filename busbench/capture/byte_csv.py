"""Bytes with their times from delimited text, a row per byte, as exported by logic analysers.

No standard defines such a layout (common practice, no source): the meaning of columns is
recognized by their headers and contents. If most rows share their time with the next, it is the
time of a read, and not of each byte.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from busbench.capture.base import Capture, CaptureInfo, ReadOptions
from busbench.capture.csv_cells import SLACK, Cells, Lines, decimals, split
from busbench.capture.csv_layout import BOM, Base, find_layout, is_marked, read_bytes, weigh
from busbench.capture.extract import cut_log
from busbench.capture.file_io import HEAD_BYTES, LONG_HEAD_BYTES, Source, as_source, read_head, read_into
from busbench.errors import CaptureError, pluralize, sanitize
from busbench.model import I64, Bools, ByteLog, Clock, ClockKind, set_readonly

FORMAT = "byte CSV"

_ROW = "each row needs a time and a byte such as 0x0F; a decimal comma needs quotes, or semicolons between"
_BUFFER_BYTES = 1 << 20
_READ_MOST = 1 << 16  # max bytes of a read that are kept together
_EPOCH_NS = (10**18, 4 * 10**18)  # times in this range are dates of this century


def sniff(head: bytes) -> bool:
    """True if rows hold a time and a byte; a column of only 0 and 1 does not count as bytes."""
    return find_layout(head, is_whole=len(head) < HEAD_BYTES) is not None


def open_file(source: str | Source, options: ReadOptions) -> Capture:
    """Open a CSV of bytes; `options.line` limits the possible clock steps."""
    return ByteRows(as_source(source), options)


class _Block(NamedTuple):
    lines: Lines
    number: int  # of the first line, from 1
    is_cut: bool  # True if the last line has no line end


class ByteRows(Capture):
    """A file with a time and a byte per row."""

    def __init__(self, source: Source, options: ReadOptions) -> None:
        self._source, path = source, source.name
        head = read_head(source)
        layout = find_layout(head, is_whole=len(head) < HEAD_BYTES)
        if layout is None and len(head) == HEAD_BYTES:
            layout = find_layout(read_head(source, most=LONG_HEAD_BYTES), is_whole=False)
        if layout is None or layout.fault:
            if not head:
                raise CaptureError(path, "file is empty", hint="was the recording ended before a byte came?")
            what = layout.fault if layout else "no rows with a time and a byte are at its start"
            raise CaptureError(path, what, hint=_ROW)
        step_max_ns = options.line.character_ns // options.line.character_bits // 2
        kind = ClockKind.PER_READ if layout.is_per_read else ClockKind.PER_BYTE
        self.info = CaptureInfo(path, FORMAT, Clock(kind, layout.resolution_ns(step_max_ns)))
        self._layout = layout
        if layout.base is Base.OPEN:
            evidence = np.zeros(3, np.int64)
            for block in self._blocks():
                evidence += weigh(self._rows(block)[0].column(layout.byte))
            self._layout = layout.settled(evidence)
        self._first_notes = list(self._layout.notes)
        if _EPOCH_NS[0] <= layout.first_t_ns < _EPOCH_NS[1]:
            self.info.start_utc_ns = 0
            self._first_notes.append("the times are taken as counted from 1970 (UTC)")
        self.info.notes.extend(self._first_notes)

    def blocks(self) -> Iterator[ByteLog]:
        """Read the bytes from the start of the file; see Capture."""
        logs = self._logs()
        return _by_read(logs) if self._layout.is_per_read else logs

    def _logs(self) -> Iterator[ByteLog]:
        notes, tally, offset = self.info.notes, _Tally(0 if self._layout.is_per_read else 1), 0
        notes[:] = self._first_notes
        try:
            for block in self._blocks():
                log = self._log(block, offset, tally)
                if len(log):
                    offset = log.end
                    yield log
        except CaptureError:
            notes.extend(tally.notes())
            raise
        notes.extend(tally.notes())
        if not offset:
            raise CaptureError(self.info.path, "none of its lines holds a time and a byte", hint=_ROW)

    def _blocks(self) -> Iterator[_Block]:
        path, newline = self.info.path, self._layout.newline
        base, number, rest = 0, 1, np.empty(0, np.uint8)
        with self._source.open() as stream:
            while True:
                buffer = np.zeros(_BUFFER_BYTES + 2 * SLACK, np.uint8)
                buffer[: rest.size] = rest
                got = read_into(stream, buffer.data[rest.size : _BUFFER_BYTES], path)
                have = rest.size + got
                if base == 0 and buffer[: len(BOM)].tobytes() == BOM:
                    buffer[: len(BOM)] = ord(" ")
                is_last = have < _BUFFER_BYTES and not (got and self._source.comes_slowly)
                is_cut = is_last and have > 0 and int(buffer[have - 1]) != newline
                if is_cut:
                    buffer[have] = newline
                    have += 1
                size = buffer[:have].tobytes().rfind(bytes([newline])) + 1
                if not size and not is_last:
                    raise CaptureError(path, f"line {number} is longer than 1 MB", offset=base, hint=_ROW)
                lines = split(buffer, size, newline=newline, delimiter=self._layout.delimiter)
                yield _Block(lines, number, is_cut)
                if is_last:
                    return
                number += lines.start.size
                base += size
                rest = buffer[size:have].copy()

    def _rows(self, block: _Block) -> tuple[Lines, I64]:
        """The lines that may hold a byte, and their numbers."""
        keep = ~block.lines.is_void()
        keep[: max(self._layout.skipped + 1 - block.number, 0)] = False
        return block.lines.select(keep), np.flatnonzero(keep) + block.number

    def _log(self, block: _Block, offset: int, tally: _Tally) -> ByteLog:
        layout = self._layout
        rows, numbers = self._rows(block)
        times, good = decimals(rows.column(layout.time)).scaled(layout.unit_power)
        data, is_byte = read_bytes(rows.column(layout.byte), layout.base)
        good &= is_byte
        bad = np.zeros(data.size, np.bool_)
        for column in layout.errors:
            bad |= is_marked(rows.column(column))
        if block.is_cut and numbers.size and numbers[-1] == block.number + block.lines.start.size - 1:
            self._judge_cut(rows, int(numbers[-1]), good, bad, tally)
        if not good.all():
            tally.unread(rows, numbers, good)
            numbers, times, data, bad = numbers[good], times[good], data[good], bad[good]
        tally.order(numbers, times)
        ends = np.arange(offset + 1, offset + 1 + data.size, dtype=np.int64)
        marked = bad.astype(np.uint8) if layout.errors or bad.any() else None
        set_readonly(data, ends, times, marked)
        return ByteLog(offset, data, ends, times, marked)

    def _judge_cut(self, rows: Lines, number: int, good: Bools, bad: Bools, tally: _Tally) -> None:
        """A last line without a line end may be cut inside a cell that still looks complete."""
        layout = self._layout
        if rows.fields[-1] <= max(layout.byte, layout.time) + 1:
            if layout.time < layout.byte:
                self._judge_cut_byte(rows.column(layout.byte), number, good, bad, tally)
            else:
                time = rows.column(layout.time)
                good[-1] &= bool((time.size[-1] >= time.size[-2:]).all())
        if not good[-1]:
            tally.cut = f"line {number}: the file is cut inside this line; it is left out"
            tally.cut_line = number

    def _judge_cut_byte(self, cells: Cells, number: int, good: Bools, bad: Bools, tally: _Tally) -> None:
        layout, size = self._layout, int(cells.size[-1])
        if layout.width and layout.base is not Base.DECIMAL:
            good[-1] &= size == layout.width
        full = {Base.PREFIXED: 4, Base.HEX: 2, Base.DECIMAL: 3}[layout.base]
        whole = size >= full
        if layout.base is Base.DECIMAL and layout.width != full:
            # another digit would exceed a byte, or follow a leading zero
            value = int(read_bytes(cells, layout.base)[0][-1])
            whole |= value > 25 or (value == 0 and size == 1)
        if good[-1] and not whole:
            bad[-1] = True
            tally.cut = f"line {number} has no end, so its byte may be cut short: it is marked as bad"


def _by_read(logs: Iterable[ByteLog]) -> Iterator[ByteLog]:
    """Logs with a mark per byte as logs with a mark per run of one time, also where it continues in the next log."""
    held: ByteLog | None = None
    try:
        for log in logs:
            joined = held.joined(log) if held else log
            steps = np.flatnonzero(np.diff(joined.mark_t_ns))
            end = joined.offset + (int(steps[-1]) + 1 if steps.size else 0)
            end = joined.end if joined.end - end > _READ_MOST else end
            held = cut_log(joined, end, joined.end) if end < joined.end else None
            if end > joined.offset:
                yield _as_reads(cut_log(joined, joined.offset, end))
    except CaptureError:
        if held:
            yield _as_reads(held)
        raise
    if held:
        yield _as_reads(held)


def _as_reads(log: ByteLog) -> ByteLog:
    last = np.append(np.diff(log.mark_t_ns) != 0, True)
    read = replace(log, mark_end=log.mark_end[last], mark_t_ns=log.mark_t_ns[last])
    set_readonly(read.data, read.mark_end, read.mark_t_ns, read.bad)
    return read


@dataclass
class _Tally:
    """Counts of faults in the rows."""

    step_least_ns: int  # between the times of two rows
    cut: str = ""
    cut_line: int = 0
    unread_lines: int = 0
    first_unread: str = ""
    not_rising: int = 0
    first_not_rising: int = 0
    last_t_ns: int | None = None

    def unread(self, rows: Lines, numbers: I64, good: Bools) -> None:
        missed = np.flatnonzero(~good & (numbers != self.cut_line))
        self.unread_lines += missed.size
        if missed.size and not self.first_unread:
            row = int(missed[0])
            text = sanitize(rows.buffer[int(rows.start[row]) : int(rows.end[row])].tobytes().strip(), most=40)
            self.first_unread = f'line {numbers[row]} ("{text}")'

    def order(self, numbers: I64, times: I64) -> None:
        if not times.size:
            return
        steps = np.diff(times, prepend=times[0] - 1 if self.last_t_ns is None else self.last_t_ns)
        late = steps < self.step_least_ns
        self.last_t_ns = int(times[-1])
        self.not_rising += int(np.count_nonzero(late))
        if late.any() and not self.first_not_rising:
            self.first_not_rising = int(numbers[int(late.argmax())])

    def notes(self) -> Iterator[str]:
        if self.unread_lines:
            many = (
                "1 line cannot be read and is"
                if self.unread_lines == 1
                else f"{pluralize(self.unread_lines, 'line')} cannot be read and are"
            )
            yield f"{many} passed over, the first is {self.first_unread}"
        if self.not_rising:
            rows = pluralize(self.not_rising, "row")
            what = "do not rise" if self.step_least_ns else "go back"
            yield f"the times {what} at {rows}, the first is line {self.first_not_rising}"
        if self.cut:
            yield self.cut
