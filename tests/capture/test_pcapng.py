"""Our pcapng container: written, read back, cut, damaged, mixed with what others write."""

from __future__ import annotations

import contextlib
import errno
import os
import struct
import sys
import time
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busbench.capture.base import Capture, ReadOptions
from busbench.capture.packets import NO_TIME, PacketFile, gather
from busbench.capture.pcapng_read import open_file
from busbench.capture.pcapng_write import PcapngWriter
from busbench.errors import CaptureError
from busbench.model import BUS_LINE, NO_CLOCK, ByteLog, Chunk, Clock, ClockKind, LineSettings, Mark

CLOCK = Clock(ClockKind.PER_READ, 1)
EPOCH_NS = 1_700_000_000_123_456_789
Packet = tuple[int, bytes]  # ticks, data


def block(kind: int, body: bytes, order: str = "<") -> bytes:
    size = struct.pack(order + "I", 12 + len(body))
    return struct.pack(order + "I", kind) + size + body + size


def option(code: int, value: bytes, order: str = "<") -> bytes:
    return struct.pack(order + "HH", code, len(value)) + value + bytes(-len(value) % 4)


def section(order: str = "<") -> bytes:
    return block(0x0A0D0D0A, struct.pack(order + "IHHq", 0x1A2B3C4D, 1, 0, -1), order)


def interface(options: bytes = b"", *, link: int = 147, snaplen: int = 0, order: str = "<") -> bytes:
    return block(1, struct.pack(order + "HHI", link, 0, snaplen) + options, order)


def packet(
    ticks: int, data: bytes, *, number: int = 0, options: bytes = b"", length: int = -1, order: str = "<"
) -> bytes:
    size = len(data) if length < 0 else length
    head = struct.pack(order + "IIIII", number, ticks >> 32, ticks & 0xFFFFFFFF, len(data), size)
    return block(6, head + data + bytes(-len(data) % 4) + options, order)


def save(tmp_path: Path, *parts: bytes) -> str:
    path = tmp_path / "made.pcapng"
    path.write_bytes(b"".join(parts))
    return str(path)


def writer(path: Path | str, **more: object) -> PcapngWriter:
    settings_ = {"port": "ttyS7", "line": BUS_LINE, "clock": CLOCK, "start_utc_ns": EPOCH_NS, **more}
    return PcapngWriter(str(path), **settings_)  # type: ignore[arg-type]


def packets(capture: Capture) -> list[Packet]:
    """Each read of a capture: its time and bytes."""
    found: list[Packet] = []
    end = 0
    for log in capture.blocks():
        assert log.offset == end
        end = log.end
        first = log.offset
        for stop, t_ns in zip(log.mark_end.tolist(), log.mark_t_ns.tolist(), strict=True):
            found.append((t_ns, log.data[first - log.offset : stop - log.offset].tobytes()))
            first = stop
    return found


def joined(capture: Capture) -> bytes:
    return b"".join(log.data.tobytes() for log in capture.blocks())


def read(path: str, *, interface: str | None = None) -> Capture:
    return open_file(path, ReadOptions(interface=interface))


# --- what we write, we read ---------------------------------------------------------------------------------------


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
    assert info.marks == [Mark(EPOCH_NS + 9_000, "30 paces")]
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


# --- damage -------------------------------------------------------------------------------------------------------


