"""Find the adapter chip of bulk-in transfers, and the received bytes in them.

FTDI chips put two status bytes before every slice of a transfer, a slice being the
endpoint's largest packet; all other chips send only the received bytes. The
status bits, descriptors and vendor ids are from memory.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np

from busbench.model import I64, U8, Bools

STATUS_BYTES = 2
SLICES = (64, 512)  # full speed and high speed
FAULTS = 0x04 | 0x08 | 0x10  # parity, framing, break
OVERRUN = 0x02
_FTDI = 0x0403
_VENDORS = {_FTDI: "an FTDI chip", 0x10C4: "a CP210x chip", 0x1A86: "a CH340 chip", 0x067B: "a PL2303 chip"}
_DEVICE, _CONFIGURATION, _ENDPOINT = 1, 2, 5  # descriptor types
_BULK = 2  # in an endpoint's attributes


class PortKey(NamedTuple):
    """The origin of a stream of received bytes."""

    bus: int
    device: int
    endpoint: int  # without the direction bit

    @property
    def address(self) -> str:
        """The device as people write it."""
        return f"{self.bus}.{self.device}"


@dataclass
class Port:
    """One bulk-in endpoint, as far as known."""

    transfers: int = 0
    total: int = 0
    slices: list[int] = field(default_factory=lambda: [0] * len(SLICES))  # number of slices, for each size of SLICES
    status_like: int = 0  # transfers that begin like status bytes
    longer: int = 0  # transfers that reach past the shorter slice and its status bytes
    status_inside: int = 0  # of these, transfers with status bytes there
    vendor: int | None = None  # vendor id, None without a device descriptor
    packet_bytes: int = 0  # the endpoint's largest packet by its descriptor, 0 without one
    interfaces: dict[int, int] = field(default_factory=dict)  # the first interface of each section that shows it

    def add(self, buffer: U8, start: I64, size: I64) -> None:
        """Count transfers, given position and length of their data in the buffer, int64 (N,) each."""
        start, size = start[size > 0], size[size > 0]
        self.transfers += start.size
        self.total += int(size.sum())
        for i, slice_bytes in enumerate(SLICES):
            self.slices[i] += int((-(-size // slice_bytes)).sum())
        self.status_like += int(np.count_nonzero(_is_status(buffer, start[size >= STATUS_BYTES])))
        inside = start[size >= SLICES[0] + STATUS_BYTES] + SLICES[0]
        self.longer += inside.size
        self.status_inside += int(np.count_nonzero(_is_status(buffer, inside)))

    @property
    def has_status(self) -> bool:
        """True if the transfers hold status bytes."""
        if self.vendor in _VENDORS:
            return self.vendor == _FTDI
        return self.transfers > 0 and self.status_like == self.transfers

    @property
    def slice_bytes(self) -> int:
        """Bytes of a slice, including status bytes; 0 without them."""
        if not self.has_status:
            return 0
        if self.packet_bytes in SLICES:
            return self.packet_bytes
        return SLICES[0] if self.status_inside * 10 >= self.longer * 9 else SLICES[1]

    @property
    def received(self) -> int:
        """Bytes without the status bytes."""
        if not self.has_status:
            return self.total
        return max(self.total - STATUS_BYTES * self.slices[SLICES.index(self.slice_bytes)], 0)

    def described(self) -> str:
        """The chip and how it is treated, for a note."""
        if self.vendor in _VENDORS:
            what = f"{_VENDORS[self.vendor]} by its vendor id {self.vendor:04x}"
        elif self.has_status:
            what = "an FTDI chip, for every transfer begins with status bytes"
        else:
            known = "no vendor id is seen" if self.vendor is None else f"vendor id {self.vendor:04x}"
            what = f"a plain chip, for no status bytes are seen ({known})"
        if not self.has_status:
            return f"{what}; its bytes are taken as they are"
        how = "by its descriptor" if self.packet_bytes in SLICES else "by the data"
        return f"{what}; 2 status bytes are taken out of every {self.slice_bytes} ({how})"


@dataclass
class Ports:
    """All bulk-in endpoints of a capture."""

    known: dict[PortKey, Port] = field(default_factory=dict)
    vendors: dict[tuple[int, int], int] = field(default_factory=dict)
    packets: dict[PortKey, int] = field(default_factory=dict)

    def read_control(self, bus: int, device: int, data: bytes) -> None:
        """Read the answer to a control request, if it is a descriptor."""
        if len(data) >= 10 and data[0] == 18 and data[1] == _DEVICE:
            self.vendors[bus, device] = int.from_bytes(data[8:10], "little")
        elif len(data) >= 9 and data[0] == 9 and data[1] == _CONFIGURATION:
            at = 0
            while at + 2 <= len(data) and data[at] >= 2:
                one = data[at : at + data[at]]
                if len(one) >= 6 and one[1] == _ENDPOINT and one[2] & 0x80 and one[3] & 3 == _BULK:
                    size = int.from_bytes(one[4:6], "little") & 0x7FF
                    self.packets[PortKey(bus, device, one[2] & 0x7F)] = size
                at += data[at]

    def close(self) -> dict[PortKey, Port]:
        """Endpoints that received bytes, with their descriptors."""
        for key, port in self.known.items():
            port.vendor = self.vendors.get(key[:2])
            port.packet_bytes = self.packets.get(key, 0)
        return {key: port for key, port in sorted(self.known.items()) if port.received}


def slices_of(start: I64, size: I64, slice_bytes: int) -> tuple[I64, I64, I64]:
    """Cut transfers into slices: start and size of each, int64 (S,), and slices of each transfer, int64 (N,)."""
    count = -(-size // slice_bytes)
    first = np.cumsum(count) - count
    within = (np.arange(int(count.sum())) - first.repeat(count)) * slice_bytes
    return start.repeat(count) + within, np.minimum(size.repeat(count) - within, slice_bytes), count


def _is_status(buffer: U8, at: I64) -> Bools:
    """True for status bytes: such as 01 60 or 31 60, ignoring line faults."""
    low = buffer[at] & 0x0F
    # "transmitter empty" is nearly always set on a line that is only read
    found: Bools = ((low == 1) | (low == 2)) & (buffer[at + 1] & 0x60 == 0x60)
    return found
