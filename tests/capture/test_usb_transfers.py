"""Transfers of a USB host at the limits of their headers, clocks and numbers: each from both sides."""

from __future__ import annotations

import struct
from pathlib import Path

import numpy as np
import pytest

from busbench.capture import packets as packets_module
from busbench.capture import usb
from busbench.capture.base import Capture, ReadOptions
from busbench.errors import CaptureError
from busbench.model import Clock, ClockKind
from tests.capture.blocks import block, interface, joined, option, packets, save, section
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

LOST = b"\x01\x62"  # status bytes that say that bytes were lost
NOISE = np.random.default_rng(4).bytes(100)


def opened(tmp_path: Path, *parts: bytes, device: str | None = None) -> Capture:
    return usb.open_file(save(tmp_path, *parts), ReadOptions(usb_device=device))


def notes(capture: Capture) -> list[str]:
    """What is said besides which adapter it is."""
    list(capture.blocks())
    return capture.info.notes[1:]


def untimed(transfer: bytes) -> bytes:
    """The same in a block without a time."""
    (size,) = struct.unpack_from("<I", transfer, 20)
    return block(3, struct.pack("<I", size) + transfer[28:-4])


@pytest.mark.parametrize(
    ("head", "is_usb"),
    [
        ((section() + interface(link=220))[:38], True),  # up to its link type
        ((section() + interface(link=220))[:37], False),
        (section() + block(5, b"") + interface(link=249), True),  # after the shortest block there is
        (section() + struct.pack("<II", 5, 8) + interface(link=249), False),
        (section() + interface(link=1) + interface(link=220), True),
        (section() + interface(link=220) + interface(link=162), False),
        (section() + interface(link=1), False),
        (section() + block(5, struct.pack("<I", 220)), False),  # no interface, whatever it begins with
        (section() + block(5, struct.pack("<I", 147)) + interface(link=220), True),
        (section()[:12], False),
        (struct.pack("<IHHiIII", 0xA1B2C3D4, 2, 4, 0, 0, 65535, 220), True),
        (struct.pack(">IHHiIII", 0xA1B23C4D, 2, 4, 0, 0, 65535, 249), True),
        (struct.pack("<IHHiIII", 0xA1B2C3D4, 2, 4, 0, 0, 65535, 147), False),
    ],
)
def test_a_usb_host_is_known_by_its_interfaces(head: bytes, is_usb: bool) -> None:
    assert usb.sniff(head) is is_usb


@pytest.mark.parametrize(
    ("faces", "step_ns"),
    [([9], 1_000), ([6], 1_000), ([3], 1_000_000), ([9, 3], 1_000_000), ([3, 6], 1_000_000)],
)
def test_the_clock_is_that_of_the_coarsest_section_and_not_finer_than_a_microsecond(
    tmp_path: Path, faces: list[int], step_ns: int
) -> None:
    sections = [section() + interface(option(9, bytes([one])), link=220) + linux(START_US, FRAME) for one in faces]
    assert opened(tmp_path, *sections).info.clock == Clock(ClockKind.PER_READ, step_ns)


@pytest.mark.parametrize(
    ("more", "said"),
    [
        ({"length": 25}, ["bytes are missing: transfers cut short when captured: 1"]),  # its header alone was captured
        ({"length": 0}, []),
        ({"length": 25, "event": b"S"}, []),
        ({"length": 25, "endpoint": 0x01}, []),
        ({"length": 25, "transfer": 1}, []),
        ({"length": 25, "device": 8}, []),
    ],
)
def test_only_received_transfers_of_the_adapter_are_cut_short(
    tmp_path: Path, more: dict[str, int], said: list[str]
) -> None:
    path = save(tmp_path, linux_file(linux(START_US, FRAME), linux(START_US + 1, b"", **more)))  # type: ignore[arg-type]
    assert notes(usb.open_file(path, ReadOptions(usb_device="1.7"))) == said


