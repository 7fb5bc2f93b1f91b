"""The frames of a recording as Parquet columns; needs the `parquet` extra."""

from __future__ import annotations

import importlib
import json
from typing import Any

import numpy as np

from busbench.capture.base import Capture, CaptureInfo
from busbench.capture.frames import Span, read_frames
from busbench.capture.parquet_read import CHANNEL_NAMES, FLAG_NAMES, META_KEY
from busbench.errors import BusbenchError
from busbench.line import BUS_LINE, LineSettings
from busbench.model import NO_CLOCK, Clock
from busbench.output_file import OutputFile
from busbench.wire.table import FrameTable


def need_pyarrow() -> Any:
    """The library pyarrow.

    Raises:
        BusbenchError: it is not installed.
    """
    try:
        return importlib.import_module("pyarrow")
    except ImportError:
        raise BusbenchError(
            "--output: a .parquet file needs the package pyarrow",
            hint="install pyarrow beside busbench, as by `pip install pyarrow`",
        ) from None


def arrow_table(frames: FrameTable, *, clock: Clock, first_t_ns: int) -> Any:
    """Frames as a pyarrow table: times in seconds from the recording's first byte, stream offsets, values.

    Args:
        frames: some or all of a recording.
        clock: its clock; times are null without one.
        first_t_ns: time of the first byte.

    Raises:
        ImportError: the `parquet` extra is not installed.
    """
    import pyarrow as pa

    columns = {
        "time_s": pa.array((frames.t_ns - first_t_ns) / 1e9, mask=np.full(len(frames), not clock.is_known)),
        "offset": pa.array(frames.offset),
        **{name: pa.array(frames.channels[:, i], pa.uint16()) for i, name in enumerate(CHANNEL_NAMES)},
        **{name: pa.array((frames.flags >> bit & 1).astype(bool)) for bit, name in enumerate(FLAG_NAMES)},
        "end_byte": pa.array(np.ascontiguousarray(frames.end)),
        "suspect": pa.array(frames.suspect),
    }
    return pa.table(columns)


def write_parquet(path: str, capture: Capture, *, line: LineSettings = BUS_LINE, force: bool = False) -> int:
    """Write all frames of a recording, a row per frame; BusbenchError without the extra, else of either file."""
    need_pyarrow()
    import pyarrow.parquet as pq

    schema = arrow_table(FrameTable.empty(), clock=NO_CLOCK, first_t_ns=0).schema
    span, total = Span(), 0
    with OutputFile(path, force=force, inputs=[capture.info.path]) as out, pq.ParquetWriter(out, schema) as writer:
        for found in read_frames(capture, span=span, line=line):
            table = found.frames
            if not len(table):
                continue
            first_t_ns = span.first_t_ns or 0
            writer.write_table(arrow_table(table, clock=capture.info.clock, first_t_ns=first_t_ns))
            total += len(table)
        writer.add_key_value_metadata({META_KEY: _meta(capture.info, span)})
    return total


def _meta(info: CaptureInfo, span: Span) -> bytes:
    """Metadata that the columns do not hold: the clock, and the zero of its times."""
    said: dict[str, int | str | None] = {"first_t_ns": span.first_t_ns or 0, "start_utc_ns": info.start_utc_ns}
    if info.clock.is_known:
        said |= {"clock": info.clock.kind.value, "resolution_ns": info.clock.resolution_ns}
    return json.dumps(said).encode()
