"""Every format comes out of every wrapper as one table: compressed, piped, or as an object that is open already."""

from __future__ import annotations

import bz2
import gzip
import importlib
import io
import lzma
import os
import re
import sys
import tempfile
import threading
import tracemalloc
from collections.abc import Callable
from functools import cache, partial
from pathlib import Path

import numpy as np
import pytest

import busbench
from busbench.capture import compressed
from busbench.capture.open import open_capture, open_levels
from busbench.capture.parquet import write_parquet
from busbench.errors import CaptureError
from tests.capture.usb_blocks import FRAME, START_US, linux, linux_file
from tests.cli.running import CAPTURES

zstd = importlib.import_module("compression.zstd" if sys.version_info >= (3, 14) else "backports.zstd")

PACK: dict[str, Callable[[bytes], bytes]] = {
    "gzip": gzip.compress,
    "zstd": zstd.compress,
    "xz": partial(lzma.compress, preset=0),
    "bzip2": partial(bz2.compress, compresslevel=1),
}


def usb() -> bytes:
    return linux_file(*(linux(START_US + 7000 * i, FRAME) for i in range(40)))


def pcap() -> bytes:
    from tests.capture.test_pcap import header, packet

    return header() + b"".join(packet(7000 * i, FRAME) for i in range(40))


def parquet() -> bytes:
    with tempfile.TemporaryDirectory() as folder, open_capture(str(CAPTURES / "heron-bench.pcapng")) as capture:
        path = Path(folder, "a.parquet")
        write_parquet(str(path), capture)
        return path.read_bytes()


def sigrok_session() -> bytes:
    from tests.capture.test_sr_session import samples, session

    return session(samples(FRAME * 40, rate=1_000_000), rate="1 MHz")


def level_csv() -> bytes:
    from busbench.wire.uart import encode_line

    edges = encode_line(FRAME * 40)
    rows = zip(edges.t_ns.tolist(), edges.level.tolist(), strict=True)
    return b"time_ns,rx\n-120000,0\n" + "".join(f"{t},{level}\n" for t, level in rows).encode()


def volts_csv() -> bytes:
    from tests.capture.test_volts_csv import trace

    return trace(FRAME * 40, rate=500_000).encode()


def byte_csv() -> bytes:
    rows = (f"{i * 120e-6:.6f},0x{byte:02X}\n" for i, byte in enumerate(FRAME * 40))
    return b"time_s,byte\n" + "".join(rows).encode()


FORMATS: dict[str, Callable[[], bytes]] = {
    "pcapng": (CAPTURES / "heron-bench.pcapng").read_bytes,
    "pcap": pcap,
    "Parquet": parquet,
    "sigrok session": sigrok_session,
    "USB capture": usb,
    "byte CSV": byte_csv,
    "CSV of levels": level_csv,
    "CSV of volts": volts_csv,
    "VCD": (CAPTURES / "heron-line.vcd").read_bytes,
    "raw bytes": (CAPTURES / "heron-noisy.raw").read_bytes,
}


def table(recording: object) -> tuple[object, ...]:
    """All that a recording says."""
    found = busbench.read_recording(recording)  # type: ignore[arg-type]
    frames, rejects = found.frames, found.rejects
    columns = (frames.offset, frames.t_ns, frames.channels, frames.flags, frames.end, frames.suspect, rejects.offset)
    return (found.info.format, found.info.clock, found.info.notes, [column.tolist() for column in columns])


@cache
def plain(name: str) -> tuple[bytes, tuple[object, ...]]:
    """A file of a format, and its table without a wrapper."""
    data = FORMATS[name]()
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, "recording")
        path.write_bytes(data)
        return data, table(str(path))


class Pipe(io.RawIOBase):
    """An object that cannot seek."""

    def __init__(self, data: bytes) -> None:
        self._inner = io.BytesIO(data)

    def readable(self) -> bool:
        return True

    def readinto(self, view: object) -> int:
        return self._inner.readinto(view)  # type: ignore[arg-type]


