"""Packet captures put together by chance from all kinds of blocks, headers and transfers, some of them damaged."""

from __future__ import annotations

import struct

import numpy as np

from busbench.capture import pcapng_blocks as pb
from busbench.capture.left_out import KINDS, LeftOut, MinuteTotals
from busbench.line import BUS_LINE
from busbench.model import Clock, ClockKind
from busbench.wire.codec import pack_frames
from tests.capture.blocks import block, interface, option, packet, section
from tests.capture.usb_blocks import CONTROL, configuration, device_descriptor, ftdi, linux, windows

Rng = np.random.Generator


def frame(rng: Rng, number: int) -> bytes:
    """A frame of sticks that move a little."""
    counts = 900 + (number % 7) + np.arange(16) * 20
    return pack_frames(counts[None], int(rng.choice([0, 0, 0, 0, 4])), 0).tobytes()


def _pieces(rng: Rng, count: int) -> list[bytes]:
    """The reads of some frames."""
    data = b"".join(frame(rng, number) for number in range(count))
    size = int(rng.choice([25, 25, 25, 10, 31, 62]))
    return [data[at : at + size] for at in range(0, len(data), size)]


def _damaged(rng: Rng, data: bytes) -> bytes:
    """Whole, cut, or with a word changed, lost or added."""
    kind, at = int(rng.integers(0, 8)), int(rng.integers(0, len(data))) & ~3
    if kind == 0:
        return data[: at + int(rng.integers(0, 4))]
    if kind == 1:
        return data[:at] + struct.pack("<I", int(rng.choice([0, 3, 28, 1 << 31]))) + data[at + 4 :]
    if kind == 2:
        return data[:at] + data[at + 4 :]
    if kind == 3:
        return data[:at] + bytes(4) + data[at:]
    return data


def _described(rng: Rng, order: str) -> bytes:
    """An interface: of our own writer or of another, with any clock."""
    options = b""
    name = str(rng.choice(["", "ttyS0", "ttyS1", "bus"]))
    if name:
        options += option(2, name.encode(), order)
    if rng.random() < 0.4:
        kind = ClockKind(str(rng.choice(["per-read", "per-byte", "none"])))
        is_sent, has_date = bool(rng.random() < 0.2), bool(rng.random() < 0.7)
        clock = Clock(kind, int(rng.choice([1, 1000, 125])))
        options += option(3, pb.describe(BUS_LINE, clock, outbound=is_sent, wall_clock=has_date).encode(), order)
        options += option(1, b"unit: left wing\nnote: cold", order) + option(15, b"adapter serial number A1", order)
    elif rng.random() < 0.3:
        options += option(3, b"a serial port", order)
    resolution = int(rng.choice([-1, 6, 9, 3, 0, 12, 0x8A, 0xA0, 0xC0, 30]))
    if resolution >= 0:
        options += option(9, bytes([resolution]), order)
    shift_s = int(rng.choice([0, 0, 1_700_000_000, -5, 1 << 34]))
    if shift_s:
        options += option(14, struct.pack(order + "q", shift_s), order)
    link = int(rng.choice([147, 147, 147, 150, 162, 163, 1]))
    return interface(options + bytes(4), link=link, snaplen=int(rng.choice([0, 0, 20])), order=order)


def _comments(rng: Rng, size: int) -> list[bytes]:
    events = {kind: (int(rng.integers(0, 9)), int(rng.integers(0, 99))) for kind in KINDS}
    left_out = LeftOut(0, int(rng.integers(1, 10**9)), int(rng.integers(1, 99)), int(rng.integers(1, 9999)))
    every = [
        f"bad={int(rng.integers(0, size + 2))}",
        f"bad=1,3-{int(rng.integers(3, size + 9))}",
        *("bad=", "bad=4-", "mark=gust", "mark=  ", "woke=0,3,47", "woke=1,,2"),
        "woke=" + ",".join(["1"] * 40),
        *(left_out.comment(), "left-out=1,2"),
        *(MinuteTotals(0, int(rng.integers(0, 9)), 7, events).comment(), "minute=1: frames 2"),
        *("wind from the left", "\x1b[1m"),
    ]
    return [str(one).encode() for one in rng.choice(every, int(rng.integers(1, 4)))]


def pcapng(rng: Rng) -> bytes:
    """A capture of one or two sections with up to three interfaces."""
    out = b""
    for _ in range(int(rng.choice([1, 1, 2, 3]))):
        order = str(rng.choice(["<", "<", "<", ">"]))
        count = int(rng.choice([1, 1, 2, 3]))
        out += section(order) + b"".join(_described(rng, order) for _ in range(count))
        ticks, step = int(rng.choice([10**9, 10**15, 3])), int(rng.choice([7000, 7_000_000, 7]))
        mostly, has_others = int(rng.integers(0, count)), rng.random() < 0.4
        has_flags, odd = rng.random() < 0.3, float(rng.choice([0.0, 0.05, 0.3]))
        blocks: list[bytes] = []
        for data in _pieces(rng, int(rng.choice([3, 12, 60]))):
            ticks = (ticks + step) % (1 << 64)
            number = int(rng.integers(0, count + 1)) if has_others and rng.random() < 0.3 else mostly
            more = b""
            if has_flags:
                more += option(2, struct.pack(order + "I", int(rng.choice([0, 1, 1, 1, 2]))), order)
            if rng.random() < odd:
                more += b"".join(option(1, one, order) for one in _comments(rng, len(data)))
            more += bytes(4) if more else b""
            length = len(data) + int(rng.integers(1, 9)) if rng.random() < odd / 4 else -1
            blocks.append(packet(ticks, data, number=number, options=more, length=length, order=order))
            if rng.random() < odd:
                blocks.append(_rare(rng, data, ticks, order))
            if rng.random() < odd / 3:
                blocks.insert(max(0, len(blocks) - int(rng.integers(1, 12))), blocks[-1])  # again, out of order
            if rng.random() < odd / 3:
                ticks -= int(rng.choice([2, 30])) * step
        out += b"".join(blocks)
    return _damaged(rng, out)


