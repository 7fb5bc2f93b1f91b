"""Streams of a source: each at its own place, filled as far as they go, and what stops them in one line."""

from __future__ import annotations

import io
import socket
import sys
import tempfile
from pathlib import Path

import pytest

from busbench.capture import file_io
from busbench.capture.file_io import (
    ByteStream,
    FileSource,
    MadeSource,
    MadeStream,
    ObjectSource,
    PieceStream,
    Source,
    as_source,
    read_head,
    read_into,
    whole_parts,
)
from busbench.errors import CaptureError

DATA = bytes(range(20))


class Dribble(PieceStream):
    """A stream of given pieces, then an error if there is one."""

    def __init__(self, *pieces: bytes, error: Exception | None = None, comes_slowly: bool = False) -> None:
        super().__init__(iter(pieces), comes_slowly=comes_slowly)
        self.error = error

    def readinto(self, view: memoryview) -> int:  # type: ignore[override]
        got = super().readinto(view)
        if not got and self.error is not None:
            raise self.error
        return got


class Pieces(Source):
    """A source without a place to seek."""

    def __init__(self, *pieces: bytes, comes_slowly: bool = False) -> None:
        self.name, self.pieces, self.comes_slowly = "made", pieces, comes_slowly
        self.closed = False

    def open(self) -> ByteStream:
        return Dribble(*self.pieces, comes_slowly=self.comes_slowly)

    def fault(self) -> CaptureError | None:
        return CaptureError("made", "is cut")

    def close(self) -> None:
        self.closed = True


def taken(stream: ByteStream, size: int = 99) -> bytes:
    view = memoryview(bytearray(size))
    return bytes(view[: read_into(stream, view, "made")])


@pytest.fixture(params=["file", "object", "pieces"])
def source(request: pytest.FixtureRequest, tmp_path: Path) -> Source:
    """Twenty bytes by each kind of source."""
    if request.param == "file":
        (tmp_path / "x").write_bytes(DATA)
        return as_source(str(tmp_path / "x"))
    if request.param == "object":
        file = io.BytesIO(b"before" + DATA)
        file.seek(6)
        return ObjectSource(file, name="made")
    return Pieces(DATA[:7], DATA[7:8], DATA[8:])