@pytest.mark.parametrize("wrapper", [*PACK, "object", "object in its middle", "pipe", "standard input", "gzip object"])
@pytest.mark.parametrize("name", FORMATS)
def test_every_format_in_every_wrapper_gives_one_table(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str, wrapper: str
) -> None:
    data, expected = plain(name)
    path = tmp_path / "recording"
    assert expected[0] == name
    assert len(expected[3][0]) > 20  # type: ignore[index]
    recording: object = str(path)
    if wrapper in PACK:
        path.write_bytes(PACK[wrapper](data))
    elif wrapper == "standard input":
        monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO(data)))
        recording = "-"
    elif wrapper == "pipe":
        recording = Pipe(data)
    elif wrapper == "object in its middle":
        recording = io.BytesIO(b"before" + data)
        recording.seek(6)
    else:
        recording = io.BytesIO(gzip.compress(data) if "gzip" in wrapper else data)
    assert table(recording) == expected


@pytest.mark.parametrize("encoding", ["utf-16", "utf-16-be"])
@pytest.mark.parametrize("name", ["byte CSV", "CSV of levels", "VCD"])
def test_text_in_utf_16_is_read_as_well(tmp_path: Path, name: str, encoding: str) -> None:
    text, path = FORMATS[name]().decode(), tmp_path / "a"
    path.write_bytes(FORMATS[name]())
    expected = table(str(path))
    mark = "\ufeff" if encoding == "utf-16-be" else ""
    path.write_bytes((mark + text).encode(encoding))
    assert table(str(path)) == expected
    path.write_bytes(gzip.compress((mark + text).encode(encoding)))
    assert table(str(path)) == expected


@pytest.mark.parametrize("codec", PACK)
def test_members_that_follow_one_another_are_one_recording(tmp_path: Path, codec: str) -> None:
    data, path = FORMATS["pcapng"](), tmp_path / "a"
    path.write_bytes(b"".join(PACK[codec](data[at : at + 5000]) for at in range(0, len(data), 5000)) + bytes(4))
    assert table(str(path)) == table(str(CAPTURES / "heron-bench.pcapng"))


@pytest.mark.parametrize("codec", PACK)
def test_what_is_cut_gives_what_stands_before_and_says_so(tmp_path: Path, codec: str) -> None:
    rng = np.random.default_rng(1)
    data, path = b"".join(b"\x0f" + rng.bytes(22) + b"\0\0" for _ in range(30_000)), tmp_path / "a"
    packed = PACK[codec](data[:500_000]) + PACK[codec](data[500_000:])
    path.write_bytes(packed[:-9])
    found = busbench.read_recording(str(path))
    assert found.info.notes == [f"the file is cut ({codec}); what is before was read"]
    assert len(found.frames) >= 17_000
    path.write_bytes(packed[:9])
    with pytest.raises(CaptureError, match=rf"a: is (cut|damaged) \({codec}\): copy it again"):
        open_capture(str(path))


@pytest.mark.parametrize("codec", PACK)
def test_damage_gives_what_stands_before_and_says_so(tmp_path: Path, codec: str) -> None:
    data, path = FRAME * 40_000, tmp_path / "a"
    path.write_bytes(PACK[codec](data) + PACK[codec](bytes(range(256)) * 400)[:12] + b"\xff" * 2000)
    found = busbench.read_recording(str(path))
    assert found.info.notes == [f"the file is damaged ({codec}); what is before was read"]
    assert len(found.frames) == 40_000, "the second member adds none"


