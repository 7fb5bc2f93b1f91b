"""Captures of a USB host: one adapter's received bytes, whatever its chip puts around them."""

from __future__ import annotations

from pathlib import Path

import pytest

from busbench.capture import usb
from busbench.capture.base import Capture, ReadOptions
from busbench.capture.open import open_capture
from busbench.errors import CaptureError
from busbench.model import Clock, ClockKind
from tests.capture.blocks import interface, joined, packet, packets, save, section
from tests.capture.usb_blocks import (
    CONTROL,
    FRAME,
    IDLE,
    START_US,
    configuration,
    device_descriptor,
    ftdi,
    linux,
    linux_file,
    windows,
    windows_file,
)

LONG = bytes(range(256)) * 4


def opened(tmp_path: Path, data: bytes, *, device: str | None = None) -> Capture:
    return usb.open_file(save(tmp_path, data), ReadOptions(usb_device=device))


def bad_places(capture: Capture) -> list[int]:
    return [
        log.offset + i for log in capture.blocks() if log.bad is not None for i, b in enumerate(log.bad.tolist()) if b
    ]


def control(us: int, data: bytes) -> bytes:
    return linux(us, data, endpoint=0x80, transfer=CONTROL)


@pytest.mark.parametrize("link", [220, 249])
def test_usb_interfaces_are_recognised(link: int) -> None:
    assert usb.sniff(section() + interface(link=link))
    assert usb.sniff(section(">") + interface(link=link, order=">"))


@pytest.mark.parametrize(
    "head",
    [
        b"",
        b"\x0a\x0d\x0d\x0a",
        section(),
        section() + interface(link=147),
        section() + interface(link=147) + interface(link=220),
        (section() + interface(link=220))[:34],
        b"time,byte\n0.1,0x0F\n",
    ],
)
def test_other_files_are_not(head: bytes) -> None:
    assert not usb.sniff(head)


def test_a_plain_chip_gives_the_bytes_of_each_transfer(tmp_path: Path) -> None:
    path = save(
        tmp_path,
        linux_file(
            control(START_US, device_descriptor(0x10C4)),
            linux(START_US + 5, b"", event=b"S", length=512),
            linux(START_US + 7_000, FRAME[:11]),
            linux(START_US + 8_000, FRAME[11:]),
            linux(START_US + 8_100, b"sent", endpoint=0x02, event=b"S"),
            linux(START_US + 8_200, b"", endpoint=0x02, length=4),
            linux(START_US + 8_300, b"interrupt", endpoint=0x83, transfer=1),
            linux(START_US + 8_400, b"interrupt", transfer=1),
        ),
    )
    with open_capture(path) as capture:
        expected = [((START_US + 7_000) * 1000, FRAME[:11]), ((START_US + 8_000) * 1000, FRAME[11:])]
        assert packets(capture) == expected
        assert packets(capture) == expected  # as often as needed
        info = capture.info
        assert (info.format, info.source, info.start_utc_ns) == ("USB capture", "USB 1.7", 0)
        assert info.clock == Clock(ClockKind.PER_READ, 1_000)
        assert info.notes == [
            "adapter 1.7, endpoint 1: a CP210x chip by its vendor id 10c4; its bytes are taken as they are"
        ]


@pytest.mark.parametrize(
    ("vendor", "chip"), [(0x1A86, "a CH340 chip"), (0x067B, "a PL2303 chip"), (0x10C4, "a CP210x chip")]
)
def test_a_known_plain_chip_keeps_bytes_that_look_like_status(tmp_path: Path, vendor: int, chip: str) -> None:
    data = linux_file(control(START_US, device_descriptor(vendor)), linux(START_US + 1, IDLE + FRAME))
    capture = opened(tmp_path, data)
    assert joined(capture) == IDLE + FRAME
    assert chip in capture.info.notes[0]


@pytest.mark.parametrize("slice_bytes", [64, 512])
def test_status_bytes_are_taken_out_of_every_slice_by_descriptor(tmp_path: Path, slice_bytes: int) -> None:
    data = linux_file(
        control(START_US, device_descriptor(0x0403)),
        control(START_US + 1, configuration(slice_bytes)),
        linux(START_US + 1_000, IDLE),
        linux(START_US + 2_000, ftdi(LONG, slice_bytes)),
        linux(START_US + 3_000, ftdi(FRAME, slice_bytes)),
    )
    capture = opened(tmp_path, data)
    assert packets(capture) == [((START_US + 2_000) * 1000, LONG), ((START_US + 3_000) * 1000, FRAME)]
    assert capture.info.notes == [
        "adapter 1.7, endpoint 1: an FTDI chip by its vendor id 0403; "
        f"2 status bytes are taken out of every {slice_bytes} (by its descriptor)"
    ]