def test_a_header_of_windows_alone_is_a_transfer_cut_short(tmp_path: Path) -> None:
    whole = windows(START_US, FRAME)
    body = whole[28 : 28 + 27]
    cut = block(6, whole[8:20] + struct.pack("<II", 27, 27) + body + b"\0")
    assert notes(opened(tmp_path, windows_file(whole, cut))) == [
        "bytes are missing: transfers cut short when captured: 1",
    ]


def test_numbers_of_bus_and_device_have_16_bits_on_windows(tmp_path: Path) -> None:
    transfers = [
        windows(START_US, device_descriptor(0x1A86), bus=300, device=40_000, endpoint=0, transfer=CONTROL),
        windows(START_US + 1, FRAME, bus=300, device=40_000, endpoint=0x8F),
    ]
    capture = opened(tmp_path, windows_file(*transfers), device="300.40000")
    assert (capture.info.source, joined(capture)) == ("USB 300.40000", FRAME)
    assert capture.info.notes == [
        "adapter 300.40000, endpoint 15: a CH340 chip by its vendor id 1a86; its bytes are taken as they are"
    ]


def test_a_descriptor_that_was_sent_to_a_device_is_not_its_own(tmp_path: Path) -> None:
    setup = linux(START_US, device_descriptor(0x1A86), endpoint=0x00, transfer=CONTROL)
    capture = opened(tmp_path, linux_file(setup, linux(START_US + 1, FRAME)))
    assert "no vendor id is seen" in capture.info.notes[0]


@pytest.mark.parametrize(
    ("stamps_us", "found"),
    [
        ([1, None, 3], [(1_000, b"A"), (1_000, b"B"), (3_000, b"C")]),
        ([None, 2], [(0, b"A"), (2_000, b"B")]),
        ([1, 3, None, None], [(1_000, b"A"), (3_000, b"B"), (3_000, b"C"), (3_000, b"D")]),
    ],
)
def test_a_transfer_without_a_time_has_that_of_the_one_before(
    tmp_path: Path, stamps_us: list[int | None], found: list[tuple[int, bytes]]
) -> None:
    made = [
        untimed(linux(0, data)) if us is None else linux(us, data)
        for us, data in zip(stamps_us, [b"A", b"B", b"C", b"D"], strict=False)
    ]
    assert packets(opened(tmp_path, linux_file(*made))) == found


