"""Packet captures at the limits of their lengths: each from both sides."""

from __future__ import annotations

import io
import struct
from pathlib import Path

import pytest

from busbench.capture import packets as packets_module
from busbench.capture.base import Capture
from busbench.capture.open import open_capture
from busbench.capture.packets import PacketFile
from busbench.errors import CaptureError
from tests.capture.blocks import block, interface, joined, option, packet, packets, read, save, section
from tests.capture.test_pcap import header
from tests.capture.test_pcap import packet as old_packet

MOST = 64 << 20  # bytes of a block, and of a packet in the older layout


def notes(*parts: bytes) -> list[str]:
    """What is said of a capture that has one good packet."""
    capture = open_capture(io.BytesIO(b"".join(parts)))
    assert joined(capture) == b"good"
    return capture.info.notes


@pytest.mark.parametrize("kind", [6, 5])
@pytest.mark.parametrize(
    ("size", "said"),
    [(MOST, "the file is cut inside a block; left out from"), (MOST + 4, f"a block of impossible length {MOST + 4};")],
)
def test_a_block_has_64_mebibytes_at_most(kind: int, size: int, said: str) -> None:
    whole = section() + interface() + packet(1, b"good")
    (note,) = notes(whole, struct.pack("<II", kind, size), bytes(40))
    assert note.startswith(f"byte {len(whole)}: {said}")


@pytest.mark.parametrize(
    ("size", "said"),
    [
        (MOST, "the file is cut inside a packet; left out from"),
        (MOST + 1, f"a packet of impossible length {MOST + 1};"),
    ],
)
def test_a_packet_of_the_older_layout_has_64_mebibytes_at_most(size: int, said: str) -> None:
    whole = header() + old_packet(1, b"good")
    (note,) = notes(whole, struct.pack("<IIII", 1, 2, size, size), bytes(40))
    assert note.startswith(f"byte {len(whole)}: {said}")


@pytest.mark.parametrize(
    ("order", "size", "said"),
    [
        (">", 28, ""),
        (">", 24, "a section header of impossible length 24"),
        (">", 30, "a section header of impossible length 30"),
        (">", MOST, "the file is cut inside a block"),
        (">", MOST + 4, f"a section header of impossible length {MOST + 4}"),
        ("<", 28, ""),
        ("<", 24, "a section header of impossible length 24"),
        ("<", 30, "a block of impossible length 30"),
        ("<", MOST, "the file is cut inside a block"),
        ("<", MOST + 4, f"a block of impossible length {MOST + 4}"),
    ],
)
def test_lengths_of_a_second_section(order: str, size: int, said: str) -> None:
    whole = section() + interface() + packet(1, b"good")
    second = struct.pack(order + "IIIIqI", 0x0A0D0D0A, size, 0x1A2B3C4D, 1, -1, size)
    found = notes(whole, second)
    assert [note.split(";")[0] for note in found] == ([f"byte {len(whole)}: {said}"] if said else [])


@pytest.mark.parametrize(
    ("second", "said"),
    [
        (struct.pack(">IIIIqI", 0x0A0D0D0A, 28, 0x1A2B3C4D, 1, -1, 32), "the two lengths of a section header differ"),
        (
            struct.pack("<IIIIqI", 0x0A0D0D0A, 28, 0x1A2B3C4E, 1, -1, 28),
            "a pcapng section begins here, but its byte order cannot be known",
        ),
    ],
)
def test_a_second_section_that_cannot_be_read_ends_the_reading(second: bytes, said: str) -> None:
    whole = section() + interface() + packet(1, b"good")
    assert notes(whole, second, packet(2, b"more")) == [f"byte {len(whole)}: {said}; not read from there on"]


@pytest.mark.parametrize("cut", [0, 1, 4, 8, 11, 12, 27])
def test_a_first_section_that_is_cut_is_no_other_format(tmp_path: Path, cut: int) -> None:
    path = save(tmp_path, section()[:cut])
    said = "file is empty" if not cut else "byte 0: the file is cut inside its first block"
    with pytest.raises(CaptureError, match=said):
        list(PacketFile(path).batches())


def test_a_header_of_the_older_layout_alone_holds_no_bytes() -> None:
    capture = open_capture(io.BytesIO(header()))
    assert (joined(capture), capture.info.notes) == (b"", [])


@pytest.mark.parametrize("size", [0, 1])
def test_the_last_packet_of_the_older_layout_may_be_empty(size: int) -> None:
    assert notes(header(), old_packet(1, b"good"), old_packet(2, b"", length=size)) == (
        ["cut short when recorded: 1 packet, 1 byte missing"] if size else []
    )


