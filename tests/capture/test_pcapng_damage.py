"""Files that are cut or damaged: all that is whole is given, and the place is named."""

from __future__ import annotations

import contextlib
import struct
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busbench.errors import CaptureError, pluralize
from busbench.line import Chunk
from busbench.model import ByteLog
from tests.capture.blocks import Packet, interface, joined, packet, packets, read, save, section, writer


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
            left_out = pluralize(length - last, "byte")
            assert note == f"byte {last}: the file is cut inside a block; left out from there on ({left_out})"


@pytest.mark.parametrize("length", [0, 8, 13, 62, 1 << 31])
def test_a_block_of_impossible_length_ends_the_reading_with_a_note(tmp_path: Path, length: int) -> None:
    good = b"".join([section(), interface(), packet(1, b"good")])
    path = save(tmp_path, good, struct.pack("<II", 6, length), packet(2, b"more"))
    capture = read(path)
    assert joined(capture) == b"good"
    (note,) = capture.info.notes
    assert note == f"byte {len(good)}: a block of impossible length {length}; not read from there on (44 bytes)"


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
        f"byte {place}: the two lengths of a block differ (60 and 64); not read from there on (60,000 bytes)"
    ]


def test_damage_among_uneven_blocks_is_found(tmp_path: Path) -> None:
    good = b"".join([section(), interface(), *(packet(i, bytes(i + 1)) for i in range(20))])
    for size, what in ((46, "a block of impossible length 46"), (400, "the file is cut inside a block")):
        # its length is where a careless search would look for it
        odd = struct.pack("<II", 6, size) + bytes(32) + struct.pack("<I", size)
        capture = read(save(tmp_path, good, odd))
        assert len(packets(capture)) == 20
        (note,) = capture.info.notes
        assert note.startswith(f"byte {len(good)}: {what}")


@given(at=st.integers(0, 2000), junk=st.binary(min_size=1, max_size=12))
@settings(max_examples=150, deadline=None)
def test_bytes_written_over_take_nothing_that_stands_before_them(
    at: int, junk: bytes, tmp_path_factory: pytest.TempPathFactory
) -> None:
    blocks = [section(), interface(), *(packet(i, bytes(range(i + 4))) for i in range(20))]
    data = bytearray(b"".join(blocks))
    at = min(at, len(data) - 1)
    whole = int(np.searchsorted(np.cumsum([len(block) for block in blocks]), at, "right")) - 2
    data[at : at + len(junk)] = junk
    found: list[Packet] = []
    with contextlib.suppress(CaptureError):
        found = packets(read(save(tmp_path_factory.mktemp("d"), bytes(data))))
    before = [bytes(range(i + 4)) for i in range(whole)]
    # A packet whose time was written over may belong between them by its time.
    assert [sent for _, sent in found if sent in before] == before


def test_a_file_with_no_section_or_interface_says_so(tmp_path: Path) -> None:
    with pytest.raises(CaptureError, match="byte 0: no pcapng section begins here"):
        read(save(tmp_path, b"nothing of the kind"))
    with pytest.raises(CaptureError, match="is empty"):
        read(save(tmp_path, b""))
    with pytest.raises(CaptureError, match="describes no interface"):
        read(save(tmp_path, section()))


@pytest.mark.parametrize("size", [12, 16, 24, 30])
def test_a_section_header_too_short_for_one_is_told(tmp_path: Path, size: int) -> None:
    """Its fixed part alone is 28 bytes."""
    short = struct.pack("<III", 0x0A0D0D0A, size, 0x1A2B3C4D).ljust(size - 4, b"\0") + struct.pack("<I", size)
    with pytest.raises(CaptureError, match=f"byte 0: a section header of impossible length {size}"):
        read(save(tmp_path, short, interface(), packet(0, b"\x0f")))