def test_lost_bytes_are_counted_over_all_buffers(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Every status may say so, also one with nothing after it."""
    monkeypatch.setattr(packets_module, "_BUFFER_BYTES", 1024)
    data = linux_file(*(linux(START_US + at, ftdi(FRAME if at % 2 else b"", status=LOST)) for at in range(30)))
    capture = opened(tmp_path, data)
    for _ in range(2):
        assert notes(capture) == [
            "bytes are missing: times the adapter says it lost some, not fetched soon enough: 30",
        ]
    assert joined(capture) == FRAME * 15


def test_transfers_cut_short_are_counted_over_all_buffers(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(packets_module, "_BUFFER_BYTES", 1024)
    data = linux_file(*(linux(START_US + 7 * at, FRAME, length=26) for at in range(30)))
    capture = opened(tmp_path, data)
    assert [t_ns for t_ns, _ in packets(capture)] == [(START_US + 7 * at) * 1000 for at in range(30)]
    assert notes(capture) == ["bytes are missing: transfers cut short when captured: 30"]


def test_the_port_that_carries_frames_is_found_after_the_first_buffer(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(packets_module, "_BUFFER_BYTES", 1024)
    keys = [linux(START_US + at, NOISE, device=3) for at in range(30)]
    late = [linux(START_US + 100 + at, FRAME, endpoint=0x81 if at % 4 else 0x82) for at in range(7)]
    data = linux_file(*keys, *late)
    with pytest.raises(CaptureError) as caught:
        opened(tmp_path, data)
    said = "holds bytes of several devices: choose with --usb-device 1.7.1, which carries frames; it holds "
    assert str(caught.value).endswith(said + "1.3 (3,000 bytes), 1.7.1 (125 bytes), 1.7.2 (50 bytes)")
    for device, size in (("1.7.1", 125), ("1.7.2", 50), ("1.3", 3_000)):
        assert len(joined(opened(tmp_path, data, device=device))) == size


def test_an_interface_that_shows_only_empty_transfers_of_the_bus_gives_way(tmp_path: Path) -> None:
    faces = section() + interface(link=220) * 2
    assert joined(opened(tmp_path, faces, linux(START_US, b""), linux(START_US, FRAME, number=1))) == FRAME


def test_what_was_read_cannot_be_changed(tmp_path: Path) -> None:
    (log,) = opened(tmp_path, linux_file(linux(START_US, ftdi(FRAME)))).blocks()
    assert log.bad is not None
    assert not any(column.flags.writeable for column in (log.data, log.mark_end, log.mark_t_ns, log.bad))


def test_where_no_port_carries_frames_the_first_is_an_example(tmp_path: Path) -> None:
    data = linux_file(linux(START_US, FRAME, endpoint=0x83), linux(START_US, FRAME * 2))
    with pytest.raises(CaptureError, match=r"of one device: choose with --usb-device 1\.7\.1; it holds 1\.7\.1 \(50 b"):
        opened(tmp_path, data)


@pytest.mark.parametrize(("device", "data"), [("1.7.1", FRAME), ("1.7.3", NOISE), ("2.7.1", None), ("1.7.2", None)])
def test_a_port_is_chosen_by_bus_device_and_endpoint(tmp_path: Path, device: str, data: bytes | None) -> None:
    file = linux_file(linux(START_US, FRAME), linux(START_US, NOISE, endpoint=0x83), linux(START_US, NOISE, device=6))
    if data is None:
        with pytest.raises(CaptureError):
            opened(tmp_path, file, device=device)
    else:
        assert joined(opened(tmp_path, file, device=device)) == data


def test_a_device_without_received_bytes_is_no_choice(tmp_path: Path) -> None:
    """Status bytes alone are none, so nothing is left to choose from."""
    file = linux_file(linux(START_US, IDLE))
    with pytest.raises(CaptureError, match=r"USB device 1\.7 received no bytes: no device in it received any"):
        opened(tmp_path, file, device="1.7")
    assert joined(opened(tmp_path, file, linux(START_US + 1, FRAME, device=9))) == FRAME


def test_each_adapter_has_the_slices_of_its_own_descriptor(tmp_path: Path) -> None:
    payload = FRAME * 10
    transfers = [
        linux(START_US, device_descriptor(0x0403), endpoint=0x80, transfer=CONTROL, device=5),
        linux(START_US, configuration(512), endpoint=0x80, transfer=CONTROL, device=5),
        linux(START_US, device_descriptor(0x0403), endpoint=0x80, transfer=CONTROL),
        linux(START_US, configuration(64), endpoint=0x80, transfer=CONTROL),
        linux(START_US + 1, ftdi(payload, 512), device=5),
        linux(START_US + 2, ftdi(payload, 64)),
    ]
    for device, slice_bytes in (("1.5", 512), ("1.7", 64)):
        capture = opened(tmp_path, linux_file(*transfers), device=device)
        assert joined(capture) == payload
        assert f"taken out of every {slice_bytes} (by its descriptor)" in capture.info.notes[0]


def test_a_bus_seen_on_linux_and_on_windows_is_read_by_its_first_interface(tmp_path: Path) -> None:
    mixed = [windows(START_US, FRAME), linux(START_US, FRAME, number=1), windows(START_US + 7_000, FRAME)]
    capture = opened(tmp_path, section(), interface(link=249), interface(link=220), *mixed)
    assert packets(capture) == [(START_US * 1_000, FRAME), ((START_US + 7_000) * 1_000, FRAME)]