@pytest.mark.parametrize("codec", PACK)
def test_what_unpacks_without_end_stops_with_one_line(
    tmp_path: Path, codec: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(compressed, "_UNPACKED_FREE", 3 << 20)
    head = b"$timescale 1 ns $end $var wire 1 ! rx $end $enddefinitions $end #0 0! #5 1! "
    path = tmp_path / "a.vcd"
    path.write_bytes(PACK[codec](head + b" " * (64 << 20)))
    tracemalloc.start()
    with pytest.raises(CaptureError) as caught:
        busbench.read_recording(str(path))
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    said = rf"{re.escape(str(path))}: unpacks to more than \d MB, which no recording does: look where it comes from"
    assert re.fullmatch(said, str(caught.value))
    assert peak < 32 << 20


def test_more_memory_than_usual_is_not_given(tmp_path: Path) -> None:
    options = {zstd.CompressionParameter.window_log: 28}
    packer = zstd.ZstdCompressor(options=options)
    path = tmp_path / "a"
    path.write_bytes(packer.compress(FRAME * 20_000) + packer.flush())
    with pytest.raises(CaptureError, match="a: wants more than 128 MB of memory to be unpacked: unpack it first"):
        open_capture(str(path))


def test_levels_of_several_signals_may_be_compressed_too(tmp_path: Path) -> None:
    path = tmp_path / "outputs.vcd.gz"
    path.write_bytes(gzip.compress((CAPTURES / "heron-outputs.vcd").read_bytes()))
    packed, plain = open_levels(str(path)), open_levels(str(CAPTURES / "heron-outputs.vcd"))
    assert packed is not None
    assert plain is not None
    assert packed.names == plain.names
    assert open_levels(str(CAPTURES / "heron-noisy.raw")) is None


def test_an_object_open_for_text_is_refused() -> None:
    with pytest.raises(CaptureError, match='the file object: is open for text: open it for bytes, with mode "rb"'):
        busbench.read_recording(io.StringIO("time,byte\n"))  # type: ignore[arg-type]


def test_an_object_stays_open_and_its_name_is_said(tmp_path: Path) -> None:
    path = tmp_path / "mine.raw"
    path.write_bytes(FRAME * 9)
    with path.open("rb") as file:
        assert len(busbench.read_recording(file).frames) == 9
        assert not file.closed
        file.seek(0)
        with open_capture(file) as capture:
            assert capture.info.path == str(path)


def _utf16(data: bytes) -> bytes:
    return data.decode().encode("utf-16-le")


@pytest.mark.skipif(sys.platform == "win32", reason="Windows has no named pipes in folders")
@pytest.mark.parametrize(
    ("name", "first", "pack"),
    [*(("heron-tty.pcapng", 4000, pack) for pack in PACK.values()), ("heron-slots.csv", 100_000, _utf16)],
    ids=[*PACK, "UTF-16"],
)
def test_a_wrapped_pipe_is_read_as_it_comes(
    name: str, first: int, pack: Callable[[bytes], bytes], tmp_path: Path
) -> None:
    data, fifo = (CAPTURES / name).read_bytes(), tmp_path / "fifo"
    os.mkfifo(fifo)
    has_read, has_ended = threading.Event(), threading.Event()

    def write() -> None:
        with fifo.open("wb", buffering=0) as pipe:
            mark = "\ufeff".encode("utf-16-le") if pack is _utf16 else b""
            pipe.write(mark + pack(data[:first]))
            has_read.wait(20)
            has_ended.set()
            pipe.write(pack(data[first:]))

    writer = threading.Thread(target=write)
    writer.start()
    with open_capture(str(fifo), waiting=lambda: None) as capture:
        logs = capture.blocks()
        came = [next(logs)]
        assert not has_ended.is_set()
        has_read.set()
        came += logs
    writer.join()
    with open_capture(str(CAPTURES / name)) as capture:
        whole = list(capture.blocks())
    assert capture.info.notes == []
    for field in ("data", "mark_t_ns"):
        parts, all_at_once = ([getattr(log, field) for log in logs] for logs in (came, whole))
        assert np.concatenate(parts).tolist() == np.concatenate(all_at_once).tolist()
