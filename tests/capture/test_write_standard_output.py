"""Standard output that takes a part of what is written, or nothing: all bytes arrive, or an error says so."""

from __future__ import annotations

import errno
import sys
from types import SimpleNamespace

import numpy as np
import pytest

from busbench.capture.base import CaptureInfo
from busbench.capture.write import RawFile
from busbench.errors import OutputError
from busbench.line import BUS_LINE
from busbench.model import NO_CLOCK, ByteLog

DATA = bytes(range(100))


class Output:
    """An unbuffered standard output that takes at most 7 bytes at once, and has room for some."""

    def __init__(self, room: int) -> None:
        self.taken = b""
        self._room = room

    def write(self, data: memoryview) -> int | None:
        if len(self.taken) == self._room:
            raise OSError(errno.ENOSPC, "No space left on device")
        part = bytes(data[: min(7, self._room - len(self.taken))])
        self.taken += part
        return len(part)

    def flush(self) -> None:
        """Nothing is held back."""


def written(output: Output, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "stdout", SimpleNamespace(buffer=output, isatty=lambda: False))
    writer = RawFile("-", CaptureInfo("-", "raw bytes", NO_CLOCK), BUS_LINE, force=False)
    writer.write_log(ByteLog(0, np.frombuffer(DATA, np.uint8), np.empty(0, np.int64), np.empty(0, np.int64)))
    writer.close()


def test_parts_follow_one_another(monkeypatch: pytest.MonkeyPatch) -> None:
    output = Output(1000)
    written(output, monkeypatch)
    assert output.taken == DATA


@pytest.mark.parametrize("room", [0, 20, 99])
def test_a_full_output_is_an_error_at_once(room: int, monkeypatch: pytest.MonkeyPatch) -> None:
    output = Output(room)
    with pytest.raises(OutputError) as caught:
        written(output, monkeypatch)
    assert str(caught.value) == (
        "standard output: cannot be written any further (No space left on device): make room, or write elsewhere"
    )
    assert output.taken == DATA[:room]
