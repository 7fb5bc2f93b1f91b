"""Write what receivers read to files as it arrives: all of it, or the surroundings of outages."""

from __future__ import annotations

import contextlib
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from time import perf_counter_ns
from typing import TYPE_CHECKING

from busbench.bench.around import Kept, Surroundings
from busbench.capture.base import ENDED_MARK, Origin
from busbench.capture.compressed import SUFFIXES
from busbench.capture.left_out import LeftOut, MinuteTotals
from busbench.capture.pcapng_write import Note, PcapngWriter, SerialLine
from busbench.errors import OutputError
from busbench.port.port import LivePort

if TYPE_CHECKING:
    from busbench.bench.receiver import Reception

SILENT_NS = 500_000_000
_GAP_NS = 25_000_000  # longer than the period of any receiver in use
_NUMBERED = "{stem}-{number:05d}{suffix}"


def line_of_port(port: LivePort, *, unit: str = "", note: str = "") -> SerialLine:
    """A port as an interface of a recording, with its receiver or aircraft."""
    return SerialLine(port.source, port.line, port.clock, Origin(unit, note, port.adapter_serial))


@dataclass(frozen=True, slots=True)
class Retention:
    """What is kept of a long recording.

    Args:
        around_s: seconds before and after each outage; None keeps all.
        every_s: seconds per numbered file; None for one file.
        files: number of newest files to keep; None keeps all.
    """

    around_s: float | None = None
    every_s: float | None = None
    files: int | None = None


KEEP_ALL = Retention()


def suffix_of(path: str) -> str:
    """The suffix of a recording: .pcapng, .pcapng.gz or .pcapng.zst; "" for others."""
    found = re.search(r"\.pcapng(\.gz|\.zst)?$", path, re.IGNORECASE)
    return found[0] if found else ""


