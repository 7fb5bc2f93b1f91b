"""All frames of a session, live or recorded: narrow columns, bytes, and ranges of any run.

One thread adds, another reads. The bytes of the frames (300 MB a day) are in a
temporary file, as are long columns; if none can be made they stay in memory.
"""

from __future__ import annotations

import tempfile
import threading
from typing import IO, Any

import numpy as np
from numpy.typing import NDArray

from busbench.model import I64, U8, U16, Bools, Clock, FrameTimes, Reason, Rejects
from busbench.tui.growing_array import GrowingArray
from busbench.tui.pyramid import Pyramid
from busbench.wire.codec import join_channels, unpack_channels
from busbench.wire.frame_spec import FRAME_BYTES
from busbench.wire.table import FrameTable

ROWS_A_SECOND = 100  # playback rate of frames without a clock
_HELD_BYTES = 4 << 20


class FrameStore:
    """Frames by row; rows are numbered from 0 in order.

    Args:
        clock: their clock. Without one, row numbers are used as times.
    """

    def __init__(self, *, clock: Clock) -> None:
        self.clock = clock
        self._count = 0
        self._columns = {
            "t_ns": GrowingArray(np.int64),
            "slack_ns": GrowingArray(np.int32),
            "offset": GrowingArray(np.int64),
            "flags": GrowingArray(np.uint8),
            "line_marks": GrowingArray(np.uint8),
        }
        self._damage = {"offset": GrowingArray(np.int64), "length": GrowingArray(np.int64)}
        self._damaged_runs = 0
        self._raw = _FrameRows()
        self._pyramid = Pyramid(self.values)
        self._span: tuple[int, int, U16, U16] | None = None

    def __len__(self) -> int:
        return self._count

    @property
    def ticks_per_s(self) -> int:
        """Units of `axis` per second."""
        return 1_000_000_000 if self.clock.is_known else ROWS_A_SECOND

    @property
    def offset(self) -> I64:
        """Stream offset of each frame, int64 (N,)."""
        return self._column("offset")

    @property
    def flags(self) -> U8:
        """Byte 23 of each frame, uint8 (N,)."""
        return self._column("flags")

    def is_damaged(self, lo: int, hi: int) -> Bools:
        """True for each of the rows [lo, hi) with a byte that the line marked, bool (n,)."""
        return self._column("line_marks")[lo:hi] > 0

    def add(self, table: FrameTable, rejects: Rejects | None = None) -> None:
        """Append frames, and the bytes before and among them that are in none."""
        if rejects is not None:
            damage = rejects.of(Reason.DAMAGED)
            self._damage["offset"].add(damage.offset)
            self._damage["length"].add(damage.length)
            self._damaged_runs += len(damage)
        if not len(table):
            return
        parts: dict[str, NDArray[Any]] = {
            "t_ns": table.t_ns,
            "slack_ns": table.slack_ns,
            "offset": table.offset,
            "flags": table.flags,
            "line_marks": table.line_marks,
        }
        for name, values in parts.items():
            self._columns[name].add(values)
        self._raw.add(table.raw)
        first, self._count = self._count, self._count + len(table)
        if table.line_marks.any():
            self._pyramid.add(self.values(first, self._count))
        else:
            self._pyramid.add(table.all_channels())

    def first_offset(self, row: int) -> int:
        """Stream offset of a row's header, 0 without rows."""
        return int(self.offset[row]) if self._count else 0

    def times(self, lo: int, hi: int) -> FrameTimes:
        """The narrow columns of the rows in [lo, hi)."""
        part = slice(lo, hi)
        return FrameTimes(*(self._column(name)[part] for name in ("t_ns", "slack_ns", "flags", "line_marks")))

    def table(self, lo: int, hi: int) -> FrameTable:
        """The whole frames of the rows in [lo, hi)."""
        part = slice(lo, hi)
        times = self.times(lo, hi)
        line_marks: U8 = self._column("line_marks")[part].copy()
        offset, raw = self.offset[part].copy(), self._raw.get(lo, hi)
        return FrameTable(times.t_ns.copy(), times.slack_ns.copy(), offset, raw, line_marks)

    def values(self, lo: int, hi: int) -> U16:
        """Counts of channels 1-16 and the states of 17 and 18 in the rows [lo, hi), uint16 (18, n).

        For a frame with a marked byte, the values of the frame before are used.
        """
        marks, first = self._column("line_marks"), lo
        while 0 < first < hi and marks[first]:
            first -= 1
        values = join_channels(unpack_channels(self._raw.get(first, hi)), self._column("flags")[first:hi])
        if marks[first:hi].any():
            rows = np.where(marks[first:hi] > 0, 0, np.arange(hi - first))
            values = values[:, np.maximum.accumulate(rows)]
        return values[:, lo - first :]

    def damage(self, lo: int, hi: int) -> Rejects:
        """The damaged bytes outside frames, between the first and the last of the rows [lo, hi)."""
        offset, length = (self._damage[name].first(self._damaged_runs) for name in ("offset", "length"))
        part = slice(*np.searchsorted(offset, self.offset[[lo, hi - 1]]).tolist())
        return Rejects(offset[part], length[part], np.full(offset[part].size, Reason.DAMAGED, np.uint8))

    def span(self, lo: int, hi: int) -> tuple[U16, U16]:
        """Min and max value of each channel in the rows [lo, hi), uint16 (18,) each; ValueError without a row."""
        if lo >= hi:
            raise ValueError("no row")
        last = self._span
        if last is not None and last[0] == lo and last[1] <= hi <= last[1] + 4096:
            low, high = last[2], last[3]
            if hi > last[1]:
                values = self.values(last[1], hi)
                low, high = np.minimum(low, values.min(axis=1)), np.maximum(high, values.max(axis=1))
        else:
            low, high = self._pyramid.span(lo, hi)
        self._span = lo, hi, low, high
        return low, high

    def spans(self, starts: I64, stops: I64) -> tuple[U16, U16]:
        """Min and max values in many runs, see Pyramid.spans: uint16 (18, runs) each."""
        low, high = self._pyramid.spans(starts, stops)
        return low.T, high.T

    def axis(self, row: int) -> int:
        """Position of a row on the axis: its time in ns, or its number without a clock."""
        return int(self._column("t_ns")[row]) if self.clock.is_known else row

    def axis_at(self, rows: NDArray[np.intp]) -> I64:
        """Positions of some rows, int64."""
        places: I64 = self._column("t_ns")[rows] if self.clock.is_known else rows.astype(np.int64)
        return places

    def axis_of(self, lo: int, hi: int) -> I64:
        """Positions of the rows in [lo, hi), int64."""
        return self._column("t_ns")[lo:hi] if self.clock.is_known else np.arange(lo, hi, dtype=np.int64)

    def row_at(self, place: int) -> int:
        """The last row at or before a position, -1 before the first."""
        if not self.clock.is_known:
            return min(place, self._count - 1)
        return int(np.searchsorted(self._column("t_ns"), place, "right")) - 1

    def close(self) -> None:
        """Close the temporary files."""
        self._raw.close()
        self._pyramid.close()
        for column in (*self._columns.values(), *self._damage.values()):
            column.close()

    def _column(self, name: str) -> NDArray[Any]:
        return self._columns[name].first(self._count)