def _rare(rng: Rng, data: bytes, ticks: int, order: str) -> bytes:
    padded = data + bytes(-len(data) % 4)
    kind = int(rng.integers(0, 5))
    if kind == 0:
        return block(3, struct.pack(order + "I", len(data)) + padded, order)
    if kind == 1:
        head = struct.pack(
            order + "HHIIII", int(rng.integers(0, 3)), 0, ticks >> 32, ticks & 0xFFFFFFFF, len(data), len(data)
        )
        return block(2, head + padded, order)
    if kind == 2:
        return block(int(rng.choice([4, 5, 0x0BAD])), bytes(12), order)
    if kind == 3:
        return block(6, bytes(8), order)  # too short for a packet
    return packet(ticks, b"", order=order)


def pcap(rng: Rng) -> bytes:
    """A capture of the older format, in either byte order and resolution."""
    order = str(rng.choice(["<", ">"]))
    magic = int(rng.choice([0xA1B2C3D4, 0xA1B23C4D]))
    link, zone_s = int(rng.choice([147, 150, 162, 1, 0x1C000093])), int(rng.choice([0, 0, -3600, 7200]))
    out = struct.pack(
        order + "IHHiIII", magic, 2, int(rng.choice([4, 4, 3])), zone_s, 0, int(rng.choice([65_535, 20])), link
    )
    seconds, part = int(rng.choice([5, 1_700_000_000, 0xFFFFFFF0])), 0
    for data in _pieces(rng, int(rng.choice([3, 30]))):
        part += 7000 if magic == 0xA1B2C3D4 else 7_000_000
        length = len(data) + int(rng.choice([0] * 12 + [3]))
        out += struct.pack(order + "IIII", seconds, part, len(data), length) + data
        seconds += int(rng.random() < 0.05)
    return _damaged(rng, out)


def usb(rng: Rng) -> bytes:
    """What a host of either kind saw of one or two adapters."""
    is_linux, order = rng.random() < 0.5, "<"
    kinds = list(rng.choice(["ftdi", "plain"], int(rng.choice([1, 1, 1, 2]))))
    slice_bytes, has_descriptor = int(rng.choice([64, 512])), rng.random() < 0.6
    vendors = {"ftdi": 0x0403, "plain": int(rng.choice([0x10C4, 0x1A86, 0x1234]))}
    out = section(order) + interface(link=220 if is_linux else 249, order=order)
    us = 1_700_000_000_000_000

    def add(data: bytes, device: int, endpoint: int, transfer: int, **more: int) -> bytes:
        info, event = more.pop("info", 1), bytes([more.pop("event", ord("C"))])
        if is_linux:
            return linux(
                us, data, device=device, endpoint=endpoint, transfer=transfer, event=event, order=order, **more
            )
        return windows(us, data, device=device, endpoint=endpoint, transfer=transfer, info=info)

    for device, kind in enumerate(kinds, 5):
        if has_descriptor:
            out += add(device_descriptor(vendors[str(kind)]), device, 0x80, CONTROL)
            if rng.random() < 0.7:
                out += add(configuration(slice_bytes), device, 0x80, CONTROL)
    pieces = _pieces(rng, int(rng.choice([6, 40])))
    together = int(rng.choice([1, 1, 4, 24]))
    for at in range(0, len(pieces), together):
        us += 7000
        data = b"".join(pieces[at : at + together])
        device = 5 + int(rng.integers(0, len(kinds)))
        if kinds[device - 5] == "ftdi":
            status = bytes([1 + 0x30 * int(rng.random() < 0.5), int(rng.choice([0x60, 0x60, 0x60, 0x64, 0x62, 0x70]))])
            data = ftdi(data if rng.random() < 0.9 else b"", slice_bytes, status)
        odd = int(rng.integers(0, 30))
        endpoint = 0x02 if odd == 0 else 0x81 if odd > 1 else 0x83
        more: dict[str, int] = {}
        if odd == 2:
            more = {"event": ord("S"), "info": 0}
        elif odd == 3 and is_linux:
            more = {"length": len(data) + 5}
        elif odd == 4 and is_linux:
            more = {"no_data": 1}
        out += add(data, device, endpoint, 1 if odd == 5 else 3, **more)
    return _damaged(rng, out)
