"""Compressed sources, unpacked while they are read, and the members of a growing compressed recording.

Several members may follow one another, as joined by `cat`. Cut or damaged data gives what came before, and its
fault; data that unpacks without end, or needs too much memory, ends with one line. Each part that is written is a
whole member, so a cut loses only the last one.
"""

from __future__ import annotations

import importlib
import struct
import sys
import zlib
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Protocol

from busbench.capture.file_io import ByteStream, MadeSource, MadeStream, Source, read_into
from busbench.errors import CaptureError

_READ_BYTES = 1 << 14  # max output lost by damage
_MEMORY_BYTES = 128 << 20  # max memory of a decompressor; usual settings need less
_UNPACKED_FREE = 4 << 30  # bytes allowed for any unpacked data
_UNPACKED_RATIO = 250  # plus this many per packed byte
SUFFIXES = (".gz", ".zst")
_ZSTD_MAGIC = 0xFD2FB528
_ZSTD_SHORT, _ZSTD_LONG = 0x20, 0x60  # one segment, its size in one byte or two


class _Decompressor(Protocol):
    """The common interface of the standard library's decompressors."""

    @property
    def eof(self) -> bool: ...

    @property
    def needs_input(self) -> bool: ...

    @property
    def unused_data(self) -> bytes: ...

    def decompress(self, data: bytes, max_length: int = -1) -> bytes: ...


class _Inflate:
    """zlib's decompressor with the interface of the others."""

    def __init__(self) -> None:
        self._inner = zlib.decompressobj(wbits=31)  # with the gzip header

    @property
    def eof(self) -> bool:
        return self._inner.eof

    @property
    def needs_input(self) -> bool:
        return not self._inner.unconsumed_tail

    @property
    def unused_data(self) -> bytes:
        return self._inner.unused_data

    def decompress(self, data: bytes, max_length: int = -1) -> bytes:
        return self._inner.decompress(self._inner.unconsumed_tail + data, max(max_length, 0))


def _xz() -> _Decompressor:
    import lzma

    return lzma.LZMADecompressor(memlimit=_MEMORY_BYTES)


def _bzip2() -> _Decompressor:
    import bz2

    return bz2.BZ2Decompressor()


def _zstd_library() -> Any:
    return importlib.import_module("compression.zstd" if sys.version_info >= (3, 14) else "backports.zstd")


def _zstd() -> _Decompressor:
    zstd = _zstd_library()
    window = zstd.DecompressionParameter.window_log_max
    made: _Decompressor = zstd.ZstdDecompressor(options={window: _MEMORY_BYTES.bit_length() - 1})
    return made


@dataclass(frozen=True, slots=True)
class Codec:
    """A kind of compression."""

    name: str
    magic: bytes  # magic bytes
    make: Callable[[], _Decompressor]  # makes a decompressor for one member


CODECS = (
    Codec("gzip", b"\x1f\x8b", _Inflate),
    Codec("zstd", b"\x28\xb5\x2f\xfd", _zstd),
    Codec("xz", b"\xfd7zXZ\0", _xz),
    Codec("bzip2", b"BZh", _bzip2),
)


def codec_of(head: bytes) -> Codec | None:
    """The compression recognized by the first bytes of a source, None without one."""
    return next((codec for codec in CODECS if head.startswith(codec.magic)), None)


def unpacked_most(packed: int) -> int:
    """Max bytes to which packed bytes may unpack before they count as a decompression bomb."""
    return _UNPACKED_FREE + _UNPACKED_RATIO * packed


class CompressedSource(MadeSource):
    """The unpacked contents of another source."""

    def __init__(self, inner: Source, codec: Codec) -> None:
        super().__init__(inner)
        self._codec = codec
        self._fault: CaptureError | None = None

    def open(self) -> ByteStream:
        """An unpacked stream; see Source."""
        self._fault = None
        return _Unpacked(self, self._inner.open(), self._codec)

    def fault(self) -> CaptureError | None:
        """Why unpacking ended early; see Source."""
        return self._fault

    def end_with(self, what: str, hint: str) -> None:
        """Keep the reason why unpacking ended."""
        self._fault = CaptureError(self.name, what, hint=hint)


class _Unpacked(MadeStream):
    """A stream that unpacks; at a fault it ends and reports it to its source."""

    def __init__(self, source: CompressedSource, stream: ByteStream, codec: Codec) -> None:
        super().__init__(stream)
        self._source, self._stream, self._codec = source, stream, codec
        self._data = b""  # read, but not yet decompressed
        self._decompressor: _Decompressor | None = codec.make()
        self._packed = 0
        self._has_ended = False

    def readinto(self, view: memoryview) -> int:  # type: ignore[override]
        while not self._has_ended:
            try:
                out = self._unpack(len(view))
            except (CaptureError, BrokenPipeError):
                raise
            except Exception as error:  # each codec has its own errors
                is_memory = isinstance(error, MemoryError) or "memory" in str(error).lower()
                if is_memory:
                    self._end("wants more than 128 MB of memory to be unpacked", "unpack it first")
                else:
                    self._end(f"is damaged ({self._codec.name})", "copy it again")
                break
            if out:
                self._at += len(out)
                view[: len(out)] = out
                if self._at > unpacked_most(self._packed):
                    what = f"unpacks to more than {self._at >> 20:,} MB, which no recording does"
                    self._end(what, "look where it comes from")
                return len(out)
        return 0

    def _unpack(self, room: int) -> bytes:
        if not self._data and (self._decompressor is None or self._decompressor.needs_input):
            block = bytearray(_READ_BYTES)
            got = read_into(self._stream, memoryview(block), self._source.name)
            self._packed += got
            self._data = bytes(block[:got])
            if not got:
                self._has_ended = True
                if self._decompressor is not None:
                    self._end(f"is cut ({self._codec.name})", "copy it again")
                return b""
        if self._decompressor is None:
            self._data = self._data.lstrip(b"\0")  # some writers pad with them
            if not self._data:
                return b""
            self._decompressor = self._codec.make()
        data, self._data = self._data, b""
        out = self._decompressor.decompress(data, room)
        if self._decompressor.eof:
            self._data, self._decompressor = self._decompressor.unused_data, None
        return out

    def _end(self, what: str, hint: str) -> None:
        self._has_ended = True
        self._source.end_with(what, hint)


def pack(data: bytes, suffix: str) -> bytes:
    """Data as one member of .gz (RFC 1952) or .zst (RFC 8878)."""
    if suffix == ".gz":
        packer = zlib.compressobj(6, wbits=31)
        return packer.compress(data) + packer.flush()
    return bytes(_zstd_library().compress(data))


def store(data: bytes, suffix: str) -> bytes:
    """Data as one uncompressed member, whose length depends only on the data's, so that it can be overwritten in place.

    Args:
        data: up to 65,791 bytes.
        suffix: as in pack.
    """
    if suffix == ".gz":
        packer = zlib.compressobj(0, wbits=31)
        return packer.compress(data) + packer.flush()
    is_short = len(data) < 256
    size = struct.pack("<BB", _ZSTD_SHORT, len(data)) if is_short else struct.pack("<BH", _ZSTD_LONG, len(data) - 256)
    head = struct.pack("<I", _ZSTD_MAGIC) + size
    return head + struct.pack("<I", len(data) << 3 | 1)[:3] + data  # one raw block, the last
