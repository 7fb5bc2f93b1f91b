"""Recordings by their address give what the file gives."""

from __future__ import annotations

import io
import sys
from pathlib import Path
from types import SimpleNamespace

import pytest

from busbench.analysis.recording import read_recording
from busbench.bench.sources import is_live
from busbench.capture.address import is_address, local_path
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
