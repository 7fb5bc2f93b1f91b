"""What opening a recording decides: how many lines it has, what is text, and which fault is reported."""

from __future__ import annotations

import gzip
import hashlib
import io
import os
import sys
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from busbench.capture import file_io
from busbench.capture import open as opening
from busbench.capture.base import Capture, CaptureInfo, ReadOptions
from busbench.capture.file_io import FileSource
from busbench.capture.open import hash_recording, line_interfaces, open_capture, open_captures
from busbench.errors import CaptureError
from busbench.model import NO_CLOCK, ByteLog
from tests.capture.blocks import interface, joined, option, packet, section

FRAME = bytes([0x0F]) + bytes(range(100, 122)) + b"\x00\x00"
MANY = b"".join(b"\x0f" + np.random.default_rng(1).bytes(22) + b"\0\0" for _ in range(3000))


def lines(count: int) -> bytes:
    """A packet capture of some serial interfaces."""
    heads = b"".join(interface(option(2, f"ttyS{n}".encode())) for n in range(count))
    return section() + heads + b"".join(packet(i, FRAME * 2, number=i % count) for i in range(6 * count))


@pytest.mark.parametrize(("count", "numbers"), [(1, [0]), (2, [0, 1]), (3, [0, 1, 2])])
def test_a_recording_for_each_line(tmp_path: Path, count: int, numbers: list[int]) -> None:
    path = tmp_path / "a"
    for data in (lines(count), gzip.compress(lines(count))):
        path.write_bytes(data)
        assert line_interfaces(path) == numbers
        found = open_captures(path)
        assert [one.info.source for one in found] == [f"ttyS{n}" for n in numbers]
        (one,) = open_captures(str(path), options=ReadOptions(interface=f"ttyS{count - 1}"))
        assert one.info.source == f"ttyS{count - 1}"


@pytest.mark.parametrize(
    "data", [b"", FRAME * 9, b"time [s],byte\n0.1,0x0F\n", b"\x0a\x0d\x0d\x0a", b"\x1f\x8b\x08\x00damaged"]
)
def test_other_files_have_no_line_to_choose(tmp_path: Path, data: bytes) -> None:
    path = tmp_path / "a"
    path.write_bytes(data)
    assert line_interfaces(path) == []
    assert line_interfaces(tmp_path / "none") == []
    assert line_interfaces("-") == []


def test_other_files_are_one_recording(tmp_path: Path) -> None:
    path = tmp_path / "a"
    path.write_bytes(FRAME * 9)
    (one,) = open_captures(path)
    assert joined(one) == FRAME * 9
    with pytest.raises(CaptureError, match="file not found"):
        open_captures(tmp_path / "none")


@pytest.mark.skipif(sys.platform == "win32", reason="Windows has no named pipes in folders")
def test_a_pipe_is_not_read_to_choose_or_to_hash(tmp_path: Path) -> None:
    path = str(tmp_path / "pipe")
    os.mkfifo(path)
    assert line_interfaces(path) == []
    assert hash_recording(path) is None
    assert hash_recording("-") is None


def test_the_hash_is_that_of_the_file_as_it_is_kept(tmp_path: Path) -> None:
    """FIPS 180-4, as the standard library has it, and the hash of no bytes from its publication."""
    path, data = tmp_path / "a", gzip.compress(FRAME) + bytes(1 << 20)
    path.write_bytes(data)
    assert hash_recording(str(path)) == hash_recording(path.as_uri()) == hashlib.sha256(data).hexdigest()
    path.write_bytes(b"")
    assert hash_recording(str(path)) == "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"
    with pytest.raises(CaptureError, match="file not found"):
        hash_recording(str(tmp_path / "none"))


def test_control_characters_are_not_text() -> None:
    text = [code for code in range(256) if opening._is_text(b"a" + bytes([code]))]
    assert text == [*b"\t\n\f\r", *range(32, 256)]


@pytest.mark.parametrize(
    ("file", "name"),
    [
        (SimpleNamespace(name="wing.raw", read=io.BytesIO(MANY).read), "wing.raw"),
        (SimpleNamespace(name=7, read=io.BytesIO(MANY).read), "the file object"),
        (SimpleNamespace(read=io.BytesIO(MANY).read), "the file object"),
        (SimpleNamespace(read=io.BytesIO(MANY).read, seekable=lambda: False), "the file object"),
        (io.BytesIO(MANY), "the file object"),
    ],
)
def test_the_name_of_an_object(file: io.BytesIO, name: str) -> None:
    with open_capture(file) as capture:
        assert (capture.info.path, joined(capture)) == (name, MANY)


def test_without_standard_input_none_is_read(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "stdin", None)
    with pytest.raises(CaptureError, match="standard input: is a terminal: pipe a recording into it, or name a file"):
        open_capture("-")


