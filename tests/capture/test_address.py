"""Recordings by their address give what the file gives."""

from __future__ import annotations

import io
import sys
from pathlib import Path
from types import SimpleNamespace

import pytest

from busbench.analysis.recording import read_recording
from busbench.bench.sources import is_live
from busbench.capture.address import is_address, is_live_address, local_path, open_address
from busbench.capture.file_io import FileSource, read_into
from busbench.capture.open import open_capture, open_levels
from busbench.errors import CaptureError

CAPTURES = Path(__file__).resolve().parent.parent.parent / "captures"
TTY = CAPTURES / "heron-tty.pcapng"


class Bucket:
    """What fsspec offers, over one file."""

    def __init__(self, error: Exception | None = None) -> None:
        self.error = error
        self.files: list[io.BytesIO] = []

    def open(self, address: str, mode: str) -> SimpleNamespace:
        assert (address, mode) == ("s3://bench/heron.pcapng", "rb")
        if self.error is not None:
            raise self.error
        self.files.append(io.BytesIO(TTY.read_bytes()))
        return SimpleNamespace(open=lambda: self.files[-1])


def test_a_file_by_its_address(tmp_path: Path) -> None:
    path = tmp_path / "of the glider.pcapng"
    path.write_bytes(TTY.read_bytes())
    assert path.as_uri().endswith("of%20the%20glider.pcapng")
    found = read_recording(path.as_uri())
    assert found.frames.raw.tobytes() == read_recording(path).frames.raw.tobytes()
    assert len(found.frames) == 1429


def test_the_levels_of_a_file_by_its_address() -> None:
    levels = open_levels((CAPTURES / "heron-outputs.vcd").as_uri())
    assert levels is not None
    assert list(levels.names) == ["line.bus", "line.output_8"]
    assert open_levels(TTY.as_uri()) is None


def test_the_path_in_an_address() -> None:
    given = ("file:///a%20b/c.pcapng", "FILE://localhost/c", "s3://bench/c", "c.pcapng", "-")
    assert [local_path(one) for one in given] == ["/a b/c.pcapng", "/c", "s3://bench/c", "c.pcapng", "-"]


def test_other_addresses_are_read_by_fsspec(monkeypatch: pytest.MonkeyPatch) -> None:
    bucket = Bucket()
    monkeypatch.setitem(sys.modules, "fsspec", bucket)
    with open_capture("s3://bench/heron.pcapng") as capture:
        assert sum(map(len, capture.blocks())) == 1429 * 25
        assert not bucket.files[0].closed
    assert bucket.files[0].closed


@pytest.mark.parametrize(
    ("error", "said"),
    [
        (FileNotFoundError(2, "No such file"), "file not found"),
        (ImportError("s3fs"), r"needs a further package \(s3fs\)"),
        (ValueError("no bucket"), r"cannot be read \(ValueError: no bucket\)"),
    ],
)
def test_what_cannot_be_read_is_one_line(monkeypatch: pytest.MonkeyPatch, error: Exception, said: str) -> None:
    monkeypatch.setitem(sys.modules, "fsspec", Bucket(error))
    with pytest.raises(CaptureError, match=said):
        open_capture("s3://bench/heron.pcapng")


def test_ports_are_no_addresses_of_recordings() -> None:
    assert [is_live(one) for one in ("socket://h:1", "hwgrep://x", "file:///x", "s3://b/x", "virtual:")] == [
        True,
        True,
        False,
        False,
        True,
    ]
    assert [is_address(one) for one in ("socket://h:1", "file:///x", "s3://b/x", "x.pcapng", "a b://c")] == [
        False,
        True,
        True,
        False,
        False,
    ]


@pytest.mark.parametrize(
    ("name", "is_recording", "is_port"),
    [
        ("s3://b/x", True, False),
        ("git+ssh://b", True, False),
        ("h5://", True, False),
        ("://x", False, False),
        ("+://x", False, False),
        ("s3:/b", False, False),
        ("socket:h", False, False),
        ("\u00e9://x", False, False),
        ("a b://x", False, False),
        ("a-b://x", False, False),
        ("SOCKET://h:1", False, True),
        ("rfc2217://h", False, True),
        ("loop://", False, True),
        ("sockets://h", True, False),
        ("", False, False),
    ],
)
def test_what_is_an_address(name: str, is_recording: bool, is_port: bool) -> None:
    assert (is_address(name), is_live_address(name)) == (is_recording, is_port)


def test_a_path_leads_to_its_file_and_another_computer_nowhere() -> None:
    source = open_address(TTY.as_uri())
    assert type(source) is FileSource
    assert (source.path, source.name) == (str(TTY), str(TTY))
    with pytest.raises(CaptureError, match="names another computer: write file:///PATH, with three slashes"):
        open_address("file://wing/x.pcapng")


class Failing(io.BytesIO):
    """A remote file that gives four bytes, then an error."""

    def __init__(self, error: Exception) -> None:
        super().__init__(b"abcd")
        self.error = error

    def read(self, size: int | None = -1) -> bytes:
        if self.tell() < 4:
            return super().read(size)
        raise self.error


@pytest.mark.parametrize(
    ("error", "said"),
    [
        (ValueError("no token"), "cannot be read any further (ValueError: no token)"),
        (OSError(5, "Input/output error"), "cannot be read any further (Input/output error)"),
    ],
)
def test_an_error_of_a_remote_file_names_the_byte(monkeypatch: pytest.MonkeyPatch, error: Exception, said: str) -> None:
    file = Failing(error)
    monkeypatch.setitem(sys.modules, "fsspec", SimpleNamespace(open=lambda *_: SimpleNamespace(open=lambda: file)))
    source = open_address("s3://bench/x")
    assert source.name == "s3://bench/x"
    with source.open() as stream, pytest.raises(CaptureError) as caught:
        read_into(stream, memoryview(bytearray(9)), source.name)
    assert str(caught.value).startswith(f'"s3://bench/x", byte 4: {said}')
    assert caught.value.hint == "check the disk"
    assert not file.closed
    source.close()
    assert file.closed


def test_without_the_library_addresses_need_it(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "fsspec", None)
    with pytest.raises(CaptureError, match='"s3://bench/x": needs the package fsspec: install the addresses extra'):
        open_address("s3://bench/x")
