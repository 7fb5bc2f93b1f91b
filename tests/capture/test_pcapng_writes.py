"""What our writer puts into each packet and when: sizes, limits, what is handed over."""

from __future__ import annotations

import errno
import os
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from busbench.capture import pcapng_write
from busbench.capture.base import Origin
from busbench.capture.open import open_capture
from busbench.capture.packets import PacketFile
from busbench.capture.pcapng_write import PcapngWriter, SerialLine
from busbench.errors import OutputError
from busbench.line import Chunk, LineSettings, WakeUps
from busbench.model import ByteLog, Clock, ClockKind
from tests.capture.blocks import EPOCH_NS, joined, packets, read, writer

Columns = list[tuple[int, int, int]]


def columns(path: Path) -> Columns:
    """Interface, time and size of each packet."""
    found: Columns = []
    for batch in PacketFile(str(path)).batches():
        rows = zip(batch.interface.tolist(), batch.t_ns.tolist(), batch.size.tolist(), strict=True)
        found += [(interface, t_ns - EPOCH_NS, size) for interface, t_ns, size in rows]
    return found


@pytest.mark.parametrize(
    ("count", "sizes"),
    [
        (1, [1]),
        (65_535, [65_535]),
        (65_536, [65_536]),
        (65_537, [65_536, 1]),
        (131_072, [65_536, 65_536]),
        (131_073, [65_536, 65_536, 1]),
    ],
)
@pytest.mark.parametrize("timed", [0, 1])
def test_bytes_without_a_time_are_cut_into_long_packets(
    tmp_path: Path, count: int, sizes: list[int], timed: int
) -> None:
    """Those after the last mark have its time."""
    marks: list[tuple[int, int]] = [(2, 6), (3, 7), (5, 9)] if timed else []  # end and time
    ends, times = np.array(marks, np.int64).reshape(-1, 2).T
    data = np.zeros(count + 5 * timed, np.uint8)
    with writer(tmp_path / "a") as out:
        out.write_log(ByteLog(1_000, data, ends + 1_000, times))
    expected = [(0, 6, 2), (0, 7, 1), (0, 9, 2)] if timed else []
    assert columns(tmp_path / "a") == expected + [(0, 9 if timed else 0, size) for size in sizes]


def test_what_is_sent_and_the_lines_beside_have_their_interfaces(tmp_path: Path) -> None:
    with writer(tmp_path / "one") as out:
        out.write(Chunk(1, b"a"))
        out.write(Chunk(2, b"bc"), outbound=True)
        out.write_log(ByteLog(0, np.zeros(3, np.uint8), np.array([3]), np.array([3])), outbound=True)
        out.mark(4, "gust")
    assert columns(tmp_path / "one") == [(0, 1, 1), (1, 2, 2), (1, 3, 3), (0, 4, 0)]
    other = SerialLine("ttyS8", LineSettings(stop_bits=1), Clock(ClockKind.PER_BYTE, 7), Origin("right wing"))
    with writer(tmp_path / "two", others=[other], origin=Origin("left wing", "cold", "A1")) as out:
        out.write(Chunk(1, b"a"), number=1)
        out.write_log(ByteLog(0, np.zeros(3, np.uint8), np.array([3]), np.array([3])), number=1)
        out.mark(4, "gust", number=1)
        out.note((1, 5, "noted"))
        out.write_wakes([WakeUps(6, (0, 3))], number=1)
        out.write_wakes([WakeUps(6, (0, 3))])
    assert columns(tmp_path / "two") == [(1, 1, 1), (1, 3, 3), (1, 4, 0), (1, 5, 0), (1, 6, 0), (0, 6, 0)]
    first, second = PacketFile(str(tmp_path / "two")).interfaces
    assert (first.name, first.origin) == ("ttyS7", Origin("left wing", "cold", "A1"))
    assert (second.name, second.origin, second.clock) == ("ttyS8", Origin("right wing"), Clock(ClockKind.PER_BYTE, 7))
    assert "stop_bits=1" in second.description


@pytest.mark.parametrize(("wall_ns", "has_date"), [(0, True), (5, True), (None, False)])
def test_a_recording_knows_its_date_or_says_that_it_has_none(
    tmp_path: Path, wall_ns: int | None, has_date: bool
) -> None:
    with writer(tmp_path / "a", start_utc_ns=wall_ns) as out:
        out.write(Chunk(7, b"a"))
    capture = read(str(tmp_path / "a"))
    assert packets(capture) == [((wall_ns or 0) + 7, b"a")]
    assert capture.info.start_utc_ns == (0 if has_date else None)


@pytest.mark.parametrize("is_bulk", [False, True])
def test_times_before_zero_and_beyond_32_bits_come_back(tmp_path: Path, is_bulk: bool) -> None:
    times = [-(1 << 40) - 1, -1, 0, (1 << 32) - 1, 1 << 32, (1 << 61) + 5]
    with writer(tmp_path / "a", start_utc_ns=None) as out:
        if is_bulk:
            out.write_log(ByteLog(0, np.arange(6, dtype=np.uint8), np.arange(1, 7), np.array(times)))
        else:
            for at, t_ns in enumerate(times):
                out.write(Chunk(t_ns, bytes([at])))
    assert packets(read(str(tmp_path / "a"))) == [(t_ns, bytes([at])) for at, t_ns in enumerate(times)]


