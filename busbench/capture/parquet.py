"""The frames of a recording as Parquet columns; needs the `parquet` extra."""

from __future__ import annotations

import json

import numpy as np

from busbench.capture.base import Capture, CaptureInfo
from busbench.capture.frames import Span, read_frames
from busbench.capture.parquet_read import CHANNEL_NAMES, FLAG_NAMES, META_KEY
from busbench.errors import BusbenchError
from busbench.model import BUS_LINE, LineSettings
from busbench.output_file import OutputFile


def write_parquet(path: str, capture: Capture, *, line: LineSettings = BUS_LINE, force: bool = False) -> int:
    """Write all frames of a recording, a row a frame.

    Args:
        path: the new file.
        capture: the recording.
        line: settings of the line.
        force: True to write over a file that is there.

    Returns:
        Frames written.

    Raises:
        BusbenchError: the extra is not installed.
        OutputError: the file exists, is the recording itself or cannot be written.
        CaptureError: the recording cannot be read.
    """
    try:
        import pyarrow as pa
        import pyarrow.parquet as pq
    except ImportError:
        raise BusbenchError(
            "--output: a .parquet file needs the package pyarrow",
            hint="install it with: pip install 'busbench[parquet]'",
        ) from None
    schema = pa.schema(
        [
            ("time_s", pa.float64()),
            ("offset", pa.int64()),
            *((name, pa.uint16()) for name in CHANNEL_NAMES),
            *((name, pa.bool_()) for name in FLAG_NAMES),
            ("end_byte", pa.uint8()),
            ("suspect", pa.bool_()),
        ]
    )
    span, total = Span(), 0
    with OutputFile(path, force=force, inputs=[capture.info.path]) as out, pq.ParquetWriter(out, schema) as writer:
        for found in read_frames(capture, span=span, line=line):
            table = found.frames
            if not len(table):
                continue
            times = (table.t_ns - (span.first_t_ns or 0)) / 1e9
            columns = {
                "time_s": pa.array(times, mask=np.full(len(table), not capture.info.clock.is_known)),
                "offset": pa.array(table.offset),
                **{name: pa.array(table.channels[:, i]) for i, name in enumerate(CHANNEL_NAMES)},
                **{name: pa.array((table.flags >> bit & 1).astype(bool)) for bit, name in enumerate(FLAG_NAMES)},
                "end_byte": pa.array(np.ascontiguousarray(table.end)),
                "suspect": pa.array(table.suspect),
            }
            writer.write_table(pa.table(columns, schema=schema))
            total += len(table)
        writer.add_key_value_metadata({META_KEY: _meta(capture.info, span)})
    return total


def _meta(info: CaptureInfo, span: Span) -> bytes:
    """What the columns do not hold: the clock, and where its times begin."""
    said: dict[str, int | str | None] = {"first_t_ns": span.first_t_ns or 0, "start_utc_ns": info.start_utc_ns}
    if info.clock.is_known:
        said |= {"clock": info.clock.kind.value, "resolution_ns": info.clock.resolution_ns}
    return json.dumps(said).encode()
