"""A recording is reported by what it holds; whatever cannot be read gets one clear line."""

from __future__ import annotations

import gzip
import io
import os
import stat
import sys
import tempfile
import threading
from pathlib import Path

import numpy as np
import pytest

from busbench.capture.base import Capture
from busbench.capture.open import open_capture
from busbench.capture.pcapng_write import PcapngWriter
from busbench.errors import CaptureError
from busbench.line import BUS_LINE, Chunk
from busbench.model import Clock, ClockKind

FRAME = bytes([0x0F]) + bytes(range(100, 122)) + b"\x00\x00"


def pcapng(path: Path) -> bytes:
    with PcapngWriter(
        str(path), port="ttyS7", line=BUS_LINE, clock=Clock(ClockKind.PER_READ, 1), start_utc_ns=0, force=True
    ) as out:
        out.write(Chunk(1, FRAME))
        out.write(Chunk(7_000_001, FRAME))
    return path.read_bytes()


def joined(capture: Capture) -> bytes:
    return b"".join(log.data.tobytes() for log in capture.blocks())


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


def pipe_in(monkeypatch: pytest.MonkeyPatch, data: bytes) -> None:
    monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO(data)))


@pytest.fixture
def scratch(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Where standard input is kept."""
    folder = tmp_path / "scratch"
    folder.mkdir()
    monkeypatch.setattr(tempfile, "tempdir", str(folder))
    return folder


@pytest.mark.parametrize("name", ["a.pcapng", "a.csv", "a.vcd", "a"])
def test_the_name_does_not_matter(tmp_path: Path, name: str) -> None:
    path = tmp_path / name
    pcapng(path)
    assert open_capture(str(path)).info.format == "pcapng"
    path.write_bytes(FRAME * 3)
    with open_capture(str(path)) as capture:
        assert (capture.info.format, joined(capture)) == ("raw bytes", FRAME * 3)


def test_frames_may_begin_late_in_a_raw_file(tmp_path: Path) -> None:
    path = tmp_path / "a"
    path.write_bytes(b"\xaa" * 300_000 + FRAME * 3)
    assert open_capture(str(path)).info.format == "raw bytes"


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"", "is empty"),
        (np.random.default_rng(2).bytes(100_000), "unknown format"),
        (b"\x00", "unknown format"),
        (bytes(1000), "unknown format"),
        (b"Dear diary, the glider flew well.\n" * 9, "unknown text layout"),
        (b"\x1f\x8b\x08\x00" + bytes(50), r"is damaged \(gzip\): copy it again"),
        (gzip.compress(b"", mtime=0), "is empty"),
        (gzip.compress(gzip.compress(FRAME * 9, mtime=0), mtime=0), "is compressed twice: unpack it once"),
        (b"\x89PNG\r\n\x1a\n" + bytes(50), "this is a picture"),
        (b"\xd4\xc3\xb2\xa1" + bytes(9), "byte 0: the file is cut inside its first header"),
        (b"\x0a\x0d\x0d\x0a", "byte 0: the file is cut inside its first block"),
        (b"\x0a\x0d\x0d\x0a" + bytes(60), "byte 0: a pcapng section begins here, but its byte order"),
    ],
)
def test_a_wrong_file_gets_one_line(tmp_path: Path, data: bytes, words: str) -> None:
    path = tmp_path / "wrong"
    path.write_bytes(data)
    with pytest.raises(CaptureError, match=words) as caught:
        open_capture(str(path))
    assert str(caught.value).startswith(str(path))
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("path", "words"),
    [
        ("none.pcapng", "file not found"),
        (".", "this is a folder"),
        ("a\0b", "cannot be read"),
        ("", "file not found"),
    ],
)
def test_what_is_no_file_gets_one_line(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, path: str, words: str) -> None:
    monkeypatch.chdir(tmp_path)
    with pytest.raises(CaptureError, match=words):
        open_capture(path)


@pytest.mark.skipif(sys.platform == "win32", reason="Windows has no such files")
def test_devices_and_locked_files_get_one_line(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with pytest.raises(CaptureError, match="this is a port, not a recording"):
        open_capture(os.devnull)
    path = tmp_path / "locked"
    path.write_bytes(FRAME * 3)

    def refuse(*_: object, **__: object) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr("builtins.open", refuse)  # the superuser may read what chmod forbids
    with pytest.raises(CaptureError, match="cannot be read"):
        open_capture(str(path))


@pytest.mark.parametrize("times", [1, 2])
def test_standard_input_is_read_as_often_as_needed_and_not_kept(
    tmp_path: Path, scratch: Path, monkeypatch: pytest.MonkeyPatch, times: int
) -> None:
    data = pcapng(tmp_path / "a")
    pipe_in(monkeypatch, data)
    with open_capture("-") as capture:
        assert (capture.info.path, capture.info.format) == ("-", "pcapng")
        for _ in range(times):
            assert joined(capture) == FRAME * 2
        (kept,) = scratch.iterdir()
        assert stat.S_IMODE(kept.stat().st_mode) & 0o077 == 0 or sys.platform == "win32"
    assert list(scratch.iterdir()) == []


def test_notes_of_piped_recordings_reach_the_reader(
    tmp_path: Path, scratch: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    data = pcapng(tmp_path / "a")
    pipe_in(monkeypatch, data[:-5])
    with open_capture("-") as capture:
        info = capture.info
        assert joined(capture) == FRAME
    assert len(info.notes) == 1
    assert "the file is cut inside a block" in info.notes[0]


def test_piped_bytes_are_raw_even_without_frames(scratch: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for data in (FRAME * 2, b"\xf8\x00\x80" * 50):
        pipe_in(monkeypatch, data)
        with open_capture("-") as capture:
            assert (capture.info.path, capture.info.format) == ("-", "raw bytes")
            assert joined(capture) == data


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"", "standard input: file is empty"),
        (b"%PDF-1.7", "standard input: this is a document"),
        (b"hello", "standard input: unknown text layout"),
    ],
)
def test_wrong_standard_input_gets_one_line(
    scratch: Path, monkeypatch: pytest.MonkeyPatch, data: bytes, words: str
) -> None:
    pipe_in(monkeypatch, data)
    with pytest.raises(CaptureError) as caught:
        open_capture("-")
    assert str(caught.value).startswith(words)
    assert list(scratch.iterdir()) == []


def test_a_terminal_is_no_recording(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "stdin", Terminal())
    with pytest.raises(CaptureError, match="standard input: is a terminal"):
        open_capture("-")


@pytest.mark.skipif(sys.platform == "win32", reason="Windows has no named pipes in folders")
def test_a_named_pipe_is_read_like_standard_input(tmp_path: Path, scratch: Path) -> None:
    data = pcapng(tmp_path / "a")
    path = tmp_path / "pipe"
    os.mkfifo(path)
    feeder = threading.Thread(target=path.write_bytes, args=(data,))
    feeder.start()
    with open_capture(str(path)) as capture:
        feeder.join()
        assert capture.info.path == str(path)
        assert joined(capture) == FRAME * 2
