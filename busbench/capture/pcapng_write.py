"""Write recordings in whole pcapng blocks, so that a file cut anywhere loses only its end."""

from __future__ import annotations

import contextlib
import struct
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from busbench.capture import pcapng_blocks as pb
from busbench.capture.base import NO_ORIGIN, Origin
from busbench.capture.compressed import SUFFIXES, pack, store
from busbench.errors import OutputError
from busbench.growing_file import GrowingFile
from busbench.line import Chunk, LineSettings, WakeUps
from busbench.model import I64, U8, ByteLog, Clock
from busbench.output_file import OutputFile

_FLUSH_NS = 500_000_000  # at most a second, including delays of the next check
_FLUSH_BYTES = 1 << 20
_SNAPLEN = 262_144
_PACKET_BYTES_MAX = 65_536  # a log without a clock is cut into packets of this size
_BULK_PACKETS = 16_384  # written at once; fits in the cache
_TIME_MASK = (1 << 64) - 1
Note = tuple[int, int, str]  # number of the line, time in ns, comment


@dataclass(frozen=True, slots=True)
class SerialLine:
    """The description of one line in a recording."""

    port: str
    line: LineSettings  # its settings
    clock: Clock  # its clock
    origin: Origin = NO_ORIGIN  # what is recorded, and with which adapter