def test_a_file_cut_anywhere_gives_all_whole_packets_and_names_the_place(tmp_path: Path) -> None:
    whole = tmp_path / "whole"
    with writer(whole) as out:
        for i in range(6):
            out.write(Chunk(i * 7_000, bytes(range(i * 3 + 1)), b"\x01" if i == 3 else b""))
    data = whole.read_bytes()
    all_packets = packets(read(str(whole)))
    starts, at = [], 0
    while at < len(data):
        starts.append(at)
        at += int(struct.unpack_from("<I", data, at + 4)[0])
    starts.append(at)
    assert len(starts) == 3 + 6 + 1
    cut = tmp_path / "cut"
    for length in range(len(data)):
        cut.write_bytes(data[:length])
        last = max(start for start in starts if start <= length)
        if last < starts[2]:  # not one interface is whole
            with pytest.raises(CaptureError) as caught:
                read(str(cut))
            assert "\n" not in str(caught.value)
            continue
        capture = read(str(cut))
        assert packets(capture) == all_packets[: max(starts.index(last) - 3, 0)]
        if length == last:
            assert capture.info.notes == []
        else:
            (note,) = capture.info.notes
            assert note == f"byte {last}: the file is cut inside a block; its last {length - last} bytes are left out"


@pytest.mark.parametrize("length", [0, 8, 13, 62, 1 << 31])
def test_a_block_of_impossible_length_ends_the_reading_with_a_note(tmp_path: Path, length: int) -> None:
    good = b"".join([section(), interface(), packet(1, b"good")])
    path = save(tmp_path, good, struct.pack("<II", 6, length), packet(2, b"more"))
    capture = read(path)
    assert joined(capture) == b"good"
    (note,) = capture.info.notes
    assert note == f"byte {len(good)}: a block of impossible length {length}; the 44 bytes from there on are not read"


def test_lengths_that_differ_end_the_reading_with_a_note(tmp_path: Path) -> None:
    good = b"".join([section(), interface(), packet(1, b"good")])
    broken = packet(2, b"lost")[:-4] + struct.pack("<I", 40)
    capture = read(save(tmp_path, good, broken, packet(3, b"more")))
    assert joined(capture) == b"good"
    (note,) = capture.info.notes
    assert note.startswith(f"byte {len(good)}: the two lengths of a block differ (36 and 40)")


def test_damage_late_in_a_run_of_equal_blocks_is_found(tmp_path: Path) -> None:
    path = tmp_path / "a"
    with writer(path, direction_flags=False) as out:
        out.flush()
        head = path.stat().st_size
        out.write_log(ByteLog(0, np.zeros(50_000 * 25, np.uint8), np.arange(1, 50_001) * 25, np.arange(50_000)))
    data = bytearray(path.read_bytes())
    place = head + 60 * 49_000
    data[place + 56] = 64
    path.write_bytes(data)
    capture = read(str(path))
    assert len(packets(capture)) == 49_000
    assert capture.info.notes == [
        f"byte {place}: the two lengths of a block differ (60 and 64); the 60000 bytes from there on are not read"
    ]


def test_damage_among_uneven_blocks_is_found(tmp_path: Path) -> None:
    good = b"".join([section(), interface(), *(packet(i, bytes(i + 1)) for i in range(20))])
    for size, what in ((46, "a block of impossible length 46"), (400, "the file is cut inside a block")):
        # its length stands where a careless search would look for it
        odd = struct.pack("<II", 6, size) + bytes(32) + struct.pack("<I", size)
        capture = read(save(tmp_path, good, odd))
        assert len(packets(capture)) == 20
        (note,) = capture.info.notes
        assert note.startswith(f"byte {len(good)}: {what}")


@given(at=st.integers(0, 2000), junk=st.binary(min_size=1, max_size=12))
@settings(max_examples=150, deadline=None)
def test_overwritten_bytes_never_give_a_traceback(
    at: int, junk: bytes, tmp_path_factory: pytest.TempPathFactory
) -> None:
    folder = tmp_path_factory.mktemp("d")
    with writer(folder / "a") as out:
        for i in range(20):
            out.write(Chunk(i, bytes(range(i + 4)), b"\x01"))
    data = bytearray((folder / "a").read_bytes())
    at = min(at, len(data) - 1)
    data[at : at + len(junk)] = junk
    (folder / "a").write_bytes(data)
    with contextlib.suppress(CaptureError):
        packets(read(str(folder / "a")))