class Recorder:
    """A recording of one or several receivers on one clock, an interface per receiver.

    Args:
        path: the new pcapng file; .gz or .zst compresses it. With `every_s`, a number is put before the suffix.
        lines: the recorded lines, in the order of the interfaces.
        start_utc_ns: Unix time in ns of the zero of all times.
        force: True to overwrite existing recordings.
        retention: what is kept of it.
        now: clock of the times, in ns.

    Raises:
        OutputError: it exists, or cannot be written; here and later.
    """

    def __init__(
        self,
        path: str,
        lines: Sequence[SerialLine],
        *,
        start_utc_ns: int,
        force: bool = False,
        retention: Retention = KEEP_ALL,
        now: Callable[[], int] = perf_counter_ns,
    ) -> None:
        self._path, self._lines, self._start_utc_ns = path, list(lines), start_utc_ns
        self._force, self._retention, self._now = force, retention, now
        self._made: list[str] = []
        self._number, self._next_ns = 0, 0  # start of the file, and of the next
        self._last_ns: list[int | None] = [None] * len(lines)  # newest byte of each line
        around_s = retention.around_s
        self._around = [] if around_s is None else [Surroundings(around_s, clock=one.clock) for one in lines]
        if retention.every_s is not None and not force:
            self._refuse_taken()
        self._writer = self._open()

    def add(self, came: Reception, *, number: int = 0) -> None:
        """Write a reception of a port."""
        if came.log.mark_t_ns.size:
            self._begin_next(int(came.log.mark_t_ns[0]), number)
            self._last_ns[number] = int(came.log.mark_t_ns[-1])
        writer = self._writer
        if self._around:
            with writer.together():
                self._add_around(came, number)
        else:
            writer.write_log(came.log, number=number)
            writer.write_wakes(came.wakes, number=number)
        for t_ns, text in _happened(came):
            writer.mark(t_ns, text, number=number)
        writer.tick()

    def end(self, t_ns: int | None, *, number: int = 0) -> None:
        """Note up to when a port was read, if no byte shows it; see Receiver.unwritten_end_ns."""
        if self._around:
            around = self._around[number]
            heard_ns = around.last_ns if t_ns is None else t_ns
            self._write(around.look(heard_ns, is_over=True), number)
        if t_ns is not None:
            self._writer.mark(t_ns, ENDED_MARK, number=number)

    def close(self) -> None:
        """Sync all data to the disk."""
        self._writer.close()

    def flush(self) -> None:
        """Write pending data."""
        self._writer.flush()

    def _add_around(self, came: Reception, number: int) -> None:
        around = self._around[number]
        around.add(came.log, came.found)
        for t_ns, _ in _happened(came):
            around.note(t_ns)
        now_ns = self._now()
        is_silent = now_ns - around.last_ns > SILENT_NS
        self._write(around.look(now_ns if is_silent else around.last_ns), number)

    def _write(self, kept: list[Kept], number: int) -> None:
        for one in kept:
            if isinstance(one, LeftOut | MinuteTotals):
                self._writer.note((number, one.t_ns, one.comment()))
            else:
                self._writer.write_log(one, number=number)

    def _known_so_far(self) -> list[Note]:
        """Counts that a kill must not lose: left out, but not written yet."""
        notes: list[Note] = []
        for number, around in enumerate(self._around):
            left, minute = around.left_so_far(), around.minute_so_far()
            if left is not None:
                notes.append((number, left.last_t_ns, left.comment()))
            notes.append((number, minute.t_ns, minute.comment()))
        return notes

    def _open(self) -> PcapngWriter:
        first, path = self._lines[0], self._path
        if self._retention.every_s is not None:
            self._number += 1
            path = self._numbered(self._number)
        writer = PcapngWriter(
            path, port=first.port, line=first.line, clock=first.clock, origin=first.origin, others=self._lines[1:],
            start_utc_ns=self._start_utc_ns, force=self._force,
        )  # fmt: skip
        if self._around:
            writer.tail = self._known_so_far
        self._made.append(path)
        return writer

    def _begin_next(self, t_ns: int, number: int) -> None:
        """Start the next file when it is due by the first byte of a line, and remove the oldest."""
        every_s, files = self._retention.every_s, self._retention.files
        if every_s is None:
            return
        if not self._next_ns:
            self._next_ns = t_ns + round(every_s * 1e9)
        if t_ns < self._next_ns:
            return
        while t_ns >= self._next_ns:
            self._next_ns += round(every_s * 1e9)
        for one, around in enumerate(self._around):
            left = around.take_left()
            if left is not None:
                self._writer.note((one, left.last_t_ns, left.comment()))
        for one, last_ns in enumerate(self._last_ns):
            is_written = not self._around or not self._around[one].is_undecided
            least_ns = _GAP_NS if one == number else SILENT_NS  # bytes of another line may be on their way
            if last_ns is not None and t_ns - last_ns > least_ns and is_written:
                self._writer.mark(t_ns, ENDED_MARK, number=one)  # else the silence would be in neither file
        self._writer.close()
        self._writer = self._open()
        while files is not None and len(self._made) > files:
            with contextlib.suppress(OSError):  # it was deleted already
                Path(self._made.pop(0)).unlink()

    def _numbered(self, number: int) -> str:
        suffix = suffix_of(self._path)
        return _NUMBERED.format(stem=self._path.removesuffix(suffix), number=number, suffix=suffix)

    def _refuse_taken(self) -> None:
        """Refuse names of which one exists, before any work: OutputError."""
        suffix = suffix_of(self._path)
        stem = Path(self._path.removesuffix(suffix))
        pattern = re.compile(re.escape(stem.name) + r"-[0-9]{5}" + re.escape(suffix))
        with contextlib.suppress(OSError):
            for one in sorted(stem.parent.iterdir()):
                if pattern.fullmatch(one.name):
                    hint = "choose another name, or write over it with --force"
                    raise OutputError(one, "exists already", hint=hint)


def _happened(came: Reception) -> list[tuple[int, str]]:
    """Time and text of an event of the port, or of an annotation."""
    return [(one.t_ns, one.text) for one in came.events] + [(one.t_ns, one.text) for one in came.notes]


__all__ = ["KEEP_ALL", "SUFFIXES", "Recorder", "Retention", "line_of_port", "suffix_of"]
