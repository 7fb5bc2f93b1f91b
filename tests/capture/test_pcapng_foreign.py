"""What others write: byte orders, block kinds, clocks, interfaces and comments."""

from __future__ import annotations

import itertools
import struct
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busbench.capture import packets as packets_module
from busbench.capture.open import open_capture
from busbench.capture.packet_batch import NO_TIME
from busbench.capture.packets import PacketFile
from busbench.errors import CaptureError
from busbench.model import NO_CLOCK, Annotation, Clock, ClockKind
from tests.capture.blocks import block, interface, joined, option, packet, packets, read, save, section
from tests.capture.usb_blocks import FRAME


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


def test_many_sections_of_a_packet_or_two_lose_none(tmp_path: Path) -> None:
    parts: list[bytes] = []
    for i in range(150):
        order = "<>"[i % 7 == 3]
        said = option(1, f"mark=word {i}".encode(), order) + bytes(4) if i % 50 == 1 else b""
        flags = option(2, struct.pack(order + "I", 1 + i % 2), order) + bytes(4)  # every second was sent
        head = [section(order), interface(option(2, b"bus", order), order=order)]
        parts += [*head, packet(2 * i, b"%03d" % i, order=order, options=said or (flags if i % 3 == 0 else b""))]
        if i % 5 == 0:
            parts.append(packet(2 * i + 1, b"more" * i, order=order))
    capture = read(save(tmp_path, *parts))
    expected: list[tuple[int, bytes]] = []
    for i in range(150):
        expected += [] if i % 6 == 3 and i % 50 != 1 else [(2000 * i, b"%03d" % i)]
        expected += [(2000 * i + 1000, b"more" * i)] if i and i % 5 == 0 else []
    assert packets(capture) == expected
    assert capture.info.marks == [Annotation(2000 * i, f"word {i}") for i in (1, 51, 101)]


def test_each_section_has_its_own_interfaces_and_clocks(tmp_path: Path) -> None:
    """Sections of one byte order are read in one go; a number means another interface in each."""
    path = save(
        tmp_path,
        *(section(), interface(), packet(1, b"us"), packet(9, b"stray", number=1)),
        *(section(), interface(link=220), interface(option(9, b"\x03")), packet(2, b"ms", number=1)),
        *(section(), interface(option(14, struct.pack("<q", 5))), packet(3, b"later")),
    )
    file = PacketFile(path)
    assert [(batch.t_ns.tolist(), batch.interface.tolist(), batch.size.tolist()) for batch in file.batches()] == [
        ([1_000, 2_000_000, 5_000_003_000], [0, 2, 3], [2, 2, 5])
    ]
    assert [(one.section, one.number) for one in file.interfaces] == [(0, 0), (1, 0), (1, 1), (2, 0)]
    assert file.notes == ["passed over: 1 packet of an interface that is not described"]


@pytest.mark.parametrize("buffer_bytes", [256, 1000, 3 << 19])
def test_bytes_passed_over_are_counted_through_the_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, buffer_bytes: int
) -> None:
    monkeypatch.setattr(packets_module, "_BUFFER_BYTES", buffer_bytes)
    names = [interface(option(2, name)) for name in (b"bus", b"left", b"right")]
    said = [option(2, struct.pack("<I", flags)) + bytes(4) for flags in (1, 2)]  # received, sent
    parts = [packet(i, bytes(1 + i % 3), number=i % 3, options=said[i % 4 == 3]) for i in range(60)]
    capture = read(save(tmp_path, section(), *names, *parts), interface="0")
    assert len(joined(capture)) == 15
    assert capture.info.notes == [
        "read what was received on bus; passed over: 5 bytes sent on 0 (bus), 30 bytes received on 1 (left),"
        " 10 bytes sent on 1 (left), 45 bytes received on 2 (right), 15 bytes sent on 2 (right)"
    ]


def test_a_byte_order_that_changes_without_end_ends_the_reading_with_a_note(tmp_path: Path) -> None:
    pair = [section(o) + interface(order=o) + packet(1, b"x", order=o) for o in "<>"]
    few = read(save(tmp_path, *pair * 200))
    assert (joined(few), few.info.notes) == (b"x" * 400, [])
    many = read(save(tmp_path, *pair * 600))
    assert joined(many) == b"x" * 501
    at, size = 501 * len(pair[0]), 699 * len(pair[0])
    assert many.info.notes == [
        f"byte {at}: the byte order changes from section to section, again and again;"
        f" not read from there on ({size:,} bytes)"
    ]


