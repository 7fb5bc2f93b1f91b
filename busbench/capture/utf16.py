"""Read UTF-16 text, as saved by spreadsheets, as UTF-8."""

from __future__ import annotations

import codecs

from busbench.capture.file_io import BLOCK_BYTES, ByteStream, MadeSource, MadeStream, read_into

_MARKS = {codecs.BOM_UTF16_LE: "utf-16-le", codecs.BOM_UTF16_BE: "utf-16-be"}
_MARK_BYTES = 2


def is_utf16(head: bytes) -> bool:
    """True if a source begins with a byte order mark of UTF-16."""
    return head[:_MARK_BYTES] in _MARKS


class Utf16Source(MadeSource):
    """Another source, converted to UTF-8."""

    def open(self) -> ByteStream:
        """A stream of UTF-8; see Source."""
        return _Recoded(self._inner.open(), self.name)


class _Recoded(MadeStream):
    def __init__(self, stream: ByteStream, name: str) -> None:
        super().__init__(stream)
        self._stream, self._name = stream, name
        mark = bytearray(_MARK_BYTES)
        read_into(stream, memoryview(mark), name)
        self._decoder = codecs.getincrementaldecoder(_MARKS[bytes(mark)])("replace")
        self._block = memoryview(bytearray(BLOCK_BYTES))
        self._text = b""

    def readinto(self, view: memoryview) -> int:  # type: ignore[override]
        while not self._text:
            got = read_into(self._stream, self._block, self._name)
            self._text = self._decoder.decode(bytes(self._block[:got]), final=not got).encode()
            if not got:
                break
        some = self._text[: len(view)]
        view[: len(some)] = some
        self._text = self._text[len(some) :]
        self._at += len(some)
        return len(some)