@pytest.mark.parametrize(
    ("kind", "body", "said"),
    [
        # simple: a length, then the bytes
        (3, struct.pack("<I", 9), ["cut short when recorded: 1 packet, 9 bytes missing"]),
        (3, b"", []),  # too short for one
        # obsolete: interface, drops, time, captured and true length, then the bytes
        (2, struct.pack("<HHIIII", 0, 0, 0, 2, 0, 9), ["cut short when recorded: 1 packet, 9 bytes missing"]),
        (2, struct.pack("<HHIII", 0, 0, 0, 2, 0), []),
        (2, struct.pack("<HHIIII", 1, 0, 0, 2, 0, 9), ["passed over: 1 packet of an interface that is not described"]),
        # enhanced: interface, time, captured and true length
        (6, struct.pack("<IIIII", 0, 0, 2, 0, 9), ["cut short when recorded: 1 packet, 9 bytes missing"]),
        (6, struct.pack("<IIII", 0, 0, 2, 0), []),
        (6, struct.pack("<IIIII", 1, 0, 2, 0, 9), ["passed over: 1 packet of an interface that is not described"]),
    ],
)
def test_packets_without_a_byte_are_counted_where_they_are_whole(kind: int, body: bytes, said: list[str]) -> None:
    assert notes(section(), interface(), packet(1, b"good"), block(kind, body)) == said


def test_only_a_packet_without_its_own_length_is_cut_at_the_longest_of_its_interface(tmp_path: Path) -> None:
    obsolete = block(2, struct.pack("<HHIIII", 0, 0, 0, 5, 8, 8) + b"obsolete")
    simple = block(3, struct.pack("<I", 6) + b"simple\0\0")
    capture = read(save(tmp_path, section(), interface(snaplen=4), obsolete, simple, packet(7, b"whole")))
    assert packets(capture) == [(5_000, b"obsolete"), (7_000, b"simpwhole")]


def test_simple_packets_of_a_section_without_an_interface_are_passed_over() -> None:
    simple = block(3, struct.pack("<I", 4) + b"lost")
    said = ["passed over: 1 packet of an interface that is not described"]
    assert notes(section(), interface(), packet(1, b"good"), section(), simple) == said


def opened(monkeypatch: pytest.MonkeyPatch, buffer_bytes: int, *parts: bytes) -> Capture:
    monkeypatch.setattr(packets_module, "_BUFFER_BYTES", buffer_bytes)
    return open_capture(io.BytesIO(b"".join(parts)))


@pytest.mark.parametrize("size", [900, 1100, 5000])
def test_a_packet_longer_than_the_buffer_is_read_whole(monkeypatch: pytest.MonkeyPatch, size: int) -> None:
    data = bytes(i % 251 for i in range(size))
    expected = [(1_000, b"before"), (2_000, data), (3_000, b"after")]
    sent = [packet(t_ns // 1000, one) for t_ns, one in expected]
    assert packets(opened(monkeypatch, 1000, section(), interface(), *sent)) == expected
    older = [old_packet(t_ns / 1000, one) for t_ns, one in expected]
    found = packets(opened(monkeypatch, 1000, header(), *older))
    assert [(t_ns - found[0][0], one) for t_ns, one in found] == [(t_ns - 1_000, one) for t_ns, one in expected]


def test_options_of_another_length_or_code_are_no_direction(tmp_path: Path) -> None:
    """A direction has four bytes: others leave a packet received, as its interface says."""
    sent = struct.pack("<I", 2)
    options = [option(2, sent[:2]), option(2, sent + sent), option(4, sent), option(2, sent)]
    parts = [packet(at, b"%d" % at, options=one + option(3, b"more") + bytes(4)) for at, one in enumerate(options)]
    capture = read(save(tmp_path, section(), interface(option(2, b"bus")), *parts))
    assert joined(capture) == b"012"
    assert capture.info.notes == ["read what was received on bus; passed over: 1 byte sent on 0 (bus)"]


@pytest.mark.parametrize("size", [32, 224, 480, 4064])
def test_packets_that_end_where_a_search_for_more_ends(tmp_path: Path, size: int) -> None:
    """A search covers 4,096 bytes, then four times as many; a packet has a frame of 32 bytes."""
    sent = [bytes([at]) * size for at in range(170)]
    capture = read(save(tmp_path, section(), interface(), *(packet(at, data) for at, data in enumerate(sent))))
    assert packets(capture) == [(1_000 * at, data) for at, data in enumerate(sent)]
    assert capture.info.notes == []


@pytest.mark.parametrize("buffer_bytes", range(1000, 1048, 4))
def test_packets_that_end_with_the_buffer(monkeypatch: pytest.MonkeyPatch, buffer_bytes: int) -> None:
    """Every second has a direction, so that each end of a block is looked at for options."""
    received = option(2, struct.pack("<I", 1)) + bytes(4)
    sent = [(1_000 * at, b"packet%02d" % at) for at in range(40)]
    blocks = [packet(t_ns // 1000, data, options=received if at % 2 else b"") for at, (t_ns, data) in enumerate(sent)]
    assert packets(opened(monkeypatch, buffer_bytes, section(), interface(), *blocks)) == sent
    older = [old_packet(t_ns / 1000, data) for t_ns, data in sent]
    assert [data for _, data in packets(opened(monkeypatch, buffer_bytes, header(), *older))] == [
        one for _, one in sent
    ]
