"""The bytes of a pipe: kept as they came, followed while they come, what goes wrong, and what is left of it."""

from __future__ import annotations

import errno
import io
import os
import sys
import tempfile
from contextlib import closing
from pathlib import Path

import pytest

from busbench.capture.file_io import read_into
from busbench.capture.pipe_source import PipeSource
from busbench.errors import CaptureError

DATA = bytes(range(256)) * 600  # more than one pull


class Parts(io.BytesIO):
    """A stream that gives a part at each read, and an error in place of None."""

    def __init__(self, *parts: bytes | None, error: OSError | None = None) -> None:
        super().__init__()
        self._parts, self._error = list(parts), error

    def read(self, size: int | None = -1, /) -> bytes:
        part = self._parts.pop(0) if self._parts else b""
        if part is None and self._error is not None:
            raise self._error
        return part or b""


@pytest.fixture
def kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The folder of temporary files."""
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    return tmp_path


@pytest.fixture
def is_ready(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("busbench.capture.pipe_source.select.select", lambda *_: ([1], [], []))


def whole(source: PipeSource) -> bytes:
    view = memoryview(bytearray(len(DATA) + 100))
    with source.open() as stream:
        total = 0
        while got := read_into(stream, view[total:], source.name):
            total += got
        return bytes(view[:total])


def test_all_of_a_pipe_is_kept_at_once(kept: Path) -> None:
    source = PipeSource("-", io.BytesIO(DATA))
    assert (source.has_ended, source.comes_slowly, source.size()) == (True, False, len(DATA))
    assert not source.grow()
    assert [whole(source), whole(source)] == [DATA, DATA]
    (file,) = kept.iterdir()
    assert file.name.startswith("busbench-")
    source.close()
    source.close()
    assert list(kept.iterdir()) == []


@pytest.mark.usefixtures("kept", "is_ready")
def test_a_pipe_is_read_part_by_part() -> None:
    source = PipeSource("-", Parts(b"ab", b"c"), waiting=lambda: None)
    assert (source.has_ended, whole(source)) == (False, b"")
    assert (source.grow(), source.has_ended, whole(source)) == (True, False, b"ab")
    assert (source.grow(), source.grow(), source.has_ended) == (True, True, True)
    assert (source.grow(), whole(source)) == (False, b"abc")
    source.follow()
    assert not source.comes_slowly  # all of it is there


@pytest.mark.usefixtures("kept", "is_ready")
def test_the_rest_of_a_pipe_is_taken() -> None:
    source = PipeSource("-", Parts(b"ab", b"c", b"de"), waiting=lambda: None)
    source.grow()
    source.take_all()
    assert (source.has_ended, whole(source)) == (True, b"abcde")


@pytest.mark.usefixtures("kept", "is_ready")
def test_streams_wait_for_what_has_not_arrived() -> None:
    source = PipeSource("-", Parts(b"ab", b"c", b"de"), waiting=lambda: None)
    source.follow()
    assert source.comes_slowly
    view = memoryview(bytearray(10))
    with source.open() as first, source.open() as second:
        assert [read_into(first, view, "-") for _ in range(2)] == [2, 1]
        assert [read_into(second, view[at:], "-") for at in (0, 3, 5)] == [3, 2, 0]
        assert bytes(view[:5]) == b"abcde"
        assert [read_into(first, view, "-") for _ in range(2)] == [2, 0]


@pytest.mark.skipif(sys.platform == "win32", reason="pipes cannot be waited for there")
@pytest.mark.usefixtures("kept")
def test_while_it_waits_the_caller_is_asked(monkeypatch: pytest.MonkeyPatch) -> None:
    """Until it has given something."""
    monkeypatch.setattr("busbench.capture.pipe_source._LOOK_S", 0.0)
    reading, writing = os.pipe()
    asked: list[int] = []

    def wait() -> None:
        asked.append(1)
        if len(asked) == 3:
            os.write(writing, b"abc")
            os.close(writing)

    with os.fdopen(reading, "rb") as stream:
        source = PipeSource("-", stream, waiting=wait)
        source.take_all()
    assert (whole(source), len(asked)) == (b"abc", 3)


@pytest.mark.usefixtures("is_ready")
@pytest.mark.parametrize("is_slow", [True, False])
def test_what_cannot_be_kept_is_an_error_and_leaves_no_file(kept: Path, is_slow: bool) -> None:
    stream = Parts(b"ab", None, error=OSError(errno.ENOSPC, "No space left on device"))
    said = r"pipe: cannot be kept \(No space left on device\): save it to a file first"
    with pytest.raises(CaptureError, match=said):
        PipeSource("pipe", stream, waiting=(lambda: None) if is_slow else None).take_all()
    assert list(kept.iterdir()) == []


@pytest.mark.usefixtures("kept", "is_ready")
def test_a_reader_of_the_output_that_has_gone_is_passed_on() -> None:
    gone = Parts(None, error=BrokenPipeError(errno.EPIPE, "gone"))
    with closing(PipeSource("pipe", gone, waiting=lambda: None)) as source, pytest.raises(BrokenPipeError):
        source.grow()


def test_without_a_temporary_file_a_pipe_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(**_: str) -> None:
        raise OSError(errno.EROFS, "Read-only file system")

    monkeypatch.setattr(tempfile, "mkstemp", refuse)
    said = r"pipe: cannot be kept, since no temporary file can be made \(Read-only file system\): save it to a file"
    with pytest.raises(CaptureError, match=said):
        PipeSource("pipe", io.BytesIO(DATA))
