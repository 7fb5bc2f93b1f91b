"""Open a recording of any format, recognized by its contents, not its name."""

from __future__ import annotations

import contextlib
import io
import os
import stat
import sys
from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import BinaryIO, Protocol, runtime_checkable

from busbench.capture.address import is_address, open_address
from busbench.capture.base import Capture, ReadOptions
from busbench.capture.compressed import CompressedSource, codec_of
from busbench.capture.edges import LevelFile
from busbench.capture.file_io import (
    BLOCK_BYTES,
    HEAD_BYTES,
    LONG_HEAD_BYTES,
    FileSource,
    ObjectSource,
    Source,
    read_head,
    read_into,
)
from busbench.capture.formats import FORMATS, RAW, FileFormat
from busbench.capture.pipe_source import PipeSource
from busbench.capture.text_columns import StyledSource, find_style
from busbench.capture.text_fault import text_fault
from busbench.capture.utf16 import Utf16Source, is_utf16
from busbench.errors import CaptureError
from busbench.model import ByteLog
from busbench.text_file import FOREIGN

STANDARD_INPUT = "-"

_MAGIC_BYTES = 8
_RAW_SEARCH_BYTES = 4 << 20
_RAW_LEAST_BYTES = 60  # two frames in a row identify raw bytes
_KNOWN_BY = "busbench reads pcapng, pcap, VCD, .sr, CSV, its own Parquet, and raw bytes of the bus"


@runtime_checkable
class _LevelReader(Protocol):
    """The additional interface of a format with several signals."""

    def open_levels(self, source: Source) -> LevelFile: ...


def open_capture(
    recording: str | os.PathLike[str] | BinaryIO,
    *,
    options: ReadOptions | None = None,
    waiting: Callable[[], object] | None = None,
) -> Capture:
    """Open a recording.

    Args:
        recording: a file of any readable format, compressed or not, or its address (`file://`, others
            with fsspec), "-" for standard input, or an object that is open for bytes, which stays open.
        options: choices for files that leave one open.
        waiting: called a few times per second while waiting for a pipe; if given, bytes of a
            pipe are passed on as they arrive, if the format is known from its first bytes.

    Returns:
        The recording; use it as a context manager.

    Raises:
        CaptureError: it cannot be opened, or the format is unknown.
    """
    source, any_bytes = _source_of(recording, waiting)
    pipe = source if isinstance(source, PipeSource) else None
    packed = source
    try:
        while True:
            try:
                source = _unpacked(packed)
                inner = _opened(source, pipe, options or ReadOptions(), any_bytes=any_bytes)
                break
            except CaptureError:
                if pipe is None or not pipe.grow():
                    raise
    except CaptureError as error:
        source.close()
        fault = source.fault()
        if fault is not None and error.offset is None:
            raise fault from None
        raise
    if isinstance(source, StyledSource) and inner.info.start_utc_ns is None:
        inner.info.start_utc_ns = source.zero_utc_ns
    if pipe is not None:
        pipe.follow()
    return inner if type(source) is FileSource else _Sourced(inner, source)


def _opened(source: Source, pipe: PipeSource | None, options: ReadOptions, *, any_bytes: bool) -> Capture:
    """The reader of a source; a pipe with too few bytes so far is an error."""
    if pipe is None or pipe.has_ended:
        return _choose(source, any_bytes=any_bytes).reader().open_file(source, options)
    head = read_head(source)
    if len(head) >= (HEAD_BYTES if _is_text(head) else _RAW_LEAST_BYTES):
        made = _choose(source)
        if not made.is_followed:
            pipe.take_all()
        inner = made.reader().open_file(source, options)
        if pipe.has_ended or not inner.is_sent:
            return inner
    raise CaptureError(source.name, "has only begun")


def open_captures(recording: str | os.PathLike[str], *, options: ReadOptions | None = None) -> list[Capture]:
    """Open each serial line of a recording.

    Args:
        recording: a file, "-" for standard input.
        options: choices for files that leave one open; with an interface, only that one.

    Returns:
        One per serial interface that received something, in order, and per interface of busbench's recordings
        that did not; one for all other files.

    Raises:
        CaptureError: it cannot be opened, or the format is unknown.
    """
    options = options or ReadOptions()
    numbers = line_interfaces(recording) if options.interface is None else []
    if len(numbers) < 2:
        return [open_capture(recording, options=options)]
    return [open_capture(recording, options=replace(options, interface=str(number))) for number in numbers]


def line_interfaces(recording: str | os.PathLike[str]) -> list[int]:
    """Numbers of the serial interfaces of a packet capture; empty for other files, pipes and unreadable files."""
    from busbench.capture import pcapng_read
    from busbench.capture.packets import PacketFile
    from busbench.capture.pcapng_choice import line_numbers

    path = os.fspath(recording)
    if path == STANDARD_INPUT or _is_pipe(path):  # which can be read only once
        return []
    with contextlib.suppress(CaptureError), contextlib.closing(_source_of(path, None)[0]) as packed:
        source = _unpacked(packed)  # opening it later says why it cannot be read
        if pcapng_read.sniff(read_head(source)):
            return line_numbers(PacketFile(source))
    return []


def hash_recording(recording: str) -> str | None:
    """SHA-256 of a recording as it is kept, in hex (FIPS 180-4); None for a pipe (raises CaptureError: unreadable)."""
    if recording == STANDARD_INPUT or _is_pipe(recording):  # which can be read only once
        return None
    import hashlib  # long to load, and only surveys need it

    made, block = hashlib.sha256(), memoryview(bytearray(BLOCK_BYTES))
    with contextlib.closing(_source_of(recording, None)[0]) as source, source.open() as stream:
        while got := read_into(stream, block, source.name):
            made.update(block[:got])
    return made.hexdigest()


