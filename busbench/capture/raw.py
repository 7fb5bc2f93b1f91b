"""Raw bytes: no clock, no marks."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from busbench.capture.base import Capture, CaptureInfo, ReadOptions
from busbench.capture.file_io import Source, as_source, read_into
from busbench.model import NO_CLOCK, ByteLog, set_readonly
from busbench.wire.frame_spec import END_BYTES, FRAME_BYTES, HEADER

FORMAT = "raw bytes"

_BLOCK_BYTES = 1 << 20
_APART_MAX = FRAME_BYTES + 9  # between two frames there may be a sensor reply and a few stray bytes


def sniff(head: bytes) -> bool:
    """True if there are two servo frames in a row, or one in a file too short for two.

    Header, zero flag bits and end byte make a candidate; in noise
    one in 200 000 does, and two in a row hardly ever.
    """
    data = np.frombuffer(head, np.uint8)
    if data.size < FRAME_BYTES:
        return False
    ends = np.zeros(256, np.bool_)
    ends[list(END_BYTES)] = True
    last = FRAME_BYTES - 1
    looks = (data[:-last] == HEADER) & (data[last - 1 : -1] < 16) & ends[data[last:]]
    if data.size < 2 * FRAME_BYTES + 10:
        return bool(looks.any())
    return any(bool((looks[apart:] & looks[:-apart]).any()) for apart in range(FRAME_BYTES, _APART_MAX + 1))


def open_file(source: str | Source, options: ReadOptions) -> Capture:  # noqa: ARG001 - the contract of readers
    """Open a file of raw bytes; any bytes are accepted."""
    return RawBytes(as_source(source))


class RawBytes(Capture):
    """A file that holds only the received bytes."""

    def __init__(self, source: Source) -> None:
        self._source = source
        source.open().close()
        self.info = CaptureInfo(source.name, FORMAT, NO_CLOCK)

    def blocks(self) -> Iterator[ByteLog]:
        """Read the bytes from the start of the file."""
        offset = 0
        with self._source.open() as stream:
            while True:
                data = np.empty(_BLOCK_BYTES, np.uint8)
                got = read_into(stream, data.data, self.info.path)
                if not got:
                    return
                log = ByteLog.from_bytes(data[:got], offset=offset)
                set_readonly(log.data)
                yield log
                offset += got
