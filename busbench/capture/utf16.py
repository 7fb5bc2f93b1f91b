"""Read UTF-16 text, as saved by spreadsheets, as UTF-8."""

from __future__ import annotations

import codecs
from collections.abc import Iterator

from busbench.capture.file_io import BLOCK_BYTES, ByteStream, MadeSource, PieceStream, read_into

_MARKS = {codecs.BOM_UTF16_LE: "utf-16-le", codecs.BOM_UTF16_BE: "utf-16-be"}
_MARK_BYTES = 2


def is_utf16(head: bytes) -> bool:
    """True if a source begins with a byte order mark of UTF-16."""
    return head[:_MARK_BYTES] in _MARKS


class Utf16Source(MadeSource):
    """Another source, converted to UTF-8."""

    def open(self) -> ByteStream:
        """A stream of UTF-8; see Source."""
        stream = self._inner.open()
        return PieceStream(_recoded(stream, self.name), stream)


def _recoded(stream: ByteStream, name: str) -> Iterator[bytes]:
    mark, block = bytearray(_MARK_BYTES), memoryview(bytearray(BLOCK_BYTES))
    read_into(stream, memoryview(mark), name)
    decoder = codecs.getincrementaldecoder(_MARKS[bytes(mark)])("replace")
    while got := read_into(stream, block, name):
        if text := decoder.decode(bytes(block[:got])):
            yield text.encode()
    if text := decoder.decode(b"", final=True):
        yield text.encode()
