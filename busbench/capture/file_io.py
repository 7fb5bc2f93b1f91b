"""Sources of bytes: a file or an open object; each can be read from its start repeatedly.

All readers take their bytes here, so that a wrapper around a source serves every format. Writers check here whether
a name leads to a file.
"""

from __future__ import annotations

import abc
import io
import os
import stat
from collections.abc import Callable, Iterator
from types import TracebackType
from typing import BinaryIO, Protocol, Self, cast

from busbench.errors import CaptureError, unreadable
from busbench.output_file import note_input

Trace = TracebackType | None
HEAD_BYTES = 65_536
LONG_HEAD_BYTES = 4 << 20  # of text whose first rows may be longer than the first look
BLOCK_BYTES = 1 << 20


class ByteStream(Protocol):
    """The part of an open file that readers need; if `comes_slowly` is True, reads return what has arrived."""

    def readinto(self, view: memoryview, /) -> int | None:
        """Fill part of the view; 0 at the end."""

    def tell(self) -> int:
        """Position from the start."""

    def close(self) -> None:
        """Close it."""

    def __enter__(self) -> Self: ...

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: Trace, /) -> None: ...


class Source(abc.ABC):
    """The source of a recording.

    Attributes:
        name: as given by the user, for errors and notes.
        comes_slowly: True if its streams pass on what has arrived and wait for the rest.
    """

    name: str
    comes_slowly = False

    @abc.abstractmethod
    def open(self) -> ByteStream:
        """A stream from the first byte; several may be open at once (raises CaptureError: it cannot be opened)."""

    def open_at(self, start: int) -> ByteStream:
        """A stream from an offset."""
        stream, left = self.open(), start
        passed = memoryview(bytearray(min(start, BLOCK_BYTES)))
        while left and (got := read_into(stream, passed[: min(left, len(passed))], self.name)):
            left -= got
        return stream

    def random_access(self) -> BinaryIO:
        """A seekable file, for formats that need one; a copy on disk if the source cannot seek."""
        import tempfile

        try:
            kept = cast(BinaryIO, tempfile.TemporaryFile(prefix="busbench-"))  # noqa: SIM115 - the reader closes it
            block = memoryview(bytearray(BLOCK_BYTES))
            with self.open() as stream:
                while got := read_into(stream, block, self.name):
                    kept.write(block[:got])
            kept.seek(0)
        except OSError as error:
            what = f"cannot be kept ({error.strerror})"
            raise CaptureError(self.name, what, hint="save it to a file first") from None
        return kept

    def size(self) -> int | None:
        """Its size in bytes, None if only reading it would show."""
        return None

    def fault(self) -> CaptureError | None:
        """After reading: why the rest could not be read."""
        return None

    def close(self) -> None:  # noqa: B027 - most hold nothing
        """Close what it holds."""


class FileSource(Source):
    """A file, under its path or another name given by the user."""

    def __init__(self, path: str, *, name: str | None = None) -> None:
        self.path, self.name = path, path if name is None else name

    def open(self) -> io.FileIO:
        """Open it unbuffered; see Source."""
        try:
            mode = os.stat(self.path).st_mode  # noqa: PTH116 - a path may be any text, such as one with a NUL
            if stat.S_ISDIR(mode):
                raise CaptureError(self.name, "this is a folder", hint="name a recording inside it")
            if stat.S_ISCHR(mode) or stat.S_ISSOCK(mode):
                raise CaptureError(
                    self.name, "this is a port, not a recording", hint="record from it first, or watch it live"
                )
            note_input(self.path)
            return open(self.path, "rb", buffering=0)  # noqa: PTH123
        except (OSError, ValueError) as error:
            what, hint = unreadable(error)
            raise CaptureError(self.name, what, hint=hint) from None

    def open_at(self, start: int) -> io.FileIO:
        """Open it at a byte; see Source."""
        file = self.open()
        file.seek(start)
        return file

    def random_access(self) -> BinaryIO:
        """The file itself."""
        return io.BufferedReader(self.open())

    def size(self) -> int:
        """Its size in bytes."""
        return os.stat(self.path).st_size  # noqa: PTH116


class ObjectSource(Source):
    """A seekable binary file object that the caller opened, and closes."""

    def __init__(self, file: BinaryIO, *, name: str) -> None:
        self._file, self.name = file, name
        self._start = file.tell()

    def open(self) -> ByteStream:
        """A stream with its own position; see Source."""
        return _ObjectStream(self._file, self._start)