def test_a_file_with_no_section_or_interface_says_so(tmp_path: Path) -> None:
    with pytest.raises(CaptureError, match="byte 0: no pcapng section begins here"):
        read(save(tmp_path, b"nothing of the kind"))
    with pytest.raises(CaptureError, match="is empty"):
        read(save(tmp_path, b""))
    with pytest.raises(CaptureError, match="describes no interface"):
        read(save(tmp_path, section()))


# --- what others write --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("order", ["<", ">"])
def test_either_byte_order_and_several_sections(tmp_path: Path, order: str) -> None:
    name = option(2, b"bus", order)
    other = ">" if order == "<" else "<"
    path = save(
        tmp_path,
        section(order),
        interface(name, order=order),
        *(packet(i, b"abc" * (i + 1), order=order) for i in range(4)),
        section(other),
        interface(option(2, b"else", other), order=other),
        interface(option(2, b"bus", other), order=other),
        packet(9, b"xyz", number=1, order=other, options=option(2, struct.pack(other + "I", 1), other)),
        packet(9, b"no", number=0, order=other),
    )
    capture = read(path)
    assert packets(capture) == [*((i * 1000, b"abc" * (i + 1)) for i in range(4)), (9_000, b"xyz")]
    assert capture.info.notes == ["read what was received on bus; passed over: 2 bytes received on 1 (else)"]


@given(data=st.data())
@settings(max_examples=60, deadline=None)
def test_unknown_blocks_and_options_are_passed_over(
    data: st.DataObject, tmp_path_factory: pytest.TempPathFactory
) -> None:
    order = data.draw(st.sampled_from("<>"))
    kinds = st.integers(0, 0xFFFFFFFF).filter(lambda kind: kind not in (1, 2, 3, 6, 0x0A0D0D0A))
    words = st.integers(0, 20).flatmap(lambda n: st.binary(min_size=4 * n, max_size=4 * n))
    strange = st.lists(st.builds(lambda kind, body: block(kind, body, order), kinds, words), max_size=2)
    codes = st.integers(0x0003, 0xFFFF)
    options = st.lists(
        st.builds(lambda code, value: option(code, value, order), codes, st.binary(max_size=9)), max_size=3
    )
    sent: list[bytes] = []
    parts = [section(order), *data.draw(strange), interface(order=order)]
    for i in range(data.draw(st.integers(0, 12))):
        parts += data.draw(strange)
        sent.append(data.draw(st.binary(min_size=1, max_size=30)))
        extra = b"".join(data.draw(options))
        parts.append(packet(i, sent[-1], order=order, options=extra + bytes(4) if extra else b""))
    capture = read(save(tmp_path_factory.mktemp("u"), *parts, *data.draw(strange)))
    assert packets(capture) == [(i * 1000, one) for i, one in enumerate(sent)]
    assert capture.info.notes == []


@pytest.mark.parametrize(
    ("tsresol", "ticks", "t_ns"),
    [
        (0, 7, 7_000_000_000),
        (3, 1_700_000_000_123, 1_700_000_000_123_000_000),
        (6, 1_700_000_000_123_456, 1_700_000_000_123_456_000),
        (9, 1_700_000_000_123_456_789, 1_700_000_000_123_456_789),
        (10, 17_000_000_000_123_456_789, 1_700_000_000_012_345_678),
        (12, 1_700_000_123_456, 1_700_000_123),
        (0x80 | 1, 3, 1_500_000_000),
        (0x80 | 20, (1_700_000_000 << 20) + (1 << 19), 1_700_000_000_500_000_000),
        (0x80 | 32, (1_700_000_000 << 32) + (3 << 30), 1_700_000_000_750_000_000),
        (0x80 | 40, (1_000_000 << 40) + (1 << 38), 1_000_000_250_000_000),
    ],
)
def test_any_resolution_of_time_is_exact(tmp_path: Path, tsresol: int, ticks: int, t_ns: int) -> None:
    path = save(tmp_path, section(), interface(option(9, bytes([tsresol]))), packet(ticks, b"x"))
    assert packets(read(path)) == [(t_ns, b"x")]


