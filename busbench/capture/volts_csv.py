"""CSV of volts, as saved by oscilloscopes: a time column, then voltages, after any lines about the instrument.

No standard defines such a layout (common practice, no source). The threshold is found from the voltages.
"""

from __future__ import annotations

from busbench.capture.base import Capture, ReadOptions
from busbench.capture.edges import LevelCapture, LevelFile
from busbench.capture.file_io import HEAD_BYTES, Source
from busbench.capture.level_csv import ANALOG_FORMAT as FORMAT
from busbench.capture.level_csv import LevelCsvFile
from busbench.capture.level_layout import find_layout

__all__ = ["FORMAT", "open_file", "open_levels", "sniff"]


def sniff(head: bytes) -> bool:
    """True if the file begins with rows of a rising time and numbers that are not all whole; see find_layout."""
    return find_layout(head, is_whole=len(head) < HEAD_BYTES, is_analog=True) is not None


def open_file(source: str | Source, options: ReadOptions) -> Capture:
    """Open a CSV of volts as the bytes on one of its columns: `options.signal` is its name or number after the time."""
    return LevelCapture(open_levels(source), options)


def open_levels(source: str | Source) -> LevelFile:
    """Open a CSV of volts as the levels of all its columns; see open_file."""
    return LevelCsvFile(source, is_analog=True)