@pytest.mark.parametrize("slice_bytes", [64, 512])
@pytest.mark.parametrize("status", [b"\x01\x60", b"\x31\x60", b"\x02\x60"])
def test_chip_and_slices_are_told_by_the_data_alone(tmp_path: Path, slice_bytes: int, status: bytes) -> None:
    data = linux_file(
        linux(START_US, status),
        linux(START_US + 1_000, ftdi(LONG, slice_bytes, status)),
        linux(START_US + 2_000, ftdi(FRAME, slice_bytes, status)),
    )
    capture = opened(tmp_path, data)
    assert joined(capture) == LONG + FRAME
    assert (
        f"every transfer begins with status bytes; 2 status bytes are taken out of every {slice_bytes}"
        in (capture.info.notes[0])
    )


def test_the_descriptor_outweighs_the_data(tmp_path: Path) -> None:
    payload = IDLE * 500
    data = linux_file(
        control(START_US, device_descriptor(0x0403)),
        control(START_US + 1, configuration(512)),
        linux(START_US + 2, ftdi(payload, 512)),
    )
    assert joined(opened(tmp_path, data)) == payload


def test_bytes_that_a_header_says_are_absent_are_not_taken(tmp_path: Path) -> None:
    data = linux_file(linux(START_US, FRAME), linux(START_US + 1, b"stale", no_data=ord("Z")))
    assert joined(opened(tmp_path, data)) == FRAME


def test_without_status_bytes_an_unknown_chip_is_plain(tmp_path: Path) -> None:
    capture = opened(tmp_path, linux_file(linux(START_US, ftdi(FRAME)), linux(START_US + 1, FRAME)))
    assert joined(capture) == ftdi(FRAME) + FRAME
    assert "a plain chip, for no status bytes are seen (no vendor id is seen)" in capture.info.notes[0]


@pytest.mark.parametrize("fault", [0x04, 0x08, 0x10])
def test_faults_in_a_slice_mark_its_bytes(tmp_path: Path, fault: int) -> None:
    slices = IDLE + LONG[:62] + bytes([0x01, 0x60 | fault]) + LONG[62:124] + IDLE + LONG[124:130]
    capture = opened(tmp_path, linux_file(linux(START_US, slices), linux(START_US + 1, ftdi(FRAME))))
    assert joined(capture) == LONG[:130] + FRAME
    assert bad_places(capture) == list(range(62, 124))


def test_lost_bytes_are_noted(tmp_path: Path) -> None:
    capture = opened(tmp_path, linux_file(linux(START_US, ftdi(FRAME, status=b"\x01\x62"))))
    assert bad_places(capture) == []
    assert capture.info.notes[1] == "bytes are missing: times the adapter says it lost some, not fetched soon enough: 1"


def test_captures_on_windows(tmp_path: Path) -> None:
    data = windows_file(
        windows(START_US, device_descriptor(0x0403), endpoint=0x80, transfer=CONTROL),
        windows(START_US + 1_000, b"", info=0),
        windows(START_US + 2_000, ftdi(FRAME)),
        windows(START_US + 3_000, ftdi(LONG), header_bytes=40),
        windows(START_US + 4_000, b"sent", endpoint=0x02, info=0),
    )
    capture = opened(tmp_path, data)
    assert packets(capture) == [((START_US + 2_000) * 1000, FRAME), ((START_US + 3_000) * 1000, LONG)]


def test_headers_in_the_other_byte_order(tmp_path: Path) -> None:
    capture = opened(tmp_path, linux_file(linux(START_US, FRAME, order=">"), order=">"))
    assert packets(capture) == [(START_US * 1000, FRAME)]
    assert capture.info.source == "USB 1.7"


def test_several_devices_are_listed(tmp_path: Path) -> None:
    data = linux_file(
        linux(START_US, FRAME),
        linux(START_US + 1, FRAME * 2, device=9, bus=2),
        linux(START_US + 2, IDLE, device=3),
    )
    with pytest.raises(CaptureError) as caught:
        opened(tmp_path, data)
    words = "holds bytes of several devices: choose with --usb-device 1.7; it holds 1.7 (25 bytes), 2.9 (50 bytes)"
    assert str(caught.value).endswith(words)
    assert joined(opened(tmp_path, data, device="2.9")) == FRAME * 2
    assert joined(opened(tmp_path, data, device="1.7")) == FRAME


