"""Our recordings: written, read back, and met with a full disk."""

from __future__ import annotations

import errno
import os
import sys
import time
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busbench.capture.concat_slices import gather
from busbench.capture.packets import PacketFile
from busbench.errors import OutputError
from busbench.line import Chunk, LineSettings
from busbench.model import NO_CLOCK, Annotation, ByteLog, Clock, ClockKind
from tests.capture.blocks import CLOCK, EPOCH_NS, interface, joined, packet, packets, read, save, section, writer


def test_a_recording_comes_back_as_it_was(tmp_path: Path) -> None:
    path = tmp_path / "a.pcapng"
    with writer(path) as out:
        out.write(Chunk(1_000, b"\x0f\x01\x02"))
        out.write(Chunk(8_000, bytes(range(25)), bytes(3) + b"\x01" + bytes(3) + b"\x01\x02\x01" + bytes(15)))
        out.write(Chunk(8_500, b"asked"), outbound=True)
        out.mark(9_000, "30 paces")
        out.write(Chunk(15_000, b"\xff"))
    capture = read(str(path))
    assert packets(capture) == [
        (EPOCH_NS + 1_000, b"\x0f\x01\x02"),
        (EPOCH_NS + 8_000, bytes(range(25))),
        (EPOCH_NS + 15_000, b"\xff"),
    ]
    (log,) = capture.blocks()
    assert log.bad is not None
    assert np.flatnonzero(log.bad).tolist() == [6, 10, 11, 12]
    info = capture.info
    assert (info.format, info.clock, info.start_utc_ns, info.source) == ("pcapng", CLOCK, 0, "ttyS7")
    assert info.marks == [Annotation(EPOCH_NS + 9_000, "30 paces")]
    assert info.notes == ["read what was received on ttyS7; passed over: 5 bytes sent on 1 (ttyS7)"]
    assert joined(read(str(path), interface="1")) == b"asked"


def test_the_text_of_an_interface_is_readable(tmp_path: Path) -> None:
    path = tmp_path / "a.pcapng"
    line = LineSettings(115_200, "N", 1, inverted=False)
    writer(path, line=line, clock=Clock(ClockKind.PER_BYTE, 125), start_utc_ns=None).close()
    received, sent = PacketFile(str(path)).interfaces
    assert received.description == (
        "busbench serial line: baud=115200 parity=N stop_bits=1 inverted=no direction=in"
        " clock=per-byte resolution_ns=125 epoch=none"
    )
    assert (received.name, received.link_type, received.tsresol) == ("ttyS7", 147, 9)
    assert sent.is_outbound
    capture = read(str(path))
    assert capture.info.clock == Clock(ClockKind.PER_BYTE, 125)
    assert capture.info.start_utc_ns is None
    assert list(capture.blocks()) == []


def test_a_log_without_a_clock_keeps_its_bytes_and_gains_no_time(tmp_path: Path) -> None:
    data = np.arange(200_000, dtype=np.uint32).astype(np.uint8)
    with writer(tmp_path / "a.pcapng", clock=NO_CLOCK, start_utc_ns=None) as out:
        out.write_log(ByteLog.from_bytes(data))
    capture = read(str(tmp_path / "a.pcapng"))
    assert capture.info.clock == NO_CLOCK
    assert joined(capture) == data.tobytes()
    assert packets(capture) == []


@pytest.mark.parametrize("flags", [True, False])
@given(
    sizes=st.lists(st.integers(1, 70), min_size=1, max_size=60),
    bad=st.sets(st.integers(0, 4000), max_size=6),
    start=st.integers(0, 1 << 40),
)
@settings(max_examples=40, deadline=None)
def test_bulk_and_single_writing_make_the_same_file(
    flags: bool, sizes: list[int], bad: set[int], start: int, tmp_path_factory: pytest.TempPathFactory
) -> None:
    folder = tmp_path_factory.mktemp("w")
    total = sum(sizes)
    data = (np.arange(total) * 7 % 251).astype(np.uint8)
    marked = np.zeros(total, np.uint8)
    marked[[place for place in bad if place < total]] = 1
    ends = np.cumsum(sizes)
    times = np.arange(len(sizes)) * 7_000_000
    with writer(folder / "bulk", direction_flags=flags) as out:
        out.write_log(ByteLog(start, data, ends + start, times, marked))
    with writer(folder / "single", direction_flags=flags) as out:
        for size, end, t_ns in zip(sizes, ends.tolist(), times.tolist(), strict=True):
            part = slice(end - size, end)
            out.write(Chunk(t_ns, data[part].tobytes(), marked[part].tobytes()))
    assert (folder / "bulk").read_bytes() == (folder / "single").read_bytes()
    (log,) = read(str(folder / "bulk")).blocks()
    np.testing.assert_array_equal(log.data, data)
    np.testing.assert_array_equal(log.mark_end, ends)
    np.testing.assert_array_equal(log.mark_t_ns, times + EPOCH_NS)
    np.testing.assert_array_equal(marked if log.bad is None else log.bad, marked)