class PcapngWriter:
    """Writes a recording in progress, or a whole one.

    Interface 0 holds received bytes, interface 1 sent bytes; with other lines
    there is an interface for each, and none for sent bytes. Each packet is
    one read. Data is written to disk at least once per
    second, if `write` or `tick` is called that often.

    Args:
        line: settings of the line.
        clock: its clock.
        origin: what is recorded, and with which adapter.
        others: lines recorded beside, on the same clock: interfaces 1, 2 …
        start_utc_ns: Unix time in ns of the zero of the times given to `write`;
            0 if they count from the epoch, None if no date is known.
        direction_flags: False omits the direction flag of packets, 12 bytes
            each; the interface says it too.
        is_whole: True if all data exists already: the file appears when it is complete.
        inputs: files that must not be written over.

    Attributes:
        tail: gives notes that follow what is handed over, and are written over the next time; they leave with
            `close`. So what is known so far outlives a kill.

    A name that ends in .gz or .zst compresses each written part separately.

    Raises:
        OutputError: the file exists, is being written by another program, or cannot be written.
    """

    def __init__(
        self,
        path: str,
        *,
        port: str,
        line: LineSettings,
        clock: Clock,
        start_utc_ns: int | None,
        origin: Origin = NO_ORIGIN,
        others: Sequence[SerialLine] = (),
        force: bool = False,
        direction_flags: bool = True,
        is_whole: bool = False,
        inputs: Iterable[str] = (),
    ) -> None:
        self.path = path
        self.tail: Callable[[], list[Note]] | None = None
        self._is_held = False
        self._suffix = next((one for one in SUFFIXES if path.lower().endswith(one)), "")
        self._start_ns = start_utc_ns or 0
        self._flags = direction_flags
        self._pending: list[bytes | memoryview] = []
        self._pending_bytes = 0
        self._flushed_ns = time.monotonic_ns()
        kind = OutputFile if is_whole else GrowingFile
        self._file: OutputFile | GrowingFile = kind(path, force=force, inputs=inputs)
        self._can_send = not others
        lines = [SerialLine(port, line, clock, origin), *others]
        header = _header(lines, can_send=self._can_send, wall_clock=start_utc_ns is not None)
        if isinstance(self._file, GrowingFile):
            # a compressed part, which may be shorter, is whole or not there
            self._file.least_bytes = 1 if self._suffix else len(header)
        self._append(header)
        self.flush()

    @property
    def is_open(self) -> bool:
        """False after it was closed, or after a write failed."""
        return self._file.is_open

    def write(self, chunk: Chunk, *, outbound: bool = False, number: int = 0) -> None:
        """Add what one read returned, or what one write sent.

        Args:
            chunk: time, bytes, and which of them the line marked as bad.
            outbound: True for sent bytes.
            number: of the line, from 0.

        Raises:
            OutputError: the disk is full or gone; the file ends with the last whole packet.
        """
        bad = np.flatnonzero(np.frombuffer(chunk.bad, np.uint8)).tolist() if chunk.bad else []
        self._append(self._packet(chunk.t_ns, chunk.data, list(pb.bad_comments(bad)), outbound, number))
        self.tick()

    def mark(self, t_ns: int, text: str, *, number: int = 0) -> None:
        """Add an annotation at a time on the clock of the chunks, as a packet without bytes."""
        self._append(self._packet(t_ns, b"", [pb.mark_comment(text)], False, number))
        self.tick()

    def note(self, note: Note) -> None:
        """Add what was left out, or the totals of a minute, as a packet without bytes."""
        self._append(self._note(note))

    def _note(self, note: Note) -> bytes:
        number, t_ns, comment = note
        return self._packet(t_ns, b"", [comment], False, number)

    def write_wakes(self, wakes: Iterable[WakeUps], *, number: int = 0) -> None:
        """Add the computer's lateness, as packets without bytes."""
        for one in wakes:
            self._append(self._packet(one.t_ns, b"", [pb.wake_comment(one.counts)], False, number))

    def write_log(self, log: ByteLog, *, outbound: bool = False, number: int = 0) -> None:
        """Add many reads at once, a packet per mark; a log without a clock becomes long packets at time 0."""
        ends, times = log.mark_end - log.offset, log.mark_t_ns
        last = int(ends[-1]) if ends.size else 0
        if last < len(log):
            more = np.append(np.arange(last + _PACKET_BYTES_MAX, len(log), _PACKET_BYTES_MAX), len(log))
            ends = np.concatenate([ends, more])
            times = np.concatenate([times, np.full(more.size, int(times[-1]) if times.size else 0, np.int64)])
        starts = np.concatenate([np.zeros(1, np.int64), ends[:-1]])
        odd = _packets_with(log.bad, ends) if log.bad is not None and log.bad.any() else []
        at = 0
        for one in [*odd, ends.size]:
            for first in range(at, one, _BULK_PACKETS):
                part = slice(first, min(first + _BULK_PACKETS, one))
                self._append(self._bulk(log.data, starts[part], ends[part], times[part], outbound, number))
            if one < ends.size and log.bad is not None:
                run = slice(int(starts[one]), int(ends[one]))
                chunk = Chunk(int(times[one]), log.data[run].tobytes(), log.bad[run].tobytes())
                self.write(chunk, outbound=outbound, number=number)
            at = one + 1
        self.tick()

    def tick(self) -> None:
        """Write pending data if a second has passed; call it regularly on a quiet line."""
        if not self._is_held and time.monotonic_ns() - self._flushed_ns >= _FLUSH_NS:
            self.flush()

    @contextlib.contextmanager
    def together(self) -> Iterator[None]:
        """Everything added inside the block is written together."""
        self._is_held = True
        try:
            yield
        finally:
            self._is_held = False

    def flush(self) -> None:
        """Write pending data."""
        self._flushed_ns = time.monotonic_ns()
        if not self._file.is_open:
            return
        data = memoryview(self._pending[0] if len(self._pending) == 1 else b"".join(self._pending)).cast("B")
        self._pending, self._pending_bytes = [], 0
        tail = b"" if self.tail is None else b"".join(self._note(one) for one in self.tail())
        if self._suffix:
            data = memoryview(pack(bytes(data), self._suffix) if data else b"")
            tail = store(tail, self._suffix) if tail else b""
        if isinstance(self._file, GrowingFile):
            self._file.write(data, whole=_no_part if self._suffix else _whole_blocks, tail=tail)
        else:
            self._file.write(data)

    def close(self) -> None:
        """Write all but the tail, and sync it to the disk.

        Raises:
            OutputError: the disk is full or gone, or another program moved, deleted or cut the file.
        """
        if self._file.is_open:
            self.tail = None
            self.flush()
            self._file.close()

    def discard(self) -> None:
        """End now: a whole file does not appear, a recording in progress ends here."""
        if isinstance(self._file, OutputFile):
            self._file.discard()
        else:
            self.close()

    def __enter__(self) -> PcapngWriter:
        return self

    def __exit__(self, kind: type[BaseException] | None, *_: object) -> None:
        self.close() if kind is None else self.discard()

    def _append(self, blocks: bytes | memoryview) -> None:
        if not self._file.is_open:
            raise OutputError(self.path, "is closed already")
        self._pending.append(blocks)
        self._pending_bytes += len(blocks)
        if self._pending_bytes >= _FLUSH_BYTES:
            self.flush()

    def _options(self, outbound: bool) -> bytes:
        flags = struct.pack("<I", pb.OUTBOUND if outbound else pb.INBOUND)
        return pb.option(pb.OPT_FLAGS, flags) if self._flags else b""

    def _interface(self, outbound: bool, number: int) -> int:
        assert self._can_send or not outbound
        return int(outbound) if self._can_send else number

    def _packet(self, t_ns: int, data: bytes, comments: list[str], outbound: bool, number: int) -> bytes:
        ticks = (self._start_ns + t_ns) & _TIME_MASK
        interface = self._interface(outbound, number)
        head = struct.pack("<IIIII", interface, ticks >> 32, ticks & 0xFFFFFFFF, len(data), len(data))
        options = b"".join(pb.option(pb.OPT_COMMENT, comment.encode()) for comment in comments)
        return pb.block(pb.PACKET, head + data + bytes(-len(data) % 4), self._options(outbound) + options)

    def _bulk(self, data: U8, starts: I64, ends: I64, times: I64, outbound: bool, number: int) -> memoryview:
        """Many packets at once, each like _packet without comments."""
        if not ends.size:
            return memoryview(b"")
        sizes = ends - starts
        tail = np.frombuffer(self._options(outbound) + bytes(4 if self._flags else 0), "<u4")
        lengths = pb.PACKET_FRAME_BYTES + (sizes + 3 & ~3) + tail.nbytes
        after = np.cumsum(lengths) // 4
        first = after - lengths // 4
        out = np.zeros(int(after[-1]) * 4, np.uint8)
        words = out.view("<u4")
        ticks = (times + np.int64(self._start_ns)).view(np.uint64)
        words[first] = pb.PACKET
        words[first + 1] = words[after - 1] = lengths
        words[first + 2] = self._interface(outbound, number)
        words[first + 3] = ticks >> np.uint64(32)
        words[first + 4] = ticks & np.uint64(0xFFFFFFFF)
        words[first + 5] = words[first + 6] = sizes
        for i, word in enumerate(tail.tolist()):
            words[after - 1 - tail.size + i] = word
        place = first * 4 + pb.PACKET_HEADER_BYTES
        run = data[int(starts[0]) : int(ends[-1])]
        if (sizes == sizes[0]).all():
            rows = np.ndarray((sizes.size, int(sizes[0])), np.uint8, out, int(place[0]), (int(lengths[0]), 1))
            rows[:] = run.reshape(rows.shape)
        else:
            out[np.repeat(place - starts + starts[0], sizes) + np.arange(run.size)] = run
        return out.data