@pytest.mark.parametrize("bad", [[0], [5], [9], [2, 3], [0, 9], list(range(10))])
def test_marked_bytes_are_those_of_their_packets(tmp_path: Path, bad: list[int]) -> None:
    """In packets of 3, 2, 4 and 1 bytes, the first and the last among them."""
    marked = np.zeros(10, np.uint8)
    marked[bad] = 1
    ends = np.array([3, 5, 9, 10])
    with writer(tmp_path / "a") as out:
        out.write_log(ByteLog(100, np.arange(10, dtype=np.uint8), ends + 100, np.arange(4), marked))
    (log,) = read(str(tmp_path / "a")).blocks()
    assert log.bad is not None
    assert (log.bad.tolist(), log.data.tolist()) == (marked.tolist(), list(range(10)))
    assert (log.mark_end.tolist(), (log.mark_t_ns - EPOCH_NS).tolist()) == ([3, 5, 9, 10], [0, 1, 2, 3])


def test_a_megabyte_is_handed_over_at_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(time, "monotonic_ns", lambda: 5)
    monkeypatch.setattr(pcapng_write, "_FLUSH_BYTES", 100)
    with writer(tmp_path / "a", direction_flags=False) as out:
        begun = (tmp_path / "a").stat().st_size
        out.write(Chunk(1, bytes(32)))  # 64 bytes with its frame
        assert (tmp_path / "a").stat().st_size == begun
        out.write(Chunk(2, bytes(4)))  # 36, which makes 100
        assert (tmp_path / "a").stat().st_size == begun + 100
        out.write(Chunk(3, bytes(4)))
        assert (tmp_path / "a").stat().st_size == begun + 100


@pytest.mark.parametrize(
    "add",
    [
        lambda out: out.write(Chunk(1, b"a")),
        lambda out: out.mark(1, "gust"),
        lambda out: out.write_log(ByteLog(0, np.zeros(1, np.uint8), np.array([1]), np.array([1]))),
    ],
    ids=["read", "annotation", "log"],
)
def test_what_is_added_after_half_a_second_is_handed_over(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, add: Callable[[PcapngWriter], None]
) -> None:
    now_ns = 5
    monkeypatch.setattr(time, "monotonic_ns", lambda: now_ns)
    with writer(tmp_path / "a") as out:
        begun = (tmp_path / "a").stat().st_size
        now_ns += 499_999_999
        add(out)
        assert (tmp_path / "a").stat().st_size == begun
        now_ns += 1
        add(out)
        assert (tmp_path / "a").stat().st_size > begun


def fill_disk(monkeypatch: pytest.MonkeyPatch, room: int) -> None:
    """Let the disk hold so many bytes more."""
    real = os.write

    def write(fd: int, data: memoryview) -> int:
        nonlocal room
        if not room:
            raise OSError(errno.ENOSPC, "No space left on device")
        done = real(fd, data[:room])
        room -= done
        return done

    monkeypatch.setattr(os, "write", write)


@pytest.mark.parametrize("room", [0, 100])
def test_a_disk_without_room_for_the_beginning_keeps_no_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, room: int
) -> None:
    fill_disk(monkeypatch, room)
    with pytest.raises(OutputError, match="No space left on device"):
        writer(tmp_path / "a")
    assert not (tmp_path / "a").exists()


@pytest.mark.parametrize("room", [0, 1, 30])
def test_a_full_disk_keeps_whole_compressed_parts(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, room: int) -> None:
    path = tmp_path / "a.gz"
    out = writer(path)
    out.write(Chunk(1, b"first"))
    out.flush()
    whole = path.read_bytes()
    assert whole.count(b"\x1f\x8b\x08") == 2  # a part for each time that something was there to write
    out.flush()
    assert path.read_bytes() == whole
    fill_disk(monkeypatch, room)
    out.write(Chunk(2, b"second"))
    with pytest.raises(OutputError, match="all before it is whole"):
        out.flush()
    assert path.read_bytes() == whole


def test_a_whole_recording_appears_when_it_is_complete(tmp_path: Path) -> None:
    with writer(tmp_path / "a", is_whole=True) as out:
        out.write(Chunk(1, b"a"))
        out.flush()
        assert not (tmp_path / "a").exists()
        assert out.is_open
    assert joined(read(str(tmp_path / "a"))) == b"a"
    assert not out.is_open
    with pytest.raises(OutputError, match="is closed already"):
        out.write(Chunk(1, b"a"))
    out.close()  # as often as wanted
    out.flush()


@pytest.mark.parametrize("is_whole", [True, False])
def test_what_breaks_off_is_kept_where_it_was_in_progress(tmp_path: Path, is_whole: bool) -> None:
    out = writer(tmp_path / "a", is_whole=is_whole)
    out.write(Chunk(1, b"a"))
    out.__exit__(ZeroDivisionError)
    assert not out.is_open
    assert (tmp_path / "a").exists() is not is_whole
    if not is_whole:
        assert joined(read(str(tmp_path / "a"))) == b"a"


@pytest.mark.parametrize("suffix", ["", ".gz", ".ZST"])
def test_the_tail_is_replaced_each_time_and_leaves_with_the_end(tmp_path: Path, suffix: str) -> None:
    path = tmp_path / f"a{suffix}"

    def left_out() -> list[tuple[int, int]]:
        with open_capture(path) as capture:
            assert joined(capture) == b"abc"
            return [(one.last_t_ns - EPOCH_NS, one.frames) for one in capture.info.left_out]

    with writer(path) as out:
        out.write(Chunk(1, b"abc"))
        for notes in ([(0, 5, "left-out=1,2,3")], [(0, 6, "left-out=4,5,6")], [], [(0, 7, "left-out=7,8,9")] * 2):
            out.tail = notes.copy
            out.flush()
            assert left_out() == [(t_ns, int(comment[9])) for _, t_ns, comment in notes]
    assert left_out() == []
