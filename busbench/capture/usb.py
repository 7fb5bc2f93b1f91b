"""Serial bytes out of a capture of a USB host: what an adapter's chip handed over.

One completed bulk-in transfer is what one read returned. Layouts of the transfer
headers: the usbmon text of the Linux kernel's documentation (link type 220) and the
link-type registry's description of USB captures on Windows (link type 249), both
from memory, as are the status bytes of FTDI chips and the descriptors of USB 2.0.
"""

from __future__ import annotations

import re
import struct
from collections.abc import Iterator
from typing import NamedTuple

import numpy as np

from busbench.capture import pcapng_blocks as pb
from busbench.capture.base import Capture, CaptureInfo, ReadOptions
from busbench.capture.packets import NO_TIME, PacketBatch, PacketFile, gather
from busbench.capture.source import read_head
from busbench.capture.usb_chip import FAULTS, OVERRUN, STATUS_BYTES, Port, PortKey, Ports, slices_of
from busbench.errors import CaptureError
from busbench.model import I64, U8, ByteLog, Clock, ClockKind, readonly

FORMAT = "USB capture"

_LINUX, _WINDOWS = 220, 249  # link types
_CONTROL, _BULK = 2, 3  # transfer types, the same on both
_RESOLUTION_NS = 1_000
_CONTROL_BYTES_MAX = 4096

_LINUX_HEADER = np.dtype(
    [
        ("id", "<u8"),
        ("event", "u1"),  # S submitted, C completed, E failed
        ("transfer", "u1"),
        ("endpoint", "u1"),  # bit 7: in
        ("device", "u1"),
        ("bus", "<u2"),
        ("no_setup", "u1"),
        ("no_data", "u1"),
        ("s", "<i8"),
        ("us", "<i4"),
        ("status", "<i4"),
        ("length", "<u4"),
        ("captured", "<u4"),
        ("rest", "V24"),
    ]
)
_WINDOWS_HEADER = np.dtype(
    [
        ("size", "<u2"),
        ("id", "<u8"),
        ("status", "<u4"),
        ("function", "<u2"),
        ("info", "u1"),  # bit 0: on its way from the device, which is a completion
        ("bus", "<u2"),
        ("device", "<u2"),
        ("endpoint", "u1"),
        ("transfer", "u1"),
        ("length", "<u4"),
    ]
)


def sniff(head: bytes) -> bool:
    """True where the first interface that a pcapng file describes is a USB host."""
    order = _byte_order(head)
    at = 0
    while order and at + 10 <= len(head):
        kind, size, link = struct.unpack_from(order + "IIH", head, at)
        if kind == pb.INTERFACE:
            return link in (_LINUX, _WINDOWS)
        if size < 12:
            break
        at += pb.padded(size)
    return False


def open_file(path: str, options: ReadOptions) -> Capture:
    """Open a capture of a USB host.

    Args:
        path: a pcapng file.
        options: `usb_device` picks the adapter, as "bus.device" or "bus.device.endpoint".

    Raises:
        CaptureError: it cannot be read, holds no received bytes, or leaves a choice.
    """
    return UsbTransfers(path, options)


def _byte_order(head: bytes) -> str:
    """ "<" or ">" of the first section, "" where there is none."""
    if head[:4] == pb.SECTION_HEADER.to_bytes(4, "little") and len(head) >= 12:
        for order in "<>":
            if struct.unpack_from(order + "I", head, 8)[0] == pb.MAGIC:
                return order
    return ""


class _Transfers(NamedTuple):
    """Completed transfers with data, as columns of equal length."""

    start: I64  # place of the data in the batch's buffer
    size: I64
    t_ns: I64
    key: I64  # bus, device, endpoint as one number
    transfer: U8
    interface: I64
    short: int  # transfers of which less was captured than was transferred

    def select(self, keep: Bools) -> _Transfers:
        columns = (self.start, self.size, self.t_ns, self.key, self.transfer, self.interface)
        return _Transfers(*(one[keep] for one in columns), self.short)  # type: ignore[arg-type]


class UsbTransfers(Capture):
    """What one adapter received."""

    def __init__(self, path: str, options: ReadOptions) -> None:
        self._file = PacketFile(path)
        # Linux writes its headers in the byte order of the machine, as it does the section
        self._linux = _LINUX_HEADER.newbyteorder(_byte_order(read_head(path)) or "<")
        self._key, self._port = self._choose(self._survey(), options.usb_device)
        key = self._key
        self._first_notes = [f"adapter {key.address}, endpoint {key.endpoint}: {self._port.described()}"]
        step_ns = max((self._file.interfaces[i].resolution_ns for i in self._port.interfaces.values()), default=0)
        self.info = CaptureInfo(path, FORMAT, Clock(ClockKind.PER_READ, max(step_ns, _RESOLUTION_NS)), 0)
        self.info.source = f"USB {key.address}"
        self.info.notes.extend(self._first_notes)

    def blocks(self) -> Iterator[ByteLog]:
        """Read the bytes of the adapter from the start of the file."""
        notes, offset, last_ns, short, overruns = self.info.notes, 0, 0, 0, 0
        notes[:] = self._first_notes
        code = _code(self._key)
        for batch, some in self._transfers():
            mine = (some.key == code) & (some.transfer == _BULK)
            mine &= np.isin(some.interface, list(self._port.interfaces.values()))
            some = some.select(mine)
            log, lost = self._log(batch, some, offset, last_ns)
            overruns += lost
            if len(log):
                offset, last_ns = log.end, int(log.mark_t_ns[-1])
                yield log
        notes.extend(self._file.notes)
