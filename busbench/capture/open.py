"""Opening a recording of any format, told by what it holds and not by its name."""

from __future__ import annotations

import contextlib
import dataclasses
import importlib
import os
import shutil
import stat
import sys
import tempfile
import weakref
from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO, Protocol, cast

from busbench.capture.base import Capture, ReadOptions
from busbench.capture.file_io import HEAD_BYTES, open_binary, read_head, read_into
from busbench.errors import FOREIGN, CaptureError
from busbench.model import ByteLog

STANDARD_INPUT = "-"

# The strictest comes first; raw bytes have nothing to be told by but the frames in them.
_READERS = ("usb", "pcapng_read", "vcd", "level_csv", "byte_csv")
_LONG_HEAD_BYTES = 4 << 20  # of text whose first rows may be longer than what is looked at first
_RAW_SEARCH_BYTES = 4 << 20
_KNOWN_BY = "busbench reads pcapng, CSV of bytes or of level changes, VCD, and raw bytes of the bus"


class _Reader(Protocol):
    """What the module of a format offers."""

    FORMAT: str

    def sniff(self, head: bytes) -> bool: ...

    def open_file(self, path: str, options: ReadOptions) -> Capture: ...


def open_capture(path: str | os.PathLike[str], *, options: ReadOptions | None = None) -> Capture:
    """Open a recording.

    Args:
        path: a file of any format that is read, or "-" for standard input.
        options: choices that a file may leave open.

    Returns:
        The recording; use it as a context manager.

    Raises:
        CaptureError: it cannot be opened, or is of no known format.
    """
    path, options = os.fspath(path), options or ReadOptions()
    if path == STANDARD_INPUT:
        if sys.stdin is None or sys.stdin.isatty():
            raise CaptureError(path, "is a terminal", hint="pipe a recording into it, or name a file")
        return _Spooled(path, sys.stdin.buffer, options)
    if _is_pipe(path):
        with open_binary(path) as pipe:
            return _Spooled(path, cast(BinaryIO, pipe), options)
    return _choose(path).open_file(path, options)


def _choose(path: str, *, any_bytes: bool = False) -> _Reader:
    """The module that reads a file.

    Args:
        path: a regular file.
        any_bytes: True where bytes without frames are taken as raw bytes too.
    """
    head = read_head(path)
    if not head:
        raise CaptureError(path, "is empty", hint="was the recording ended before a byte came?")
    reader = _recognized(head)
    if reader is None and len(head) == HEAD_BYTES and _is_text(head):
        reader = _recognized(read_head(path, most=_LONG_HEAD_BYTES))
    if reader is not None:
        return reader
    for magic, what, hint in FOREIGN:
        if head.startswith(magic):
            raise CaptureError(path, what, hint=hint or _KNOWN_BY)
    raw = cast(_Reader, importlib.import_module("busbench.capture.raw"))
    if any(raw.sniff(part) for part in _parts(path)):
        return raw
    if _is_text(head):
        raise CaptureError(path, "is text of no layout that is known here", hint=_KNOWN_BY)
    if any_bytes:
        return raw
    raise CaptureError(path, "is of no known format, and no servo frames stand in its first 4 MB", hint=_KNOWN_BY)


def _recognized(head: bytes) -> _Reader | None:
    """The module whose format begins so, but for raw bytes."""
    for name in _READERS:
        reader = cast(_Reader, importlib.import_module(f"busbench.capture.{name}"))
        if reader.sniff(head):
            return reader
    return None


def _is_pipe(path: str) -> bool:
    try:
        return stat.S_ISFIFO(os.stat(path).st_mode)  # noqa: PTH116 - a path may be any text
    except (OSError, ValueError):
        return False  # told when it is opened


def _parts(path: str) -> Iterator[bytes]:
    with open_binary(path) as file:
        part = bytearray(HEAD_BYTES)
        for _ in range(0, _RAW_SEARCH_BYTES, HEAD_BYTES):
            got = read_into(file, memoryview(part), path)
            yield bytes(part[:got])
            if got < HEAD_BYTES:
                return


def _is_text(head: bytes) -> bool:
    odd = sum(head.count(bytes([code])) for code in range(32) if code not in b"\t\n\r\f")
    return odd == 0 or (b"\0" in head[1::2] and head[:2] in (b"\xff\xfe", b"\xfe\xff"))


class _Spooled(Capture):
    """A recording out of a pipe, kept in a temporary file so that it can be read again."""

    def __init__(self, name: str, stream: BinaryIO, options: ReadOptions) -> None:
        self._name = name
        try:
            handle, self._kept = tempfile.mkstemp(prefix="busbench-")
        except OSError as error:
            what = f"cannot be kept, since no temporary file can be made ({error.strerror})"
            raise CaptureError(name, what, hint="save it to a file first") from None
        self._remove = weakref.finalize(self, _unlink, self._kept)
        try:
            with os.fdopen(handle, "wb") as file:
                shutil.copyfileobj(stream, file, 1 << 20)
        except OSError as error:
            self._remove()
            raise CaptureError(name, f"cannot be kept ({error.strerror})", hint="save it to a file first") from None
        try:
            self._inner = _choose(self._kept, any_bytes=True).open_file(self._kept, options)
        except CaptureError as error:
            self._remove()
            raise self._renamed(error) from None
        self.info = dataclasses.replace(self._inner.info, path=name)  # shares notes and marks

    def blocks(self) -> Iterator[ByteLog]:
        """Read the recording from its start."""
        try:
            yield from self._inner.blocks()
        except CaptureError as error:
            raise self._renamed(error) from None

    def close(self) -> None:
        """Let go of the temporary file."""
        self._inner.close()
        self._remove()

    def _renamed(self, error: CaptureError) -> CaptureError:
        what = error.what.partition(": ")[2] if error.path == self._kept else error.what
        return CaptureError(self._name, what, offset=error.offset, hint=error.hint)


def _unlink(path: str) -> None:
    with contextlib.suppress(OSError):
        Path(path).unlink()