def test_a_packet_of_endless_comments_keeps_the_first_and_says_so(tmp_path: Path) -> None:
    comments = b"".join(option(1, b"mark=%d" % i) for i in range(203)) + bytes(4)
    capture = read(save(tmp_path, section(), interface(option(2, b"bus")), packet(7, b"abc", options=comments)))
    assert joined(capture) == b"abc"
    assert capture.info.marks == [Annotation(7000, str(i)) for i in range(200)]
    assert capture.info.notes == ["passed over: 3 comments of packets that have more than 200"]


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
    assert capture.info.notes == ["cut short when recorded: 1 packet, 14 bytes missing"]
    # between packets with times they are where they were
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
    assert capture.info.notes == ["cut short when recorded: 1 packet, 22 bytes missing"]


def test_a_packet_that_claims_more_than_its_block_ends_with_it(tmp_path: Path) -> None:
    lies = bytearray(packet(1, b"abcd"))
    lies[20:28] = struct.pack("<II", 4000, 4000)
    capture = read(save(tmp_path, section(), interface(), bytes(lies), packet(2, b"ef")))
    assert joined(capture) == b"abcdef"
    assert capture.info.notes == ["cut short when recorded: 1 packet, 3,996 bytes missing"]


@pytest.mark.parametrize("order", ["<", ">"])
@pytest.mark.parametrize(
    ("odd", "notes"),
    [
        ({"number": 0}, []),
        ({"number": 1}, ["passed over: 1 packet of an interface that is not described"]),
        ({"length": 9}, ["cut short when recorded: 1 packet, 5 bytes missing"]),
    ],
)
def test_in_a_long_run_of_equal_packets_an_odd_one_counts(
    tmp_path: Path, order: str, odd: dict[str, int], notes: list[str]
) -> None:
    run = [packet(at, b"abcd", order=order) for at in range(3000)]
    run[2500] = packet(2500, b"abcd", order=order, **odd)  # type: ignore[arg-type]
    capture = read(save(tmp_path, section(order), interface(order=order), *run))
    times = [t_ns for t_ns, _ in packets(capture)]
    assert times == [at * 1000 for at in range(3000) if at != 2500 or "number" not in odd or not odd["number"]]
    assert capture.info.notes == notes


def test_a_long_run_of_equal_packets_that_are_all_odd(tmp_path: Path) -> None:
    cut = [packet(at, b"abcd", length=9) for at in range(3000)]
    capture = read(save(tmp_path, section(), interface(), *cut))
    assert len(packets(capture)) == 3000
    assert capture.info.notes == ["cut short when recorded: 3,000 packets, 15,000 bytes missing"]
    stray = [packet(at, b"abcd", number=1) for at in range(3000)]
    capture = read(save(tmp_path, section(), interface(), packet(9, b"ours"), *stray))
    assert packets(capture) == [(9000, b"ours")]
    assert capture.info.notes == ["passed over: 3,000 packets of an interface that is not described"]


@pytest.mark.parametrize(
    ("stamps", "notes"),
    [
        ([5, 5, 9], []),
        ([5, 4], ["the clock goes back once: figures of time that span that mean nothing"]),
        ([9, 5, 4], ["the clock goes back 2 times: figures of time that span that mean nothing"]),
    ],
)
def test_a_clock_that_goes_back_is_noted(tmp_path: Path, stamps: list[int], notes: list[str]) -> None:
    capture = read(save(tmp_path, section(), interface(), *(packet(at, b"a") for at in stamps)))
    assert packets(capture) == [(at * 1000, b"a") for at in stamps]
    assert capture.info.notes == notes
    two_batches = read(save(tmp_path, section(), interface(), packet(9, b"a"), section(), interface(), packet(8, b"b")))
    assert packets(two_batches) == [(9000, b"a"), (8000, b"b")]
    assert two_batches.info.notes == ["the clock goes back once: figures of time that span that mean nothing"]


def test_an_interface_that_is_not_described_is_noted(tmp_path: Path) -> None:
    capture = read(save(tmp_path, section(), interface(), packet(1, b"a"), packet(2, b"b", number=4)))
    assert joined(capture) == b"a"
    assert capture.info.notes == ["passed over: 1 packet of an interface that is not described"]


