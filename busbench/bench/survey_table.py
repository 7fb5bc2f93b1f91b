"""The table of a survey as a Parquet file; needs the `parquet` extra."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from itertools import islice
from typing import Any

from busbench.analysis.recording_row import COLUMNS, Row
from busbench.capture.parquet import need_pyarrow
from busbench.errors import BusbenchError, CaptureError, unreadable
from busbench.output_file import OutputFile

META_KEY = b"busbench survey"
_GROUP_ROWS = 4096


def _schema(pa: Any) -> Any:
    types = {
        "int": pa.int64(),
        "float": pa.float64(),
        "text": pa.string(),
        "bool": pa.bool_(),
        "pairs": pa.list_(pa.list_(pa.float64())),
    }
    return pa.schema([(name, types[kind]) for name, kind in COLUMNS.items()], metadata={META_KEY: b"1"})


def arrow_tables(rows: Iterable[Row]) -> Iterator[Any]:
    """Rows as pyarrow tables of some thousand rows each, at least one."""
    pa = need_pyarrow()
    schema, rows = _schema(pa), iter(rows)
    part = list(islice(rows, _GROUP_ROWS))
    while True:
        yield pa.table(
            {field.name: pa.array([row[field.name] for row in part], field.type) for field in schema}, schema
        )
        if not (part := list(islice(rows, _GROUP_ROWS))):
            return


def write_table(path: str, rows: Iterable[Row], *, force: bool) -> None:
    """Write rows as one Parquet file; the same rows make the same bytes.

    Raises:
        OutputError: the file exists or cannot be written.
        BusbenchError: pyarrow is not installed.
    """
    pa = need_pyarrow()
    import pyarrow.parquet as pq

    with OutputFile(path, force=force) as out, pq.ParquetWriter(out, _schema(pa), compression="zstd") as writer:
        for table in arrow_tables(rows):
            writer.write_table(table)


def is_table(path: str) -> bool:
    """True for a Parquet file that a survey wrote."""
    try:
        pa = need_pyarrow()
    except BusbenchError:
        return False
    import pyarrow.parquet as pq

    try:
        return META_KEY in (pq.read_schema(path).metadata or {})
    except (OSError, pa.ArrowException):
        return False


def table_rows(path: str, columns: Sequence[str] | None = None, unit: str | None = None) -> Iterator[Row]:
    """Rows of a Parquet file that a survey wrote.

    Args:
        columns: those that are wanted; all by default.
        unit: whose rows are wanted; all by default.

    Raises:
        CaptureError: it cannot be read, or lacks a column.
    """
    import pyarrow as pa
    import pyarrow.compute as pc
    import pyarrow.parquet as pq

    wanted = list(COLUMNS if columns is None else columns)
    try:
        with pq.ParquetFile(path) as file:
            for batch in file.iter_batches(_GROUP_ROWS, columns=sorted({*wanted, "unit"})):
                kept = batch if unit is None else batch.filter(pc.equal(batch.column("unit"), unit))
                yield from kept.select(wanted).to_pylist()
    except (OSError, pa.ArrowException) as error:
        what, hint = unreadable(error if isinstance(error, OSError) else OSError(str(error)))
        raise CaptureError(path, what, hint=hint) from None