class MadeStream(io.RawIOBase):
    """A stream whose bytes are made from another stream."""

    def __init__(self, inner: ByteStream | None, *, comes_slowly: bool = False) -> None:
        self._inner = inner
        self._at = 0
        self.comes_slowly = comes_slowly or bool(getattr(inner, "comes_slowly", False))

    def tell(self) -> int:
        """Number of bytes returned so far."""
        return self._at

    def close(self) -> None:
        """Let go of the other stream too."""
        if self._inner is not None:
            self._inner.close()
        super().close()


class PieceStream(MadeStream):
    """A stream out of an iterator of pieces, none of which is empty.

    Args:
        inner: from which they are made, if that is to be closed with it.
        comes_slowly: True if they arrive slowly; so if inner does.
    """

    def __init__(self, pieces: Iterator[bytes], inner: ByteStream | None = None, *, comes_slowly: bool = False) -> None:
        super().__init__(inner, comes_slowly=comes_slowly)
        self._pieces, self._piece = pieces, b""

    def readinto(self, view: memoryview) -> int:  # type: ignore[override]
        """Fill some of the view."""
        self._piece = self._piece or next(self._pieces, b"")
        some = self._piece[: len(view)]
        view[: len(some)] = some
        self._piece = self._piece[len(some) :]
        self._at += len(some)
        return len(some)


class MadeSource(Source):
    """A source made from another; it keeps the name."""

    def __init__(self, inner: Source) -> None:
        self._inner, self.name = inner, inner.name

    @property
    def comes_slowly(self) -> bool:  # type: ignore[override]
        """As the inner source."""
        return self._inner.comes_slowly

    def fault(self) -> CaptureError | None:
        """That of the inner source."""
        return self._inner.fault()

    def close(self) -> None:
        """Let go of the inner source."""
        self._inner.close()


class _ObjectStream(MadeStream):
    """A file object read at its own position, since others may move the object's; it is left open."""

    def __init__(self, file: BinaryIO, start: int) -> None:
        super().__init__(None)
        self._file, self._start = file, start

    def readinto(self, view: memoryview) -> int:  # type: ignore[override]
        """Fill part of the view."""
        self._file.seek(self._start + self._at)
        data = self._file.read(len(view))
        view[: len(data)] = data
        self._at += len(data)
        return len(data)


def as_source(source: str | Source) -> Source:
    """Make a source of a path; a source is returned unchanged."""
    return FileSource(source) if isinstance(source, str) else source


def read_into(stream: ByteStream, view: memoryview, name: str) -> int:
    """Fill the view as far as the stream goes.

    Args:
        stream: from a source.
        name: of the source, for the error.

    Returns:
        Bytes read, 0 only at the end; slow streams may return fewer than the view holds.

    Raises:
        CaptureError: the system could not read any further.
    """
    have = 0
    try:
        while have < len(view):
            got = stream.readinto(view[have:])
            if not got:
                break
            have += got
            if getattr(stream, "comes_slowly", False):
                break
    except BrokenPipeError:
        raise  # while waiting: the reader of the output has gone
    except OSError as error:
        what = f"cannot be read any further ({error.strerror or error})"
        raise CaptureError(name, what, offset=stream.tell(), hint="check the disk") from None
    return have


def read_head(source: str | Source, *, most: int = HEAD_BYTES) -> bytes:
    """The first bytes of a recording, by which its format is recognized; shorter than `most` only at its end."""
    source = as_source(source)
    with source.open() as stream:
        head = bytearray(most)
        return bytes(head[: read_into(stream, memoryview(head), source.name)])


def whole_parts(
    source: Source, *, start: int, ends: bytes, rest_most: int, fault: Callable[[int], CaptureError]
) -> Iterator[tuple[bytes, bool]]:
    """The text of a recording, in blocks of about a megabyte, cut after whole rows or entries.

    Args:
        start: offset of the first byte.
        ends: characters that end a row or an entry.
        rest_most: max bytes of a row or entry whose end has not come.
        fault: the error if one is longer, made from its offset once all before it is taken.

    Returns:
        Whole rows or entries, False; at the end of the file what has no end, maybe nothing, True.

    Raises:
        CaptureError: the fault.
    """
    offset = start
    block, rest = bytearray(BLOCK_BYTES), b""
    with source.open_at(start) as stream:
        while got := read_into(stream, memoryview(block), source.name):
            text = rest + block[:got]
            end = 1 + max(text.rfind(bytes([code])) for code in ends)
            yield text[:end], False
            offset, rest = offset + end, text[end:]
            if len(rest) > rest_most:
                raise fault(offset)
    yield rest, True
