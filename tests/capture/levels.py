"""What the tests of files of levels share."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from busbench.capture.base import Capture, ReadOptions


def kept(tmp_path: Path, text: str | bytes) -> str:
    path = tmp_path / "line"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return str(path)


def read_with(
    open_file: Callable[[str, ReadOptions], Capture], path: str, *, signal: str | None = None
) -> tuple[bytes, list[int], list[str]]:
    """All bytes on a signal, the time of each, and the notes."""
    with open_file(path, ReadOptions(signal=signal)) as capture:
        logs = list(capture.blocks())
    times = [t for log in logs for t in log.mark_t_ns.tolist()]
    return b"".join(log.data.tobytes() for log in logs), times, capture.info.notes