@pytest.mark.parametrize("name", ["wing.gz", "left: wing.gz", "left: right: wing.gz"])
def test_a_fault_of_the_source_is_noted_once_a_reading(tmp_path: Path, name: str) -> None:
    path = tmp_path / name
    path.write_bytes(gzip.compress(MANY)[:-9])
    with path.open("rb") as file, open_capture(file) as capture:
        for _ in range(2):
            assert MANY.startswith(joined(capture))
            assert capture.info.notes == ["the file is cut (gzip); what is before was read"]


def test_an_error_at_a_byte_is_reported_before_that_of_the_source(tmp_path: Path) -> None:
    path = tmp_path / "a"
    path.write_bytes(gzip.compress(b"\x0a\x0d\x0d\x0a" * 3, compresslevel=0)[:-9])
    with pytest.raises(CaptureError, match="a, byte 0: the file is cut inside its first block"):
        open_capture(path)


class Given(Capture):
    """Some blocks, then an error if there is one."""

    def __init__(self, blocks: int, *, fails: bool) -> None:
        self.info, self.count, self.fails = CaptureInfo("a", "test", NO_CLOCK), blocks, fails
        self.is_closed = False

    def blocks(self) -> Iterator[ByteLog]:
        none = np.empty(0, np.int64)
        for offset in range(self.count):
            yield ByteLog(offset, np.zeros(1, np.uint8), none, none, None)
        if self.fails:
            raise CaptureError("a", "holds nothing more")

    def close(self) -> None:
        self.is_closed = True


class Faulty(FileSource):
    """A source with a fault, or none."""

    has_fault, is_closed = False, False

    def fault(self) -> CaptureError | None:
        return CaptureError("a", "is cut") if self.has_fault else None

    def close(self) -> None:
        self.is_closed = True


@pytest.mark.parametrize(
    ("blocks", "fails", "has_fault", "said"),
    [
        (1, False, False, ""),
        (1, True, False, "a: holds nothing more"),
        (1, True, True, "a: holds nothing more"),  # the fault is in the notes
        (0, True, True, "a: is cut"),
        (0, True, False, "a: holds nothing more"),
        (0, False, True, ""),
        (1, False, True, ""),
    ],
)
def test_which_error_is_raised(blocks: int, fails: bool, has_fault: bool, said: str) -> None:
    inner, source = Given(blocks, fails=fails), Faulty("a")
    source.has_fault = has_fault
    capture = opening._Sourced(inner, source)
    assert (capture.info, capture.is_sent) == (inner.info, False)
    if said:
        with pytest.raises(CaptureError) as caught:
            list(capture.blocks())
        assert str(caught.value) == said
    else:
        assert len(list(capture.blocks())) == blocks
    assert inner.info.notes == (["the file is cut; what is before was read"] if has_fault else [])
    capture.close()
    assert inner.is_closed
    assert source.is_closed


ROWS = "".join(f"{1_700_000_000 + n}.5,\\x0f\n" for n in range(9))


@pytest.mark.parametrize(
    ("rows", "start_utc_ns"),
    [
        (ROWS, 0),  # counted from 1970
        (ROWS.replace("17000000", "2026-05-28 10:15:"), 1_779_926_400_000_000_000),
        (ROWS.replace("17000000", "10:15:"), None),
    ],
)
def test_the_date_of_converted_text(rows: str, start_utc_ns: int | None) -> None:
    with open_capture(io.BytesIO(f"time [s],byte\n{rows}".encode())) as capture:
        assert joined(capture) == b"\x0f" * 9
        assert capture.info.start_utc_ns == start_utc_ns


LEVELS = "time [s],rx\n" + "".join(f"0.{n},{n % 2}\n" for n in range(9))
BYTES = "time [s],byte\n" + "".join(f"0.{n},0x0F\n" for n in range(9))


@pytest.mark.parametrize(("rows", "made"), [(LEVELS, "CSV of levels"), (BYTES, "byte CSV")], ids=["levels", "bytes"])
@pytest.mark.parametrize(("size", "is_found"), [(65_000, True), (99_700, True), (100_000, False)])
def test_rows_after_a_long_line(
    rows: str, made: str, size: int, is_found: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Four megabytes are looked at where the first look shows text alone."""
    assert file_io.LONG_HEAD_BYTES == 4 * 1024 * 1024
    monkeypatch.setattr(opening, "LONG_HEAD_BYTES", 100_000)
    file = io.BytesIO(f"# {'x' * size}\n{rows}".encode())
    if is_found:
        with open_capture(file) as capture:
            assert capture.info.format == made
            assert made != "byte CSV" or joined(capture) == b"\x0f" * 9
    else:
        with pytest.raises(CaptureError, match="unknown text layout"):
            open_capture(file)
