"""Annotations made on a finished recording, in a CSV file beside it; the recording itself is not changed.

`x.pcapng` has its annotations in `x.pcapng.notes.csv`: a header, then a row per annotation, ordered by time. The
first column is `time_s`, seconds from the first byte, or `frame`, the frame's number from 0, in a recording without
timestamps; the second is `text`.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from pathlib import Path

from busbench.errors import CaptureError, unreadable
from busbench.model import Annotation
from busbench.output_file import write_output

SUFFIX = ".notes.csv"
_TEXT_MOST = 10_000


def notes_path(recording: str | Path) -> str:
    """The path of a recording's annotations."""
    return f"{recording}{SUFFIX}"


def read_annotations(recording: str | Path, *, start_ns: int | None) -> list[Annotation]:
    """Read the annotations made on a finished recording; none if there is no file.

    Args:
        start_ns: time of its first byte, None for a recording without timestamps: `t_ns` is a frame number then.

    Raises:
        CaptureError: the file cannot be read, or holds something else.
    """
    path = notes_path(recording)
    if not Path(path).is_file():
        return []
    try:
        with Path(path).open(encoding="utf-8-sig", newline="") as file:
            rows = list(csv.reader(file))
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        what, hint = unreadable(error)
        raise CaptureError(path, what, hint=hint) from error
    column = _column(start_ns)
    if not rows or rows[0] != [column, "text"]:
        raise CaptureError(path, f"holds no annotations with columns {column},text", hint="move it to another name")
    out = []
    for number, row in enumerate(rows[1:], start=2):
        try:
            at, text = row
            t_ns = int(at) if start_ns is None else start_ns + round(float(at) * 1e9)
        except (ValueError, OverflowError) as error:
            hint = "correct it, or move the file to another name"
            raise CaptureError(path, f"line {number} is not a row of {column},text", hint=hint) from error
        out.append(Annotation(t_ns, text[:_TEXT_MOST]))
    return sorted(out, key=lambda one: one.t_ns)


def write_annotations(recording: str | Path, notes: Sequence[Annotation], *, start_ns: int | None) -> str:
    """Write all annotations made on a finished recording; replaces the existing file.

    Args:
        recording: its path; the recording itself is not changed.
        start_ns: see read_annotations.

    Raises:
        OutputError: it cannot be written.
    """
    out = io.StringIO()
    rows = csv.writer(out, lineterminator="\n")
    rows.writerow([_column(start_ns), "text"])
    for note in notes:
        rows.writerow([note.t_ns if start_ns is None else f"{(note.t_ns - start_ns) / 1e9:.9f}", note.text])
    path = notes_path(recording)
    write_output(path, out.getvalue(), is_update=True)
    return path


def _column(start_ns: int | None) -> str:
    return "frame" if start_ns is None else "time_s"
