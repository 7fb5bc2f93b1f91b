"""Captures in the older pcap layout: both byte orders and units, cut anywhere, USB hosts, what other tools write."""

from __future__ import annotations

import struct
from pathlib import Path

import numpy as np
import pytest

from busbench.capture.base import Capture
from busbench.capture.open import open_capture
from busbench.errors import CaptureError
from busbench.model import Clock, ClockKind
from tests.capture.blocks import joined, packets
from tests.capture.usb_blocks import FRAME, START_US, linux, windows

MAGIC = {6: 0xA1B2C3D4, 9: 0xA1B23C4D}
SECONDS = 1_700_000_000


def header(*, link: int = 147, power: int = 6, order: str = "<") -> bytes:
    return struct.pack(order + "IHHiIII", MAGIC[power], 2, 4, 0, 0, 262_144, link)


def packet(us: float, data: bytes, *, power: int = 6, order: str = "<", length: int = -1) -> bytes:
    sub = round(us * 10 ** (power - 6))
    head = struct.pack(order + "IIII", SECONDS, sub, len(data), len(data) if length < 0 else length)
    return head + data


def opened(tmp_path: Path, *parts: bytes) -> Capture:
    path = tmp_path / "made.pcap"
    path.write_bytes(b"".join(parts))
    return open_capture(str(path))


@pytest.mark.parametrize("order", ["<", ">"])
@pytest.mark.parametrize("power", [6, 9])
@pytest.mark.parametrize("link", [147, 150, 162])
def test_both_byte_orders_and_both_units(tmp_path: Path, order: str, power: int, link: int) -> None:
    sent = [(float(i * 7000), FRAME[: 1 + i % 25]) for i in range(60)]
    capture = opened(
        tmp_path,
        header(link=link, power=power, order=order),
        *(packet(us, data, power=power, order=order) for us, data in sent),
    )
    assert packets(capture) == [(SECONDS * 10**9 + round(us * 1000), data) for us, data in sent]
    assert capture.info.format == "pcap"
    assert capture.info.clock == Clock(ClockKind.PER_READ, 1000 if power == 6 else 1)
    assert (capture.info.start_utc_ns, capture.info.notes) == (0, [])


@pytest.mark.parametrize("sizes", [[25] * 900, [25, 3] * 450, [25] * 70 + [1] + [25] * 5 + [7] * 300, [1, 0, 2] * 300])
def test_runs_of_equal_packets_and_any_others(tmp_path: Path, sizes: list[int]) -> None:
    rng = np.random.default_rng(3)
    sent = [(float(i * 700), rng.bytes(size)) for i, size in enumerate(sizes)]
    capture = opened(tmp_path, header(), *(packet(us, data) for us, data in sent))
    assert packets(capture) == [(SECONDS * 10**9 + round(us * 1000), data) for us, data in sent if data]


def test_bytes_that_look_like_lengths_do_not_mislead(tmp_path: Path) -> None:
    """A run of equal packets ends with the first of another length, whatever the bytes before and after it say."""
    data = struct.pack("<I", 16) * 4
    sent = [data] * 20 + [data[:15]] + [data] * 20 + [b"", data + b"end"]
    capture = opened(tmp_path, header(), *(packet(at, one) for at, one in enumerate(sent)))
    assert [one for _, one in packets(capture)] == [one for one in sent if one]
    assert capture.info.notes == []


def test_long_files_are_read_buffer_by_buffer(tmp_path: Path) -> None:
    data = np.random.default_rng(9).integers(0, 256, 4_000_000, dtype=np.uint8).tobytes()
    cuts = np.sort(np.random.default_rng(5).integers(0, len(data), 4000)).tolist()
    parts = [data[a:b] for a, b in zip([0, *cuts], [*cuts, len(data)], strict=True)]
    assert joined(opened(tmp_path, header(), *(packet(i, part) for i, part in enumerate(parts)))) == data


def test_a_file_cut_anywhere_gives_what_is_whole(tmp_path: Path) -> None:
    whole = [packet(i, FRAME) for i in range(20)]
    size = len(whole[0])
    for cut in range(24, 24 + 4 * size, 7):
        capture = opened(tmp_path, (header() + b"".join(whole))[:cut])
        assert joined(capture) == FRAME * ((cut - 24) // size)
        left = (cut - 24) % size
        at = cut - left
        said = f"byte {at}: the file is cut inside a packet; left out from there on ({left} byte{'s' * (left > 1)})"
        assert capture.info.notes == ([said] if left else [])
    with pytest.raises(CaptureError, match="byte 0: the file is cut inside its first header"):
        opened(tmp_path, header()[:20])


def test_a_packet_of_impossible_length_ends_the_reading(tmp_path: Path) -> None:
    capture = opened(tmp_path, header(), packet(1, FRAME), struct.pack("<IIII", 1, 2, 0x7FFFFFFF, 25), bytes(100))
    assert joined(capture) == FRAME
    assert capture.info.notes == [
        "byte 65: a packet of impossible length 2147483647; not read from there on (116 bytes)"
    ]


def test_packets_cut_by_the_recorder_are_counted(tmp_path: Path) -> None:
    capture = opened(tmp_path, header(), packet(1, b"abc", length=25), packet(2, b"def"))
    assert joined(capture) == b"abcdef"
    assert capture.info.notes == ["cut short when recorded: 1 packet, 22 bytes missing"]


@pytest.mark.parametrize(("link", "order"), [(220, "<"), (220, ">"), (249, "<"), (249, ">")])
def test_a_usb_host_is_read_too(tmp_path: Path, link: int, order: str) -> None:
    """Headers of transfers on Linux have the byte order of the machine, those of Windows never change."""
    one = [linux(START_US, FRAME, order=order)] if link == 220 else [windows(START_US, FRAME)]
    inner = [block[28 : 28 + struct.unpack((order if link == 220 else "<") + "I", block[20:24])[0]] for block in one]
    capture = opened(tmp_path, header(link=link, order=order), *(packet(5, data, order=order) for data in inner))
    assert (capture.info.format, joined(capture)) == ("USB capture", FRAME)
    assert packets(capture)[0][0] == SECONDS * 10**9 + 5000
    assert (capture.info.source, len(capture.info.notes)) == ("USB 1.7", 1)  # none is cut short


def test_another_kind_of_interface_without_frames_is_refused(tmp_path: Path) -> None:
    with pytest.raises(CaptureError, match=r"holds no serial interface and no frames, only 0 \(interface 0\)"):
        opened(tmp_path, header(link=1), packet(1, bytes(60)))