@pytest.mark.parametrize("start", [0, 1, 3, 4, 5, 8, 19, 20, 21, 50])
def test_a_stream_from_any_byte(source: Source, start: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(file_io, "BLOCK_BYTES", 4)
    with source.open_at(start) as stream:
        assert taken(stream) == DATA[start:]
    with source.open_at(start) as stream:
        assert taken(stream, 2) == DATA[start : start + 2]
        assert start > 20 or stream.tell() == min(start + 2, 20)


def test_streams_of_a_source_do_not_move_each_other(source: Source) -> None:
    with source.open() as first, source.open() as second:
        assert [taken(one, 5) for one in (first, second, first, second)] == [DATA[:5], DATA[:5], DATA[5:10], DATA[5:10]]
        assert (first.tell(), second.tell()) == (10, 10)


def test_a_seekable_file_of_any_source(source: Source) -> None:
    with source.random_access() as file:
        assert file.read() == DATA
        file.seek(3)
        assert file.read(2) == DATA[3:5]
    assert source.size() == (20 if isinstance(source, FileSource) else None)
    assert read_head(source, most=6) == DATA[:6]
    assert read_head(source) == DATA


def test_a_source_is_itself_and_faultless_by_default(source: Source) -> None:
    assert as_source(source) is source
    if not isinstance(source, Pieces):
        assert source.fault() is None
        assert source.comes_slowly is False


def test_a_copy_that_cannot_be_kept_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(**_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(tempfile, "TemporaryFile", refuse)
    with pytest.raises(
        CaptureError, match=r"made: cannot be kept \(No space left on device\): save it to a file first"
    ):
        Pieces(DATA).random_access()


@pytest.mark.parametrize("comes_slowly", [False, True])
def test_a_source_made_from_another_is_as_that_one(comes_slowly: bool) -> None:
    inner = Pieces(DATA, comes_slowly=comes_slowly)

    class Made(MadeSource):
        def open(self) -> ByteStream:
            return self._inner.open()

    made = Made(inner)
    assert (made.name, made.comes_slowly) == ("made", comes_slowly)
    assert str(made.fault()) == "made: is cut"
    made.close()
    assert inner.closed


@pytest.mark.parametrize(
    ("inner", "given", "comes_slowly"),
    [(None, False, False), (None, True, True), (False, False, False), (True, False, True), (False, True, True)],
)
def test_what_is_made_of_a_slow_stream_is_slow(inner: bool | None, given: bool, comes_slowly: bool) -> None:
    below = None if inner is None else Dribble(comes_slowly=inner)
    stream = MadeStream(below, comes_slowly=given)
    assert stream.comes_slowly is comes_slowly
    assert MadeStream(io.BytesIO()).comes_slowly is False
    stream.close()
    assert stream.closed
    assert below is None or below.closed


def test_a_view_is_filled_as_far_as_the_stream_goes() -> None:
    stream = Dribble(b"ab", b"c", b"defg")
    assert [taken(stream, 4), taken(stream, 0), taken(stream, 9), taken(stream, 9)] == [b"abcd", b"", b"efg", b""]
    slow = Dribble(b"ab", b"c", b"defg", comes_slowly=True)
    assert [taken(slow, 4) for _ in range(5)] == [b"ab", b"c", b"defg", b"", b""]
    assert stream.tell() == slow.tell() == 7


@pytest.mark.parametrize(
    ("error", "said"), [(OSError(5, "Input/output error"), "Input/output error"), (OSError("odd"), "odd")]
)
def test_an_error_names_the_byte_that_cannot_be_read(error: OSError, said: str) -> None:
    with pytest.raises(CaptureError) as caught:
        taken(Dribble(b"abc", error=error))
    assert str(caught.value) == f"made, byte 3: cannot be read any further ({said}): check the disk"
    with pytest.raises(BrokenPipeError):
        taken(Dribble(error=BrokenPipeError()))


@pytest.mark.parametrize(
    ("text", "start", "parts"),
    [
        ("ab\ncd\n", 0, ["ab\n", "cd\n", ""]),
        ("ab\ncd", 0, ["ab\n", "", "cd"]),
        ("ab;c\ndef;g", 0, ["ab;", "c\n", "def;", "g"]),
        ("ab\ncd\n", 3, ["cd\n", ""]),
        ("abcdefgh\n", 0, ["", "", "abcdefgh\n", ""]),
        ("", 0, [""]),
    ],
)
def test_parts_end_after_whole_rows(text: str, start: int, parts: list[str], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(file_io, "BLOCK_BYTES", 4)
    source = ObjectSource(io.BytesIO(text.encode()), name="made")
    found = list(whole_parts(source, start=start, ends=b"\n;", rest_most=8, fault=too_long))
    assert found == [(part.encode(), at == len(parts) - 1) for at, part in enumerate(parts)]


def too_long(offset: int) -> CaptureError:
    return CaptureError("made", "is too long", offset=offset)


@pytest.mark.parametrize(("start", "rest_most"), [(0, 4), (1, 5)])
def test_a_row_that_does_not_end_is_refused_after_all_before_it(
    start: int, rest_most: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(file_io, "BLOCK_BYTES", 4)
    source = ObjectSource(io.BytesIO(b"ab\ncdefghijklmnop"), name="made")
    parts = whole_parts(source, start=start, ends=b"\n", rest_most=rest_most, fault=too_long)
    assert [next(parts), next(parts)] == [(b"ab\n"[start:], False), (b"", False)]
    with pytest.raises(CaptureError, match="made, byte 3: is too long"):
        next(parts)


@pytest.mark.skipif(sys.platform == "win32", reason="Windows has no sockets in folders")
def test_a_socket_is_a_port(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)  # a path to a socket may be no longer than about 100 characters
    with socket.socket(socket.AF_UNIX) as made:
        made.bind("wing")
        with pytest.raises(CaptureError, match="wing: this is a port, not a recording: record from it first"):
            FileSource("wing").open()


def test_a_file_under_another_name(tmp_path: Path) -> None:
    assert (FileSource("a").name, FileSource("a", name="b").name, FileSource("a", name="").name) == ("a", "b", "")
    with pytest.raises(CaptureError, match="left wing: this is a folder: name a recording inside it"):
        FileSource(str(tmp_path), name="left wing").open()
    with pytest.raises(CaptureError, match="left wing: file not found"):
        FileSource(str(tmp_path / "x"), name="left wing").open()


class Short(io.RawIOBase):
    """A stream that gives two bytes at a time, and says nothing of its pace."""

    def __init__(self) -> None:
        self.at = 0

    def readinto(self, view: memoryview) -> int:  # type: ignore[override]
        some = DATA[self.at : self.at + min(2, len(view))]
        view[: len(some)] = some
        self.at += len(some)
        return len(some)


def test_a_stream_is_not_slow_by_default() -> None:
    assert [taken(Short(), size) for size in (5, 20, 30)] == [DATA[:5], DATA, DATA]
