"""Read the frames of a Parquet file written by busbench as bytes; needs the `parquet` extra.

Such a file holds only frames. The number of bytes between them is known, not their values: 0xFF is used.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

import numpy as np

from busbench.capture.base import Capture, CaptureInfo, ReadOptions
from busbench.capture.file_io import Source, as_source
from busbench.errors import CaptureError, pluralize
from busbench.model import I64, NO_CLOCK, ByteLog, Clock, ClockKind, set_readonly
from busbench.wire.codec import pack_frames
from busbench.wire.frame_spec import CHANNELS, FRAME_BYTES

if TYPE_CHECKING:
    import pyarrow.parquet as pq

FORMAT = "Parquet"
META_KEY = b"busbench"
FLAG_NAMES = ("ch17", "ch18", "frame_lost", "failsafe")
CHANNEL_NAMES = tuple(f"ch{number}" for number in range(1, CHANNELS + 1))
COLUMNS = ("time_s", "offset", *CHANNEL_NAMES, *FLAG_NAMES, "end_byte", "suspect")

_ROWS = 1 << 15  # of a block
_FILLED_MOST = 1 << 30  # max bytes made up in total: no recording has lost more
_FILL = 0xFF
_SECONDS_MOST = 1e9  # thirty years from the first byte


def sniff(head: bytes) -> bool:
    """True if the file begins as Parquet."""
    return head.startswith(b"PAR1")


def open_file(source: str | Source, options: ReadOptions) -> Capture:  # noqa: ARG001 - the contract of readers
    """Open a Parquet file of frames that busbench wrote."""
    return ParquetFrames(as_source(source))


class ParquetFrames(Capture):
    """Frames of a Parquet file, a row each."""

    def __init__(self, source: Source) -> None:
        name = source.name
        try:
            import pyarrow.parquet
        except ImportError:
            hint = "install pyarrow beside busbench, as by `pip install pyarrow`"
            raise CaptureError(name, "needs the package pyarrow", hint=hint) from None
        self._file = source.random_access()
        self._name = name
        try:
            self._parquet: pq.ParquetFile = pyarrow.parquet.ParquetFile(self._file)
        except (OSError, ValueError):
            self.close()
            raise self._damaged() from None
        if not set(COLUMNS) <= set(self._parquet.schema_arrow.names):
            self.close()
            raise CaptureError(
                name, "is Parquet of other columns than busbench writes", hint="give the recording itself"
            )
        said = _meta((self._parquet.schema_arrow.metadata or {}) | (self._parquet.metadata.metadata or {}))
        self.info = CaptureInfo(name, FORMAT, said.clock, said.start_utc_ns)
        self._first_t_ns = said.first_t_ns

    def blocks(self) -> Iterator[ByteLog]:
        """Read the frames from the first; see Capture."""
        self.info.notes.clear()
        at = filled = 0
        try:
            for batch in self._parquet.iter_batches(_ROWS, columns=list(COLUMNS)):
                columns = {name: batch.column(name).to_numpy(zero_copy_only=False) for name in COLUMNS}
                offset = columns["offset"]
                if offset.dtype.kind not in "iu":
                    raise self._damaged()
                gaps = np.diff(offset, prepend=at - FRAME_BYTES) - FRAME_BYTES
                filled += sum(gaps.tolist())
                if (gaps < 0).any() or filled > _FILLED_MOST:
                    raise self._damaged()
                if self.info.clock.is_known and not (np.abs(columns["time_s"]) < _SECONDS_MOST).all():
                    raise self._damaged()
                for log in self._logs(columns, gaps, at):
                    at = log.end
                    yield log
        except (OSError, ValueError, KeyError, TypeError):
            raise self._damaged() from None
        if filled:
            some = f"{pluralize(filled, 'byte')} between the frames {'is' if filled == 1 else 'are'}"
            self.info.notes.append(f"{some} known by number alone: 0x{_FILL:02X} is written for each")

    def _logs(self, columns: dict[str, Any], gaps: I64, at: int) -> Iterator[ByteLog]:
        counts = np.column_stack([columns[name] for name in CHANNEL_NAMES])
        flags = sum(np.asarray(columns[name], np.bool_).astype(np.uint8) << bit for bit, name in enumerate(FLAG_NAMES))
        raw = pack_frames(counts, flags, columns["end_byte"])
        ends = at + np.cumsum(gaps + FRAME_BYTES)
        data = np.full(int(ends[-1]) - at, _FILL, np.uint8)
        data[(ends[:, None] - at - FRAME_BYTES) + np.arange(FRAME_BYTES)] = raw
        bad = np.zeros(data.size, np.uint8)
        bad[ends[np.asarray(columns["suspect"], np.bool_)] - at - 1] = 1
        marks, t_ns = np.empty(0, np.int64), np.empty(0, np.int64)
        if self.info.clock.is_known:
            t_ns = self._first_t_ns + np.rint(np.asarray(columns["time_s"], np.float64) * 1e9).astype(np.int64)
            marks = ends
        marked = bad if bad.any() else None
        set_readonly(data, marks, t_ns, marked)
        yield ByteLog(at, data, marks, t_ns, marked)

    def _damaged(self) -> CaptureError:
        return CaptureError(self._name, "is damaged (Parquet)", hint="copy it again")

    def close(self) -> None:
        """Let go of the file."""
        self._file.close()


class _Meta:
    """The metadata of busbench's writer."""

    def __init__(self, said: dict[str, Any]) -> None:
        self.clock = NO_CLOCK
        if said.get("clock") in (ClockKind.PER_BYTE.value, ClockKind.PER_READ.value):
            self.clock = Clock(ClockKind(said["clock"]), _whole(said.get("resolution_ns")) or 1)
        self.first_t_ns = _whole(said.get("first_t_ns")) or 0
        self.start_utc_ns = _whole(said.get("start_utc_ns"))


def _meta(metadata: dict[bytes, bytes]) -> _Meta:
    try:
        said = json.loads(metadata.get(META_KEY, b"{}"))
    except ValueError:
        said = {}
    return _Meta(said if isinstance(said, dict) else {})


def _whole(value: object) -> int | None:
    """An integer of at most 62 bits, else None."""
    return value if isinstance(value, int) and not isinstance(value, bool) and abs(value) < 1 << 62 else None
