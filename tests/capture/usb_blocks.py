"""Captures of a USB host built by hand, transfer by transfer."""

from __future__ import annotations

import struct

from tests.capture.blocks import interface, packet, section

CONTROL, BULK = 2, 3
START_US = 1_700_000_000_000_000
IDLE = b"\x01\x60"
FRAME = bytes([0x0F]) + bytes(range(100, 122)) + b"\x00\x00"


def device_descriptor(vendor: int) -> bytes:
    return struct.pack("<BBHBBBBHHHBBBB", 18, 1, 0x0200, 0, 0, 0, 64, vendor, 0x6001, 0x0600, 1, 2, 3, 1)


def configuration(packet_bytes: int, endpoint: int = 0x81) -> bytes:
    """A configuration of one interface with a bulk endpoint each way."""
    body = struct.pack("<BBBBBBBBB", 9, 4, 0, 0, 2, 255, 255, 255, 0)
    body += bytes([5, 0x24, 0, 0x10, 0x01])  # of a kind that no one asks for
    body += struct.pack("<BBBBHB", 7, 5, endpoint, 2, packet_bytes, 0)
    body += struct.pack("<BBBBHB", 7, 5, 0x02, 2, packet_bytes, 0)
    return struct.pack("<BBHBBBBB", 9, 2, 9 + len(body), 1, 1, 0, 0x80, 45) + body


def linux(
    us: int,
    data: bytes,
    *,
    device: int = 7,
    bus: int = 1,
    endpoint: int = 0x81,
    transfer: int = BULK,
    event: bytes = b"C",
    length: int = -1,
    status: int = 0,
    number: int = 0,
    no_data: int = 0,
    order: str = "<",
) -> bytes:
    """A packet of link type 220."""
    head = struct.pack(
        order + "QcBBBHBB",
        0xFFFF8880_00001000,
        event,
        transfer,
        endpoint,
        device,
        bus,
        ord("-"),
        no_data if data else ord("<"),
    )
    head += struct.pack(order + "qiiII", us // 1_000_000, us % 1_000_000, status, max(length, len(data)), len(data))
    return packet(us, head + bytes(24) + data, number=number, order=order)


def windows(
    us: int,
    data: bytes,
    *,
    device: int = 7,
    bus: int = 1,
    endpoint: int = 0x81,
    transfer: int = BULK,
    info: int = 1,
    header_bytes: int = 27,
) -> bytes:
    """A packet of link type 249."""
    size = 28 if transfer == CONTROL else header_bytes
    head = struct.pack("<HQIHBHHBBI", size, 0xFFFFA00012345678, 0, 9, info, bus, device, endpoint, transfer, len(data))
    stage = b"\x03" if transfer == CONTROL else bytes(size - 27)
    return packet(us, head + stage + data)


def linux_file(*packets: bytes, order: str = "<") -> bytes:
    return section(order) + interface(link=220, order=order) + b"".join(packets)


def windows_file(*packets: bytes) -> bytes:
    return section() + interface(link=249) + b"".join(packets)


def ftdi(payload: bytes, slice_bytes: int = 64, status: bytes = IDLE) -> bytes:
    """A transfer as the chip sends it: status bytes before each slice."""
    room = slice_bytes - 2
    parts = [payload[at : at + room] for at in range(0, len(payload), room)] or [b""]
    return b"".join(status + part for part in parts)
