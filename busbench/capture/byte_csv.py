"""Serial bytes out of a CSV of bytes."""

from __future__ import annotations

from busbench.capture.base import Capture, ReadOptions
from busbench.errors import CaptureError

FORMAT = "byte CSV"


def sniff(head: bytes) -> bool:  # noqa: ARG001
    """True where rows hold a time and a byte."""
    return False


def open_file(path: str, options: ReadOptions) -> Capture:  # noqa: ARG001
    """Open a CSV of bytes."""
    raise CaptureError(path, "CSVs of bytes cannot be read yet")