class _FrameRows:
    """25 bytes per row, the newest in memory, the others in a file."""

    def __init__(self) -> None:
        self._file: IO[bytes] | None = None
        self._filed = 0  # rows in the file
        self._held = bytearray(_HELD_BYTES)  # one permanent block: many small ones would fragment memory
        self._held_bytes = 0
        self._stays = False  # no file can be made
        self._lock = threading.Lock()

    def add(self, raw: U8) -> None:
        with self._lock:
            end = self._held_bytes + raw.nbytes
            if end > len(self._held) and not self._stays:
                self._file_away()
                end = self._held_bytes + raw.nbytes
            if end > len(self._held):
                self._held.extend(bytes(max(len(self._held), end - len(self._held))))
            self._held[self._held_bytes : end] = raw.tobytes()
            self._held_bytes = end

    def get(self, lo: int, hi: int) -> U8:
        with self._lock:
            data = b""
            if self._file is not None and lo < self._filed:
                self._file.seek(lo * FRAME_BYTES)
                data = self._file.read((min(hi, self._filed) - lo) * FRAME_BYTES)
            if hi > self._filed:
                first = max(lo, self._filed) - self._filed
                data += self._held[first * FRAME_BYTES : (hi - self._filed) * FRAME_BYTES]
        return np.frombuffer(data, np.uint8).reshape(-1, FRAME_BYTES)

    def close(self) -> None:
        with self._lock:
            if self._file is not None:
                self._file.close()
                self._file = None

    def _file_away(self) -> None:
        try:
            if self._file is None:
                self._file = tempfile.TemporaryFile(prefix="busbench-", buffering=0)  # noqa: SIM115 - close() closes it
            self._file.seek(self._filed * FRAME_BYTES)
            data = memoryview(self._held)[: self._held_bytes]
            while data:
                data = data[self._file.write(data) :]
        except OSError:
            self._stays = True  # rows in the file stay there
            return
        self._filed += self._held_bytes // FRAME_BYTES
        self._held_bytes = 0
