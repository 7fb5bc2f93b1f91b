"""Blocks built by hand, and recordings read packet by packet."""

from __future__ import annotations

import struct
from pathlib import Path

from busbench.capture.base import Capture, ReadOptions
from busbench.capture.pcapng_read import open_file
from busbench.capture.pcapng_write import PcapngWriter
from busbench.line import BUS_LINE
from busbench.model import Clock, ClockKind

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