@pytest.mark.parametrize("chip", ["plain", "ftdi"])
def test_of_several_devices_the_one_that_carries_frames_is_named(tmp_path: Path, chip: str) -> None:
    """The first by its number may be a disk."""
    frames = ftdi(FRAME * 5, 64) if chip == "ftdi" else FRAME * 5
    data = linux_file(
        linux(START_US, bytes(range(256)) * 2, device=3),
        linux(START_US + 1, frames, device=9, bus=2),
        linux(START_US + 2, b"keys" * 20, device=4, bus=2),
    )
    with pytest.raises(CaptureError) as caught:
        opened(tmp_path, data)
    assert str(caught.value).endswith(
        "holds bytes of several devices: choose with --usb-device 2.9, which carries frames;"
        " it holds 1.3 (512 bytes), 2.4 (80 bytes), 2.9 (125 bytes)"
    )


def test_two_ports_of_one_device_are_told_apart(tmp_path: Path) -> None:
    data = linux_file(linux(START_US, FRAME), linux(START_US + 1, FRAME * 2, endpoint=0x83))
    with pytest.raises(CaptureError, match=r"several ports .* 1\.7\.1 \(25 bytes\), 1\.7\.3 \(50 bytes\)"):
        opened(tmp_path, data, device="1.7")
    assert joined(opened(tmp_path, data, device="1.7.3")) == FRAME * 2


@pytest.mark.parametrize(
    ("device", "words"),
    [
        ("1.8", r"USB device 1\.8 received no bytes: .* 1\.7 \(25 bytes\)"),
        ("seven", '"seven" is not a USB device: give bus.device, as in 1.7'),
        ("1.7\x1b[31m", "is not a USB device"),
    ],
)
def test_a_wrong_choice_says_what_there_is(tmp_path: Path, device: str, words: str) -> None:
    with pytest.raises(CaptureError, match=words) as caught:
        opened(tmp_path, linux_file(linux(START_US, FRAME)), device=device)
    assert "\x1b" not in str(caught.value)


@pytest.mark.parametrize("some", [(), (linux(START_US, IDLE),), (linux(START_US, b"sent", endpoint=2),)])
def test_a_capture_without_received_bytes_says_so(tmp_path: Path, some: tuple[bytes, ...]) -> None:
    with pytest.raises(CaptureError, match="no completed bulk-in transfer has any; capture the bus of the adapter"):
        opened(tmp_path, linux_file(*some))


def test_what_was_cut_is_noted(tmp_path: Path) -> None:
    whole = linux_file(linux(START_US, FRAME), linux(START_US + 1, FRAME[:9], length=25))
    capture = opened(tmp_path, whole + linux(START_US + 2, FRAME)[:-7])
    assert joined(capture) == FRAME + FRAME[:9]
    assert capture.info.notes[1] == "bytes are missing: transfers cut short when captured: 1"
    assert f"byte {len(whole)}: the file is cut inside a block" in capture.info.notes[2]


@pytest.mark.parametrize("cut", range(0, 300, 7))
def test_a_file_cut_anywhere_gives_what_was_whole(tmp_path: Path, cut: int) -> None:
    data = linux_file(linux(START_US, FRAME), linux(START_US + 1, FRAME))[:cut]
    try:
        found = joined(opened(tmp_path, data))
    except CaptureError:
        found = b""
    assert found == FRAME * min(max((cut - 48) // 124, 0), 2)


def test_one_bus_seen_by_two_interfaces_counts_once(tmp_path: Path) -> None:
    def capture(us: int) -> bytes:
        return section() + interface(link=220) * 2 + linux(us, FRAME) + linux(us, FRAME, number=1)

    assert joined(opened(tmp_path, capture(START_US))) == FRAME
    assert joined(opened(tmp_path, capture(START_US) + capture(START_US + 7_000))) == FRAME * 2


def test_packets_too_short_for_a_header_are_passed_over(tmp_path: Path) -> None:
    data = linux_file(packet(START_US, bytes(40)), linux(START_US, FRAME), packet(START_US, b""))
    assert joined(opened(tmp_path, data)) == FRAME


def test_a_header_longer_than_its_packet_gives_no_bytes(tmp_path: Path) -> None:
    lying = windows(START_US, FRAME).replace(b"\x1b\0", b"\xff\xff", 1)
    capture = opened(tmp_path, windows_file(lying, windows(START_US + 1, FRAME)))
    assert joined(capture) == FRAME
    assert capture.info.notes[1:] == ["bytes are missing: transfers cut short when captured: 1"]
