"""What is known of an adapter from its descriptors and its transfers, each rule from both sides."""

from __future__ import annotations

import numpy as np
import pytest

from busbench.capture.usb_chip import Port, PortKey, Ports, slices_of
from tests.capture.usb_blocks import configuration, device_descriptor

CONFIGURATION = configuration(512)
ENDPOINT = bytes([7, 5, 0x81, 2, 0, 2, 0])


def sizes(data: bytes) -> dict[PortKey, int]:
    ports = Ports()
    ports.read_control(1, 7, data)
    return ports.packets


@pytest.mark.parametrize(
    ("data", "found"),
    [
        (CONFIGURATION, {1: 512}),
        (configuration(64, endpoint=0x83), {3: 64}),
        (CONFIGURATION[:9] + ENDPOINT, {1: 512}),
        (CONFIGURATION[:9] + ENDPOINT[:6], {1: 512}),  # its last byte is of no use
        (CONFIGURATION[:9] + ENDPOINT[:5], {}),
        (CONFIGURATION[:9], {}),
        (CONFIGURATION[:8] + ENDPOINT, {}),  # it ends inside its first descriptor
        (b"\x0a" + CONFIGURATION[1:], {}),  # no configuration
        (CONFIGURATION[:1] + b"\x04" + CONFIGURATION[2:], {}),
        (bytes([9, 4, 0, 0, 2, 255, 255, 255, 0]) + ENDPOINT, {}),
        (CONFIGURATION[:9] + b"\x01" + ENDPOINT, {}),  # a length that leads nowhere
        (CONFIGURATION[:9] + b"\x02\x24" + ENDPOINT, {1: 512}),
        (CONFIGURATION[:9] + ENDPOINT[:2] + b"\x01" + ENDPOINT[3:], {}),  # towards the adapter
        (CONFIGURATION[:9] + ENDPOINT[:3] + b"\x03" + ENDPOINT[4:], {}),  # no bulk endpoint
        (CONFIGURATION[:9] + ENDPOINT[:4] + b"\x40\x18" + ENDPOINT[6:], {1: 64}),  # with 3 transfers a microframe
    ],
)
def test_packet_sizes_of_endpoints(data: bytes, found: dict[int, int]) -> None:
    assert sizes(data) == {PortKey(1, 7, endpoint): size for endpoint, size in found.items()}


@pytest.mark.parametrize(
    ("data", "vendor"),
    [
        (device_descriptor(0x0403), 0x0403),
        (device_descriptor(0x0403)[:10], 0x0403),
        (device_descriptor(0x0403)[:9], None),
        (b"\x11" + device_descriptor(0x0403)[1:], None),
        (device_descriptor(0x0403)[:1] + b"\x02" + device_descriptor(0x0403)[2:], None),
    ],
)
def test_vendors_of_devices(data: bytes, vendor: int | None) -> None:
    ports = Ports()
    ports.read_control(1, 7, data)
    assert ports.vendors.get((1, 7)) == vendor


def port(*transfers: bytes, vendor: int | None = None, packet_bytes: int = 0) -> Port:
    buffer = np.frombuffer(b"".join(transfers) + bytes(600), np.uint8)
    size = np.array([len(one) for one in transfers], np.int64)
    made = Port(vendor=vendor, packet_bytes=packet_bytes)
    made.add(buffer, np.cumsum(size) - size, size)
    return made


STATUS, PLAIN = b"\x01\x60", b"\x0f\x55"


@pytest.mark.parametrize(
    ("made", "slice_bytes", "received"),
    [
        (port(STATUS + b"\x55", STATUS), 64, 1),
        (port(STATUS + b"\x55", PLAIN), 0, 5),  # one transfer without status bytes
        (port(STATUS + b"\x55", b"", STATUS), 64, 1),
        (port(), 0, 0),
        (port(PLAIN, vendor=0x0403), 64, 0),
        (port(STATUS + b"\x55", vendor=0x10C4), 0, 3),
        (port(STATUS + b"\x55", vendor=0x1234), 64, 1),
        (port(b"\x02\x60", b"\x31\x64", b"\x32\x70"), 64, 0),
        (port(b"\x03\x60"), 0, 2),
        (port(b"\x01\x40"), 0, 2),
        (port(b"\x01\x20"), 0, 2),
        (port(STATUS + b"\x55" * 62 + STATUS + b"\x55" * 9), 64, 71),
        (
            port(STATUS + b"\x55" * 62 + PLAIN + b"\x55" * 9),
            512,
            73,
        ),  # no status bytes where the second slice would begin
        (port(STATUS + b"\x55" * 63), 64, 61),  # too short to show it
        (port(*[STATUS + b"\x55" * 62 + STATUS] * 9, STATUS + b"\x55" * 64), 64, 9 * 62 + 62),  # in nine of ten
        (port(*[STATUS + b"\x55" * 62 + STATUS] * 8, STATUS + b"\x55" * 64), 512, 8 * 64 + 64),
        (port(STATUS + b"\x55" * 62 + STATUS, packet_bytes=512), 512, 64),
        (port(STATUS + b"\x55" * 64, packet_bytes=64), 64, 62),
        (port(STATUS + b"\x55" * 64, packet_bytes=32), 512, 64),  # no size of this chip
    ],
)
def test_slices_of_transfers(made: Port, slice_bytes: int, received: int) -> None:
    assert (made.slice_bytes, made.received) == (slice_bytes, received)
    assert made.has_status is (slice_bytes > 0)


def test_ports_that_received_something_are_listed_in_order() -> None:
    ports = Ports()
    ports.known = {
        PortKey(2, 3, 1): port(PLAIN),
        PortKey(1, 9, 2): port(STATUS),
        PortKey(1, 7, 1): port(STATUS + b"\x55"),
    }
    ports.read_control(1, 7, device_descriptor(0x0403))
    ports.read_control(1, 7, CONFIGURATION)
    found = ports.close()
    assert list(found) == [PortKey(1, 7, 1), PortKey(2, 3, 1)]
    assert (found[PortKey(1, 7, 1)].vendor, found[PortKey(1, 7, 1)].packet_bytes) == (0x0403, 512)
    assert (found[PortKey(2, 3, 1)].vendor, found[PortKey(2, 3, 1)].packet_bytes) == (None, 0)


def test_transfers_are_cut_into_slices() -> None:
    start, size, count = slices_of(np.array([10, 100, 500]), np.array([64, 65, 130]), 64)
    assert start.tolist() == [10, 100, 164, 500, 564, 628]
    assert size.tolist() == [64, 64, 1, 64, 64, 2]
    assert count.tolist() == [1, 2, 3]


@pytest.mark.parametrize(
    ("made", "said"),
    [
        (port(PLAIN, vendor=0x1A86), "a CH340 chip by its vendor id 1a86; its bytes are taken as they are"),
        (
            port(STATUS, vendor=0x0403, packet_bytes=512),
            "an FTDI chip by its vendor id 0403; 2 status bytes are taken out of every 512 (by its descriptor)",
        ),
        (
            port(STATUS),
            "an FTDI chip, for every transfer begins with status bytes;"
            " 2 status bytes are taken out of every 64 (by the data)",
        ),
        (
            port(PLAIN),
            "a plain chip, for no status bytes are seen (no vendor id is seen); its bytes are taken as they are",
        ),
        (
            port(PLAIN, vendor=0x1234),
            "a plain chip, for no status bytes are seen (vendor id 1234); its bytes are taken as they are",
        ),
    ],
)
def test_what_is_said_of_the_chip(made: Port, said: str) -> None:
    assert made.described() == said