def open_levels(path: str) -> LevelFile | None:
    """Open a file of levels of several signals; None if it is another kind of file.

    Args:
        path: the file, compressed or not, or its address.

    Raises:
        CaptureError: it is one and cannot be read.
    """
    source = _unpacked(open_address(path) if is_address(path) else FileSource(path))
    found = _recognized(read_head(source))
    reader = None if found is None else found.reader()
    return reader.open_levels(source) if isinstance(reader, _LevelReader) else None


def _source_of(
    recording: str | os.PathLike[str] | BinaryIO, waiting: Callable[[], object] | None
) -> tuple[Source, bool]:
    """The source of the bytes, and whether any bytes are accepted: a pipe has no misleading name."""
    if not isinstance(recording, str | os.PathLike):
        return _of_object(recording), False
    path = os.fspath(recording)
    if path == STANDARD_INPUT:
        if sys.stdin is None or sys.stdin.isatty():
            raise CaptureError(path, "is a terminal", hint="pipe a recording into it, or name a file")
        return PipeSource(path, sys.stdin.buffer, waiting=waiting), True
    if is_address(path):
        return open_address(path), False
    if _is_pipe(path):
        return PipeSource(path, FileSource(path).open(), waiting=waiting), True
    return FileSource(path), False


def _of_object(file: BinaryIO) -> Source:
    given = getattr(file, "name", None)
    name = given if isinstance(given, str) else "the file object"
    if isinstance(file, io.TextIOBase):
        raise CaptureError(name, "is open for text", hint='open it for bytes, with mode "rb"')
    if not (hasattr(file, "seekable") and file.seekable()):
        return PipeSource(name, file)
    return ObjectSource(file, name=name)


def _unpacked(source: Source) -> Source:
    """The source, unpacked if compressed, in UTF-8 if text."""
    head = read_head(source, most=_MAGIC_BYTES)
    codec = codec_of(head)
    if codec is not None:
        source = CompressedSource(source, codec)
        head = read_head(source, most=_MAGIC_BYTES)
        if codec_of(head) is not None:
            raise CaptureError(source.name, "is compressed twice", hint="unpack it once")
    return _as_text(Utf16Source(source) if is_utf16(head) else source)


def _as_text(source: Source) -> Source:
    """The source, with text cells that no reader knows converted."""
    head = read_head(source)
    style = find_style(head) if _is_text(head) else None
    return source if style is None else StyledSource(source, style)


def _choose(source: Source, *, any_bytes: bool = False) -> FileFormat:
    """The format of a source that can be read again; `any_bytes` also accepts raw bytes without frames."""
    head = read_head(source)
    if not head:
        raise CaptureError(source.name, "file is empty", hint="was the recording ended before a byte came?")
    found = _recognized(head)
    if found is None and len(head) == HEAD_BYTES and _is_text(head):
        found = _recognized(read_head(source, most=LONG_HEAD_BYTES))
    if found is not None:
        return found
    for magic, what, hint in FOREIGN:
        if head.startswith(magic):
            raise CaptureError(source.name, what, hint=hint or _KNOWN_BY)
    if any(RAW.reader().sniff(part) for part in _parts(source)):
        return RAW
    if _is_text(head):
        fault = text_fault(head)
        what = "unknown text layout" + (f" ({fault})" if fault else "")
        raise CaptureError(source.name, what, hint=_KNOWN_BY)
    if any_bytes:
        return RAW
    what = "unknown format, and no servo frames in its first 4 MB"
    raise CaptureError(source.name, what, hint=_KNOWN_BY)


def _recognized(head: bytes) -> FileFormat | None:
    """The format recognized by the first bytes, except raw bytes."""
    return next((one for one in FORMATS if one is not RAW and one.reader().sniff(head)), None)


def _is_pipe(path: str) -> bool:
    try:
        return stat.S_ISFIFO(os.stat(path).st_mode)  # noqa: PTH116 - a path may be any text
    except (OSError, ValueError):
        return False  # reported when it is opened


def _parts(source: Source) -> Iterator[bytes]:
    with source.open() as stream:
        part = bytearray(HEAD_BYTES)
        for _ in range(0, _RAW_SEARCH_BYTES, HEAD_BYTES):
            got = read_into(stream, memoryview(part), source.name)
            yield bytes(part[:got])
            if got < HEAD_BYTES:
                return


def _is_text(head: bytes) -> bool:
    odd = sum(head.count(bytes([code])) for code in range(32) if code not in b"\t\n\r\f")
    return odd == 0


class _Sourced(Capture):
    """A recording whose source has faults to report, and files to close."""

    def __init__(self, inner: Capture, source: Source) -> None:
        self._inner, self._source = inner, source
        self.info, self.is_sent = inner.info, inner.is_sent

    def blocks(self) -> Iterator[ByteLog]:
        """Read the recording from its start."""
        has_bytes = False
        try:
            for log in self._inner.blocks():
                has_bytes = True
                yield log
        except CaptureError:
            fault = self._source.fault()
            if fault is not None and not has_bytes:
                raise fault from None
            raise
        finally:
            fault = self._source.fault()
            note = "" if fault is None else f"the file {fault.problem}; what is before was read"
            if note and note not in self.info.notes:  # not every reader begins its notes again
                self.info.notes.append(note)

    def close(self) -> None:
        """Close the source."""
        self._inner.close()
        self._source.close()