def test_the_interface_can_be_chosen_by_name_or_number(tmp_path: Path) -> None:
    """Several serial ones whose bytes say nothing are a question, no longer the first of them."""
    faces = [interface(option(2, name)) for name in (b"idle", b"left", b"right")]
    path = save(tmp_path, section(), *faces, packet(1, b"L", number=1), packet(2, b"RR", number=2))
    expected = r"of several serial interfaces: choose one with --interface NUMBER; it holds 1 \(left\), 2 \(right\)"
    with pytest.raises(CaptureError, match=expected):
        read(path)
    capture = read(path, interface="left")
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
    assert joined(read(path, interface="0")) == b"a"
    assert joined(read(path, interface="1")) == b"b"


NOISE = np.random.default_rng(4).bytes(60)


def several(tmp_path: Path, *streams: tuple[int, list[bytes]]) -> str:
    """Interfaces of these link types with these packets, one of each after the other."""
    faces = [interface(option(2, b"port%d" % i), link=link) for i, (link, _) in enumerate(streams)]
    rounds = itertools.zip_longest(*[data for _, data in streams])
    sent = [(number, data) for one in rounds for number, data in enumerate(one) if data is not None]
    return save(tmp_path, section(), *faces, *(packet(at, data, number=n) for at, (n, data) in enumerate(sent)))


@pytest.mark.parametrize(
    ("links", "carrier"),
    [((1, 147), 1), ((147, 1), 0), ((1, 147, 127), 1), ((220, 1, 150), 2), ((113, 228, 147), 2)],
)
def test_among_other_interfaces_the_serial_one_is_taken(tmp_path: Path, links: tuple[int, ...], carrier: int) -> None:
    streams = [(link, [FRAME] * 9 if i == carrier else [NOISE] * 9) for i, link in enumerate(links)]
    capture = read(several(tmp_path, *streams))
    assert (capture.info.source, joined(capture)) == (("port0", "port1", "port2")[carrier], FRAME * 9)


def test_of_several_serial_interfaces_the_one_with_frames_is_taken(tmp_path: Path) -> None:
    path = several(tmp_path, (147, [NOISE] * 9), (147, [FRAME] * 9), (148, [NOISE] * 9))
    capture = read(path)
    assert (capture.info.source, joined(capture)) == ("port1", FRAME * 9)
    assert capture.info.notes == [
        "read what was received on port1; passed over: 540 bytes received on 0 (port0), 540 bytes received on 2 (port2)"
    ]


@pytest.mark.parametrize(
    ("streams", "said"),
    [
        (
            [(147, [FRAME] * 9), (1, [FRAME] * 9), (147, [FRAME] * 9)],
            "of several.*interface NUMBER; .*port0.*port2",
        ),
        ([(1, [FRAME] * 9), (113, [FRAME] * 9)], "frames of several .*interface NUMBER; it holds 0 .port0., 1 .port1."),
        ([(1, [NOISE] * 9), (113, [NOISE] * 9)], "no serial interface and no frames, only 0 .port0., 1 .port1.: .*"),
    ],
)
def test_what_cannot_be_chosen_is_asked(tmp_path: Path, streams: list[tuple[int, list[bytes]]], said: str) -> None:
    path = several(tmp_path, *streams)
    with pytest.raises(CaptureError, match=said):
        read(path)
    assert joined(read(path, interface="port1")) == b"".join(streams[1][1])


def test_an_interface_of_another_kind_is_taken_for_its_frames(tmp_path: Path) -> None:
    capture = read(several(tmp_path, (113, [NOISE] * 9), (1, [FRAME] * 9)))
    assert len(capture.info.notes) == 1  # known before it is read
    assert joined(capture) == FRAME * 9
    assert capture.info.notes[0] == "port1 has link type 1, not 147: its packets are taken as serial bytes"


def test_a_usb_bus_beside_a_serial_line_gives_way_to_it(tmp_path: Path) -> None:
    path = several(tmp_path, (220, [NOISE * 2] * 9), (147, [FRAME] * 9))
    with open_capture(path) as capture:
        assert (capture.info.format, joined(capture)) == ("pcapng", FRAME * 9)


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
    assert capture.info.marks == [Annotation(3000, "bad="), Annotation(3000, "gate\\x1b[31m \\xffclosed")]


def test_usb_alone_is_no_serial_line(tmp_path: Path) -> None:
    with pytest.raises(CaptureError, match="holds no serial interface"):
        read(save(tmp_path, section(), interface(link=220), packet(1, b"u" * 64)))