@pytest.mark.parametrize(("offset_s", "t_ns"), [(100, 100_000_005_000), (-3, -2_999_995_000), (1 << 62, 5_000)])
def test_the_offset_of_times_is_added_where_it_can_be(tmp_path: Path, offset_s: int, t_ns: int) -> None:
    path = save(tmp_path, section(), interface(option(14, struct.pack("<q", offset_s))), packet(5, b"x"))
    assert packets(read(path)) == [(t_ns, b"x")]


def test_resolution_of_a_foreign_clock_is_that_of_its_stamps(tmp_path: Path) -> None:
    assert read(save(tmp_path, section(), interface(), packet(1, b"x"))).info.clock == Clock(ClockKind.PER_READ, 1000)
    fine = save(tmp_path, section(), interface(option(9, b"\x0c")), packet(1, b"x"))
    assert read(fine).info.clock == Clock(ClockKind.PER_READ, 1)


def test_a_malformed_description_of_ours_is_harmless(tmp_path: Path) -> None:
    text = b"busbench serial line: clock=sundial resolution_ns=\xff\x1b[2J= direction=up epoch="
    capture = read(save(tmp_path, section(), interface(option(3, text)), packet(1, b"x")))
    assert capture.info.clock == Clock(ClockKind.PER_READ, 1000)
    assert "\x1b" not in capture.info.source
    assert joined(capture) == b"x"


def test_simple_packets_have_bytes_but_no_time(tmp_path: Path) -> None:
    simple = [block(3, struct.pack("<I", n) + (b"s" * min(n, 8)).ljust(8, b"\0")) for n in (5, 20)]
    path = save(tmp_path, section(), interface(snaplen=6), *simple)
    capture = read(path)
    assert capture.info.clock == NO_CLOCK
    assert joined(capture) == b"s" * 11
    assert capture.info.notes == ["1 packets were cut short when recorded, 14 bytes are missing"]
    # between packets with times they stand where they stood
    mixed = save(tmp_path, section(), interface(), packet(1, b"ab"), simple[0], packet(2, b"cd"), simple[0])
    assert packets(read(mixed)) == [(1000, b"ab"), (2000, b"ssssscd"), (2000, b"sssss")]
    assert [batch.t_ns.tolist() for batch in PacketFile(mixed).batches()] == [[1000, NO_TIME, 2000, NO_TIME]]


def test_the_obsolete_packet_block_is_read(tmp_path: Path) -> None:
    old = block(2, struct.pack("<HHIIII", 1, 0, 0, 77, 3, 3) + b"old\0")
    path = save(tmp_path, section(), interface(link=220), interface(), old, packet(78, b"new", number=1))
    assert packets(read(path)) == [(77_000, b"old"), (78_000, b"new")]


def test_packets_cut_by_the_recorder_are_counted(tmp_path: Path) -> None:
    path = save(tmp_path, section(), interface(), packet(1, b"abc", length=25), packet(2, b"def"))
    capture = read(path)
    assert joined(capture) == b"abcdef"
    assert capture.info.notes == ["1 packets were cut short when recorded, 22 bytes are missing"]


def test_a_packet_that_claims_more_than_its_block_ends_with_it(tmp_path: Path) -> None:
    lies = bytearray(packet(1, b"abcd"))
    lies[20:28] = struct.pack("<II", 4000, 4000)
    capture = read(save(tmp_path, section(), interface(), bytes(lies), packet(2, b"ef")))
    assert joined(capture) == b"abcdef"
    assert capture.info.notes == ["1 packets were cut short when recorded, 3996 bytes are missing"]


def test_an_interface_that_is_not_described_is_noted(tmp_path: Path) -> None:
    capture = read(save(tmp_path, section(), interface(), packet(1, b"a"), packet(2, b"b", number=4)))
    assert joined(capture) == b"a"
    assert capture.info.notes == ["1 packets name an interface that is not described; passed over"]


