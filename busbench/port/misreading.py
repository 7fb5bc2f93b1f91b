"""How an adapter with wrong polarity or rate reads a line."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

import numpy as np

from busbench.line import BUS_LINE, LineSettings
from busbench.model import ByteLog
from busbench.wire.uart import decode_fixed, encode_line


def decode_fixed_bytes(blocks: Iterable[ByteLog], *, line: LineSettings, has_marks: bool) -> Iterator[ByteLog]:
    """Read each block's line with other settings.

    Args:
        blocks: bytes of the bus, each with the end time of its character.
        has_marks: True if the adapter marks damaged bytes.

    Returns:
        The garbage, a log per log, in the same form.
    """
    offset = 0
    for log in blocks:
        starts = log.mark_t_ns - BUS_LINE.character_ns
        # An extra byte made by noise has no place on the line.
        has_place = np.diff(starts, prepend=np.int64(-(1 << 40))) >= BUS_LINE.character_ns
        if not has_place.any():
            yield ByteLog(offset, np.empty(0, np.uint8), np.empty(0, np.int64), np.empty(0, np.int64))
            continue
        read = decode_fixed(encode_line(log.data[has_place], starts[has_place]), line=line)
        marks = offset + 1 + np.arange(len(read), dtype=np.int64)
        bad = (read.bad != 0).astype(np.uint8)
        yield ByteLog(offset, read.data, marks, read.t_ns + line.character_ns, bad if has_marks else None)
        offset += len(read)