def _header(lines: Sequence[SerialLine], *, can_send: bool, wall_clock: bool) -> bytes:
    section = struct.pack("<IHHq", pb.MAGIC, 1, 0, -1)
    blocks = [pb.block(pb.SECTION_HEADER, section, pb.option(pb.OPT_USER_APPLICATION, b"busbench"))]
    for one, outbound in [(one, False) for one in lines] + [(one, True) for one in lines if can_send]:
        description = pb.describe(one.line, one.clock, outbound=outbound, wall_clock=wall_clock)
        options = (
            (pb.OPT_NAME, one.port.encode("utf-8", "replace")),
            (pb.OPT_DESCRIPTION, description.encode()),
            (pb.OPT_TSRESOL, bytes([9])),
        )
        body = struct.pack("<HHI", pb.LINK_SERIAL, 0, _SNAPLEN)
        texts = b"".join(pb.option(*option) for option in options)
        blocks.append(pb.block(pb.INTERFACE, body, texts + pb.origin_options(one.origin)))
    return b"".join(blocks)


def _no_part(data: memoryview) -> int:
    """An incomplete compressed part is removed."""
    del data
    return 0


def _packets_with(bad: U8, ends: I64) -> list[int]:
    """Indices of the packets that hold a marked byte."""
    return [int(i) for i in np.unique(np.searchsorted(ends, np.flatnonzero(bad), "right"))]


def _whole_blocks(data: memoryview) -> int:
    """Bytes of the whole blocks at the front."""
    at = 0
    while at + 8 <= len(data):
        size = int(struct.unpack_from("<I", data, at + 4)[0])
        if at + size > len(data):
            break
        at += size
    return at
