"""Packets of a USB host capture: who sent what, and where the data stand.

Three layouts: that of Linux usbmon with its mapped 64-byte header (link type 220)
and without (189, 48 bytes), in the byte order of the machine that captured; and
that of captures on Windows (249), little-endian, whose first two bytes hold the
header's length.

Source: the Linux kernel's documentation of usbmon and the pcapng link-type
registry; device and endpoint descriptors: Universal Serial Bus Specification 2.0,
chapter 9. All from memory.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from busbench.capture.packets import PacketBatch
from busbench.model import I64, U8, Bools

LINK_WINDOWS = 249
LINKS_LINUX = {189: 48, 220: 64}  # link type: bytes of its header
LINKS = (*LINKS_LINUX, LINK_WINDOWS)

CONTROL, BULK = 2, 3
IN = 0x80
_DEVICE_BYTES = 18  # a device descriptor begins with its length and type: 18, 1
_ENDPOINT_BYTES = 7  # an endpoint descriptor: 7, 5
_CONFIGURATION, _ENDPOINT = 2, 5


def _linux(order: str) -> np.dtype[np.void]:
    return np.dtype(
        {
            "names": ["event", "transfer", "endpoint", "device", "bus", "captured"],
            "formats": ["u1", "u1", "u1", "u1", order + "u2", order + "u4"],
            "offsets": [8, 9, 10, 11, 12, 36],
            "itemsize": 48,
        }
    )


_LINUX = (_linux("<"), _linux(">"))
_WINDOWS = np.dtype(
    {
        "names": ["header", "info", "bus", "device", "endpoint", "transfer", "captured"],
        "formats": ["<u2", "u1", "<u2", "<u2", "u1", "u1", "<u4"],
        "offsets": [0, 16, 17, 19, 21, 22, 23],
        "itemsize": 27,
    }
)


@dataclass(frozen=True, slots=True, eq=False)
class Transfers:
    """Completed transfers towards the host that carry data, as columns of equal length.

    Args:
        batch: what they were read from.
        bulk: True for bulk transfers, False for control.
        key: interface, bus, device and endpoint in one number; see key_parts.
        t_ns: when each was completed, int64 (N,).
        start: place of its data in the batch's buffer, int64 (N,).
        size: its bytes, int64 (N,), above 0.
        short: packets that were too short for their header.
    """

    batch: PacketBatch
    bulk: Bools
    key: I64
    t_ns: I64
    start: I64
    size: I64
    short: int

    def select(self, keep: Bools | I64) -> Transfers:
        """Those where keep is true, or those of the given indices."""
        return Transfers(
            self.batch, self.bulk[keep], self.key[keep], self.t_ns[keep], self.start[keep], self.size[keep], self.short
        )

    def data(self, index: int) -> bytes:
        """The data of one."""
        start = int(self.start[index])
        return self.batch.buffer[start : start + int(self.size[index])].tobytes()

    def lead(self, count: int) -> U8:
        """The first bytes of each (0 behind its end), uint8 (N, count)."""
        places = self.start[:, None] + np.arange(count)
        inside = np.arange(count) < self.size[:, None]
        return np.where(inside, self.batch.buffer[np.where(inside, places, 0)], np.uint8(0))


def key_parts(key: int) -> tuple[int, int, int, int]:
    """Interface index, bus, device and endpoint number of a key."""
    return key >> 40, key >> 24 & 0xFFFF, key >> 8 & 0xFFFF, key & 0xFF


def read_transfers(batch: PacketBatch, link_types: NDArray[np.int64]) -> Transfers:
    """The completed transfers of a batch.

    Args:
        batch: packets of any interfaces.
        link_types: link type of every interface, int64 (I,).
    """
    links = link_types[batch.interface]
    parts = [_of_link(batch, np.flatnonzero(links == link), link) for link in LINKS if (links == link).any()]
    if len(parts) == 1:
        return parts[0]
    if not parts:
        none = np.empty(0, np.int64)
        return Transfers(batch, np.empty(0, np.bool_), none, none, none, none, 0)
    joined = Transfers(
        batch,
        np.concatenate([part.bulk for part in parts]),
        np.concatenate([part.key for part in parts]),
        np.concatenate([part.t_ns for part in parts]),
        np.concatenate([part.start for part in parts]),
        np.concatenate([part.size for part in parts]),
        sum(part.short for part in parts),
    )
    return joined.select(np.argsort(joined.start, kind="stable"))


def _of_link(batch: PacketBatch, mine: I64, link: int) -> Transfers:
    least = LINKS_LINUX.get(link, _WINDOWS.itemsize)
    whole = mine[batch.size[mine] >= least]
    start, size = batch.start[whole], batch.size[whole]
    layout = _WINDOWS if link == LINK_WINDOWS else _LINUX[0]
    # A header is one item: numpy copies it at once.
    item = np.dtype((np.void, layout.itemsize))
    raw = np.ndarray((batch.buffer.size - layout.itemsize + 1,), item, batch.buffer, 0, (1,))[start]
    head = raw.view(layout)
    if link == LINK_WINDOWS:
        done = (head["info"] & 1) == 1
        header = head["header"].astype(np.int64)
    else:
        # The order is that in which the length is the packet's.
        fits = [int(np.count_nonzero(raw.view(order)["captured"] == size - least)) for order in _LINUX]
        head = raw.view(_LINUX[1] if fits[1] > fits[0] else _LINUX[0])
        done = head["event"] == ord("C")
        header = np.full(start.size, least, np.int64)
    data_size = np.minimum(head["captured"], size - header)
    transfer, endpoint = head["transfer"], head["endpoint"]
    # On Windows the address of a control transfer may lack the direction.
    inwards = ((endpoint & IN) != 0) | (transfer == CONTROL)
    keep = done & inwards & ((transfer == BULK) | (transfer == CONTROL)) & (data_size > 0) & (header >= least)
    key = batch.interface[whole].astype(np.int64) << 40 | head["bus"].astype(np.int64) << 24
    key |= head["device"].astype(np.int64) << 8 | (endpoint & 0x7F).astype(np.int64)
    return Transfers(
        batch,
        (transfer == BULK)[keep],
        key[keep],
        batch.t_ns[whole][keep],
        (start + header)[keep],
        data_size[keep].astype(np.int64),
        mine.size - whole.size,
    )


@dataclass
class Descriptors:
    """What a device says of itself.

    Args:
        vendor: its vendor id, None where the capture does not hold it.
        product: its product id.
        packet_bytes: greatest packet of each inward bulk endpoint, by endpoint number.
    """

    vendor: int | None = None
    product: int = 0
    packet_bytes: dict[int, int] | None = None

    def read(self, data: bytes) -> None:
        """Take in the answer to a control request; any other data are passed over."""
        if len(data) >= _DEVICE_BYTES and data[:2] == bytes([_DEVICE_BYTES, 1]):
            self.vendor = int.from_bytes(data[8:10], "little")
            self.product = int.from_bytes(data[10:12], "little")
        elif len(data) > 9 and data[:2] == bytes([9, _CONFIGURATION]):
            at = 0
            found: dict[int, int] = {}
            while at + 2 <= len(data) and data[at] >= 2:
                one = data[at : at + data[at]]
                if len(one) >= _ENDPOINT_BYTES and one[1] == _ENDPOINT and one[2] & IN and one[3] & 3 == 2:
                    found[one[2] & 0x7F] = int.from_bytes(one[4:6], "little") & 0x7FF
                at += data[at]
            self.packet_bytes = found or self.packet_bytes
