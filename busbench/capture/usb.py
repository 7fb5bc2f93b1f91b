"""Serial bytes out of a capture of a USB host."""

from __future__ import annotations

from busbench.capture.base import Capture, ReadOptions
from busbench.errors import CaptureError

FORMAT = "USB capture"


def sniff(head: bytes) -> bool:  # noqa: ARG001
    """True where the first interface is a USB host."""
    return False


def open_file(path: str, options: ReadOptions) -> Capture:  # noqa: ARG001
    """Open a capture of a USB host."""
    raise CaptureError(path, "captures of a USB host cannot be read yet")