@pytest.mark.parametrize("uneven", [False, True])
def test_a_long_recording_passes_many_buffers(tmp_path: Path, uneven: bool) -> None:
    rng = np.random.default_rng(5)
    count = 60_000
    sizes = rng.integers(1, 45, count) if uneven else np.full(count, 25)
    # sixes and lengths of packets in the data itself try to mislead the search
    words = rng.choice(np.array([6, 36, 40, 60, 0x0A0D0D0A], np.uint32), int(sizes.sum()) // 4 + 1)
    data = words.view(np.uint8)[: int(sizes.sum())].copy()
    ends = np.cumsum(sizes)
    with writer(tmp_path / "a", direction_flags=uneven) as out:
        out.write_log(ByteLog(0, data, ends, np.arange(count) * 1_000_000))
    logs = list(read(str(tmp_path / "a")).blocks())
    assert len(logs) > 2
    np.testing.assert_array_equal(np.concatenate([log.data for log in logs]), data)
    np.testing.assert_array_equal(np.concatenate([log.mark_end for log in logs]), ends)
    np.testing.assert_array_equal(
        np.concatenate([log.mark_t_ns for log in logs]), np.arange(count) * 1_000_000 + EPOCH_NS
    )


def test_a_packet_inside_a_packet_is_not_found(tmp_path: Path) -> None:
    inner = packet(5, b"\xee" * 8)
    even = [packet(i, inner) for i in range(9)]
    odd = [packet(100 + i, inner + bytes(i % 7)) for i in range(50)]
    path = save(tmp_path, section(), interface(), *even, *odd)
    found = packets(read(path))
    assert [t // 1000 for t, _ in found] == [*range(9), *range(100, 150)]
    assert all(data.startswith(inner) for _, data in found)


@given(st.lists(st.binary(max_size=1200), max_size=30), st.integers(0, 40))
@settings(max_examples=60, deadline=None)
def test_gather_joins_pieces_of_any_size(pieces: list[bytes], gap: int) -> None:
    buffer = np.frombuffer(b"".join(bytes(gap) + piece for piece in pieces), np.uint8)
    size = np.array([len(piece) for piece in pieces], np.int64)
    start = np.cumsum(size + gap) - size
    assert gather(buffer, start, size, np.cumsum(size)).tobytes() == b"".join(pieces)


def test_an_existing_file_is_kept_unless_forced(tmp_path: Path) -> None:
    path = tmp_path / "a"
    path.write_bytes(b"dear")
    with pytest.raises(OutputError, match="file exists already"):
        writer(path)
    assert path.read_bytes() == b"dear"
    writer(path, force=True).close()
    assert path.read_bytes().startswith(b"\x0a\x0d\x0d\x0a")
    with pytest.raises(OutputError, match="folder not found"):
        writer(tmp_path / "none" / "a")


def test_pending_packets_are_handed_over_well_within_a_second(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    now = 5_000_000_000
    monkeypatch.setattr(time, "monotonic_ns", lambda: now)
    path = tmp_path / "a"
    out = writer(path)
    empty = path.stat().st_size
    out.write(Chunk(1, b"early"))
    now += 499_999_999
    out.tick()
    assert path.stat().st_size == empty
    now += 1
    out.tick()
    assert joined(read(str(path))) == b"early"
    out.close()


@pytest.mark.parametrize("room", range(0, 90, 7))
def test_a_full_disk_leaves_whole_packets_and_one_line(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, room: int
) -> None:
    path = tmp_path / "a"
    out = writer(path)
    left = room
    real = os.write

    def write(fd: int, data: memoryview) -> int:
        nonlocal left
        if left == 0:
            raise OSError(errno.ENOSPC, "No space left on device")
        done = real(fd, data[: min(left, 10)])
        left -= done
        return done

    monkeypatch.setattr(os, "write", write)
    before = path.stat().st_size
    for i in range(3):
        out.write(Chunk(i, b"abc"))  # 48 bytes each
    with pytest.raises(OutputError, match="No space left on device") as caught:
        out.flush()
    assert path.stat().st_size == before + room // 48 * 48 == caught.value.offset
    with pytest.raises(OutputError, match="is closed already"):
        out.write(Chunk(9, b"x"))
    capture = read(str(path))
    assert joined(capture) == b"abc" * (room // 48)
    assert capture.info.notes == []


@pytest.mark.skipif(sys.platform == "win32", reason="Windows sets no limit to the size of a file")
def test_a_limit_of_the_system_is_met_like_a_full_disk(tmp_path: Path) -> None:
    import resource

    path = tmp_path / "a"
    old = resource.getrlimit(resource.RLIMIT_FSIZE)
    out = writer(path)
    for i in range(200):
        out.write(Chunk(i, bytes(25)))
    limit = path.stat().st_size + 72 * 100 + 35
    resource.setrlimit(resource.RLIMIT_FSIZE, (limit, old[1]))
    try:
        with pytest.raises(OutputError, match="cannot be written any further"):
            out.close()
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, old)
    assert len(packets(read(str(path)))) == 100
