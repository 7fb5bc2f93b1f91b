"""Write recordings: one writer per format, chosen by the suffix of the name.

The input is a ByteLog with its marks. A format without a clock drops
the times; one that needs a time per byte spreads the bytes of a
read back from the time at which it returned, at the rate of the line.
A frame that a read cut is spread back from its end as a whole.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Protocol, Self

import numpy as np

from busbench.capture.base import CaptureInfo
from busbench.capture.extract import cut_log
from busbench.capture.formats import format_of, writer_of, written_suffixes
from busbench.capture.left_out import LeftOut, MinuteTotals
from busbench.errors import OutputError
from busbench.line import BUS_LINE, LineSettings
from busbench.model import I64, NO_CLOCK, TIME_MAX_NS, TIME_MIN_NS, ByteLog, ClockKind, remove_clock_steps
from busbench.output_file import OutputFile, refuse_input, refuse_terminal, write_output
from busbench.wire.edges import Edges
from busbench.wire.frame_spec import FRAME_BYTES
from busbench.wire.framing import FrameFinder
from busbench.wire.table import AlignmentResult

if TYPE_CHECKING:
    from busbench.capture.pcapng_write import PcapngWriter

STANDARD_OUTPUT = "-"


class LogWriter(Protocol):
    """Takes consecutive runs of bytes."""

    def write_log(self, log: ByteLog) -> None:
        """Add a run of bytes."""

    def close(self) -> None:
        """Finish the file: it appears under its name."""

    def discard(self) -> None:
        """Discard it: nothing appears under its name."""

    def __enter__(self) -> Self:
        """The writer; it is closed at the end of the block, and discarded where an exception leaves it."""

    def __exit__(self, kind: type[BaseException] | None, *_: object) -> None:
        """See above."""


def open_writer(path: str, info: CaptureInfo, *, line: LineSettings = BUS_LINE, force: bool = False) -> LogWriter:
    """Open a file in the format of its suffix.

    Args:
        path: the file; "-" for raw bytes on standard output.
        info: clock and source of the data.

    Raises:
        OutputError: the suffix is unknown, the format needs a clock that there
            is not, the file exists, it is the recording itself, or it cannot be written.
    """
    suffix = ".raw" if path == STANDARD_OUTPUT else Path(path).suffix.lower()
    if path != STANDARD_OUTPUT:
        refuse_input(path, [info.path])
    made = format_of(suffix)
    if made is None:
        hint = f"end the name in {', '.join(written_suffixes())} or .parquet (with the parquet extra)"
        raise OutputError(path, "suffix of no known format", hint=hint)
    if made.needs_clock and not info.clock.is_known:
        raise OutputError(
            path, f"a {suffix} file needs times, and {info.path} has none", hint="write .raw or .pcapng instead"
        )
    return writer_of(made)(path, info, line, force=force)


def write_levels(path: str, lines: Mapping[str, Edges], *, force: bool = False) -> None:
    """Write several lines as levels in one file.

    Args:
        lines: by name; the names are single words.

    Raises:
        OutputError: the suffix is another, the file exists, or it cannot be written.
    """
    from busbench.capture.level_write import level_csv_text, vcd_text

    texts = {".vcd": vcd_text, ".csv": level_csv_text}
    text = texts.get(Path(path).suffix.lower())
    if text is None:
        raise OutputError(path, "holds no levels of several lines", hint=f"end the name in {' or '.join(texts)}")
    write_output(path, text(lines), force=force)


def byte_times(log: ByteLog, *, before_ns: int, character_ns: int, frames: I64 | None = None) -> I64:
    """Start of each byte's character, as exactly as the marks allow; at least a character apart, from `before_ns`.

    Args:
        frames: stream offsets of frames, whose bytes follow each other without a pause.
    """
    sizes = np.diff(log.mark_end, prepend=log.offset)
    back = log.mark_end.repeat(sizes) - np.arange(log.offset, log.end)
    times = log.mark_t_ns.repeat(sizes) - back * character_ns
    if frames is not None:
        rows = frames[:, None] - log.offset + np.arange(FRAME_BYTES)
        times[rows] = times[rows[:, -1:]] - np.arange(FRAME_BYTES)[::-1] * character_ns
    # Bytes too near to one another are moved later, never earlier.
    steps = character_ns * np.arange(times.size, dtype=np.int64)
    rising: I64 = np.maximum.accumulate(np.maximum(times, before_ns) - steps) + steps
    return rising


class _StandardOutput:
    """The interface of OutputFile for standard output."""

    def __init__(self) -> None:
        refuse_terminal(STANDARD_OUTPUT)

    def write(self, data: bytes) -> None:
        rest = memoryview(data)
        try:
            while rest:  # an unbuffered standard output may take a part
                rest = rest[sys.stdout.buffer.write(rest) or 0 :]
        except BrokenPipeError:
            raise
        except OSError as error:
            self._fail(error)

    def close(self) -> None:
        try:
            sys.stdout.buffer.flush()
        except BrokenPipeError:
            # The reader has gone; buffered bytes must not be written again at exit.
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
            raise
        except OSError as error:
            self._fail(error)

    def discard(self) -> None:
        self.close()

    def _fail(self, error: OSError) -> None:
        raise OutputError(
            "standard output", f"cannot be written any further ({error.strerror})", hint="make room, or write elsewhere"
        ) from None


class _Writer:
    """How the file of each writer ends."""

    _file: _StandardOutput | OutputFile | PcapngWriter

    def close(self) -> None:
        """See LogWriter."""
        self._file.close()

    def discard(self) -> None:
        """See LogWriter."""
        self._file.discard()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, *_: object) -> None:
        self.close() if kind is None else self.discard()


class _RecordingWriter(_Writer):
    """A writer of bytes to a file, or to standard output."""

    def __init__(self, path: str, info: CaptureInfo, line: LineSettings, *, force: bool) -> None:
        del info  # of use to few
        self._line = line
        self._file: _StandardOutput | OutputFile = (
            _StandardOutput() if path == STANDARD_OUTPUT else OutputFile(path, force=force)
        )


class RawFile(_RecordingWriter):
    """Only the bytes."""

    def write_log(self, log: ByteLog) -> None:
        """See LogWriter."""
        self._file.write(log.data.tobytes())


class _Timed(_RecordingWriter):
    """The common part of formats with a time per byte: times from the first byte."""

    def __init__(self, path: str, info: CaptureInfo, line: LineSettings, *, force: bool) -> None:
        super().__init__(path, info, line, force=force)
        self._zero_ns: int | None = None  # start of the first byte
        self._end_ns = TIME_MIN_NS
        self._last_mark_ns: I64 = np.empty(0, np.int64)  # as read, none before the first
        self._shift_ns = 0  # offset from there to the written times
        self._finder = FrameFinder(clock=info.clock, line=line) if info.clock.kind is ClockKind.PER_READ else None
        self._held: ByteLog | None = None  # not known yet whether it is in frames

    def write_log(self, log: ByteLog) -> None:
        """See LogWriter."""
        if not len(log):
            return
        log = self._onward(log)
        if self._finder is None:
            self._write(log, np.empty(0, np.int64))
        else:
            self._held = log if self._held is None else self._held.joined(log)
            self._write_found(self._finder, self._finder.feed(log))

    def close(self) -> None:
        """See LogWriter."""
        self._write_rest()
        super().close()

    def _write_rest(self) -> None:
        if self._finder is not None and self._held is not None:
            self._write_found(self._finder, self._finder.flush())

    def _write_found(self, finder: FrameFinder, found: AlignmentResult) -> None:
        assert self._held is not None
        decided = self._held.end - finder.pending
        log, self._held = cut_log(self._held, self._held.offset, decided), cut_log(self._held, decided, self._held.end)
        if len(log):
            self._write(log, found.frames.offset)

    def _write(self, log: ByteLog, frames: I64) -> None:
        """Write bytes with the offsets of the frames in them, if a read may have cut these."""
        raise NotImplementedError

    def _times(self, log: ByteLog, frames: I64) -> I64:
        times = byte_times(log, before_ns=self._end_ns, character_ns=self._line.character_ns, frames=frames)
        if self._zero_ns is None:
            self._zero_ns = int(times[0])
        self._end_ns = int(times[-1]) + self._line.character_ns
        return times - self._zero_ns

    def _onward(self, log: ByteLog) -> ByteLog:
        """The log without backward clock steps, since these formats need rising times."""
        raw = np.concatenate([self._last_mark_ns, log.mark_t_ns])
        times = np.minimum(remove_clock_steps(raw), TIME_MAX_NS - self._shift_ns) + self._shift_ns
        self._last_mark_ns, self._shift_ns = raw[-1:], int(times[-1] - raw[-1])
        return replace(log, mark_t_ns=times[raw.size - log.mark_t_ns.size :])


class ByteCsvFile(_Timed):
    """A row per byte, as exported by a logic analyser: start of the character, and the byte."""

    def __init__(self, path: str, info: CaptureInfo, line: LineSettings, *, force: bool) -> None:
        super().__init__(path, info, line, force=force)
        self._file.write(b"time_s,byte,error\n")

    def _write(self, log: ByteLog, frames: I64) -> None:
        bad = np.zeros(len(log), np.uint8) if log.bad is None else log.bad
        rows = zip(self._times(log, frames).tolist(), log.data.tolist(), bad.tolist(), strict=True)
        self._file.write(
            "".join(
                f"{t // 1_000_000_000}.{t % 1_000_000_000:09d},0x{byte:02X},{int(error > 0)}\n"
                for t, byte, error in rows
            ).encode()
        )


class PcapngFile(_Writer):
    """A packet per mark."""

    def __init__(self, path: str, info: CaptureInfo, line: LineSettings, *, force: bool) -> None:
        from busbench.capture.pcapng_write import PcapngWriter

        self._info = info
        self._written = [0, 0, 0, 0]  # of each kind in info.timed
        clock = info.clock if info.clock.is_known else NO_CLOCK
        source = info.source or Path(info.path).name
        self._file: PcapngWriter = PcapngWriter(
            path, port=source, line=line, clock=clock, start_utc_ns=info.start_utc_ns, origin=info.origin, force=force,
            is_whole=True,
        )  # fmt: skip

    def write_log(self, log: ByteLog) -> None:
        """See LogWriter."""
        self._file.write_log(log)
        self._write_notes()

    def _write_notes(self) -> None:
        info, (marks, wakes, left_out, totals) = self._info, self._written
        for mark in info.marks[marks:]:
            self._file.mark(mark.t_ns, mark.text)
        self._file.write_wakes(info.wakes[wakes:])
        kept: list[LeftOut | MinuteTotals] = [*info.left_out[left_out:], *info.totals[totals:]]
        for one in kept:
            self._file.note((0, one.t_ns, one.comment()))
        self._written = [len(some) for some in info.timed]

    def close(self) -> None:
        """See LogWriter."""
        if self._file.is_open:  # no more after a failure, which was reported
            self._write_notes()
        super().close()


class LineVcdFile(_Timed):
    """The level of the line itself, idle for one character before the first byte."""

    def __init__(self, path: str, info: CaptureInfo, line: LineSettings, *, force: bool) -> None:
        from busbench.capture.vcd import VcdWriter

        super().__init__(path, info, line, force=force)
        self._writer = VcdWriter(self._file)

    def _write(self, log: ByteLog, frames: I64) -> None:
        from busbench.wire.uart import encode_line

        times = self._times(log, frames) + self._line.character_ns
        # A mark without a kind of fault is written as a parity error.
        bad = None if log.bad is None else np.maximum(log.bad & 3, log.bad > 0)
        self._writer.write(encode_line(log.data, times, line=self._line, bad=bad))

    def close(self) -> None:
        """See LogWriter."""
        self._write_rest()
        self._writer.close()
        super().close()