def test_the_interface_can_be_chosen_by_name_or_number(tmp_path: Path) -> None:
    faces = [interface(option(2, name)) for name in (b"idle", b"left", b"right")]
    path = save(tmp_path, section(), *faces, packet(1, b"L", number=1), packet(2, b"RR", number=2))
    capture = read(path)
    assert joined(capture) == b"L"
    assert capture.info.source == "left"
    assert capture.info.notes == ["read what was received on left; passed over: 2 bytes received on 2 (right)"]
    assert joined(read(path, interface="right")) == b"RR"
    assert joined(read(path, interface="2")) == b"RR"
    assert joined(read(path, interface="idle")) == b""
    with pytest.raises(CaptureError, match=r'no interface "up": it has 0 \(idle\), 1 \(left\), 2 \(right\)'):
        read(path, interface="up")


def test_two_interfaces_of_one_name_are_not_mixed(tmp_path: Path) -> None:
    path = save(tmp_path, section(), *[interface(option(2, b"bus"))] * 2, packet(1, b"a"), packet(2, b"b", number=1))
    assert joined(read(path)) == b"a"
    assert joined(read(path, interface="1")) == b"b"


def test_flags_tell_directions_on_one_interface(tmp_path: Path) -> None:
    def flags(direction: int) -> bytes:
        return option(2, struct.pack("<I", direction)) + bytes(4)

    path = save(
        tmp_path, section(), interface(), packet(1, b"sent", options=flags(2)), packet(2, b"got", options=flags(1))
    )
    assert joined(read(path)) == b"got"
    only_sent = save(tmp_path, section(), interface(), packet(1, b"sent", options=flags(2)))
    assert joined(read(only_sent)) == b"sent"


def test_comments_of_others_are_marks_and_wrong_ones_harm_nothing(tmp_path: Path) -> None:
    texts = [b"bad=1-99999999,2", b"bad=", b"bad=9-1", b"gate\x1b[31m \xffclosed"]
    options = b"".join(option(1, text) for text in texts) + bytes(4)
    capture = read(save(tmp_path, section(), interface(), packet(3, b"abc", options=options)))
    (log,) = capture.blocks()
    assert log.bad is not None
    assert log.bad.tolist() == [0, 1, 1]
    assert capture.info.marks == [Mark(3000, "bad="), Mark(3000, "gate [31m \ufffdclosed")]


def test_usb_alone_is_no_serial_line(tmp_path: Path) -> None:
    with pytest.raises(CaptureError, match="holds no serial interface"):
        read(save(tmp_path, section(), interface(link=220), packet(1, b"u" * 64)))


# --- writing and the disk -----------------------------------------------------------------------------------------


def test_an_existing_file_is_kept_unless_forced(tmp_path: Path) -> None:
    path = tmp_path / "a"
    path.write_bytes(b"dear")
    with pytest.raises(CaptureError, match="there is such a file already"):
        writer(path)
    assert path.read_bytes() == b"dear"
    writer(path, force=True).close()
    assert path.read_bytes().startswith(b"\x0a\x0d\x0d\x0a")
    with pytest.raises(CaptureError, match="cannot be written"):
        writer(tmp_path / "none" / "a")


def test_pending_packets_are_handed_over_after_a_second(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    now = 5_000_000_000
    monkeypatch.setattr(time, "monotonic_ns", lambda: now)
    path = tmp_path / "a"
    out = writer(path)
    empty = path.stat().st_size
    out.write(Chunk(1, b"early"))
    now += 999_999_999
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
    with pytest.raises(CaptureError, match="No space left on device") as caught:
        out.flush()
    assert path.stat().st_size == before + room // 48 * 48 == caught.value.offset
    with pytest.raises(CaptureError, match="the recording is closed"):
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
        with pytest.raises(CaptureError, match="cannot be written on"):
            out.close()
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, old)
    assert len(packets(read(str(path)))) == 100
