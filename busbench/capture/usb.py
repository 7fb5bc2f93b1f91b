"""Serial bytes from a capture of a USB host: what an adapter's chip sent.

One completed bulk-in transfer is one read. Layouts of the transfer
headers: the usbmon text of the Linux kernel's documentation (link type 220) and the
link-type registry's description of USB captures on Windows (link type 249), both
from memory, as are the status bytes of FTDI chips and the descriptors of USB 2.0.
"""

from __future__ import annotations

import dataclasses
import re
import struct
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from busbench.capture import pcapng_blocks as pb
from busbench.capture.base import Capture, CaptureInfo, ReadOptions
from busbench.capture.concat_slices import gather
from busbench.capture.file_io import Source, as_source, read_head
from busbench.capture.frames import SAMPLE_BYTES, carries_frames
from busbench.capture.packet_batch import NO_TIME, PacketBatch
from busbench.capture.packet_order import PacketOrder
from busbench.capture.packets import PacketFile
from busbench.capture.pcap_scan import pcap_header
from busbench.capture.usb_chip import FAULTS, OVERRUN, STATUS_BYTES, Port, PortKey, Ports, slices_of
from busbench.errors import CaptureError, pluralize, sanitize
from busbench.model import I64, U8, Bools, ByteLog, Clock, ClockKind, set_readonly

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
        ("info", "u1"),  # bit 0: from the device, which is a completion
        ("bus", "<u2"),
        ("device", "<u2"),
        ("endpoint", "u1"),
        ("transfer", "u1"),
        ("length", "<u4"),
    ]
)


def sniff(head: bytes) -> bool:
    """True if a pcapng or pcap file describes a USB host, and no serial line, at its start."""
    older = pcap_header(head)
    if older is not None:
        return older[2] in (_LINUX, _WINDOWS)
    order = _byte_order(head)
    at, links = 0, set()
    while order and at + 10 <= len(head):
        kind, size, link = struct.unpack_from(order + "IIH", head, at)
        if kind == pb.INTERFACE:
            links.add(link)
            if link in pb.LINKS_USER:
                return False
        if size < 12:
            break
        at += pb.padded(size)
    return not links.isdisjoint((_LINUX, _WINDOWS))


def open_file(source: str | Source, options: ReadOptions) -> Capture:
    """Open a capture of a USB host; `options.usb_device` picks the adapter: "bus.device" or "bus.device.endpoint"."""
    return UsbTransfers(as_source(source), options)


def _byte_order(head: bytes) -> str:
    """ "<" or ">" of the file or its first section, "" without one."""
    older = pcap_header(head)
    if older is not None:
        return older[0]
    if head[:4] == pb.SECTION_HEADER.to_bytes(4, "little") and len(head) >= 12:
        for order in "<>":
            if struct.unpack_from(order + "I", head, 8)[0] == pb.MAGIC:
                return order
    return ""


@dataclass(frozen=True, slots=True, eq=False)
class _Transfers:
    """Completed transfers from devices, as columns of equal length."""

    start: I64  # position of the data in the batch's buffer, int64 (N,)
    size: I64  # its bytes, int64 (N,)
    t_ns: I64  # time of completion, int64 (N,)
    code: I64  # bus, device and endpoint as one number, int64 (N,)
    transfer: U8  # its type, uint8 (N,)
    interface: I64  # index of the pcapng interface, int64 (N,)
    short: Bools  # True if less was captured than transferred, bool (N,)

    def select(self, keep: Bools | NDArray[np.intp]) -> _Transfers:
        """The transfers where keep is true, or at these indices."""
        return _Transfers(
            self.start[keep],
            self.size[keep],
            self.t_ns[keep],
            self.code[keep],
            self.transfer[keep],
            self.interface[keep],
            self.short[keep],
        )


class UsbTransfers(Capture):
    """The bytes that one adapter received."""

    def __init__(self, source: Source, options: ReadOptions) -> None:
        self._file, self._line = PacketFile(source), options.line
        # Linux writes its headers in the byte order of the machine, like the section
        self._linux = _LINUX_HEADER.newbyteorder("<" if _byte_order(read_head(source)) == "<" else ">")
        self._key, self._port = self._choose(self._survey(), options.usb_device)
        key = self._key
        self._first_notes = [f"adapter {key.address}, endpoint {key.endpoint}: {self._port.described()}"]
        step_ns = max(self._file.interfaces[i].resolution_ns for i in self._port.interfaces.values())
        self.info = CaptureInfo(source.name, FORMAT, Clock(ClockKind.PER_READ, max(step_ns, _RESOLUTION_NS)), 0)
        self.info.source = f"USB {key.address}"
        self.info.notes.extend(self._first_notes)

    def blocks(self) -> Iterator[ByteLog]:
        """Read the bytes of the adapter from the start of the file."""
        notes = self.info.notes
        notes[:] = self._first_notes
        order = PacketOrder(clock=self.info.clock, line=self._line)
        yield from order.arrange(self._logs())
        notes.extend(self._file.notes + order.notes)

    def _logs(self) -> Iterator[ByteLog]:
        """The bytes in the order of the file; notes what is missing."""
        notes, offset, last_ns, short, overruns = self.info.notes, 0, 0, 0, 0
        code = _code(self._key)
        for batch in self._file.batches():
            some = self._received(batch, code, self._port)
            short += int(np.count_nonzero(some.short))
            log, lost = _log(batch.buffer, some.select(some.size > 0), self._port, offset, last_ns)
            overruns += lost
            if len(log):
                offset, last_ns = log.end, int(log.mark_t_ns[-1])
                yield log
        if short:
            notes.append(f"bytes are missing: transfers cut short when captured: {short}")
        if overruns:
            notes.append(f"bytes are missing: times the adapter says it lost some, not fetched soon enough: {overruns}")

    def _received(self, batch: PacketBatch, code: int, port: Port) -> _Transfers:
        """The transfers received by one port."""
        some = self._completed(batch)
        return self._of_one_interface(some.select((some.code == code) & (some.transfer == _BULK)), port)

    def _completed(self, batch: PacketBatch) -> _Transfers:
        """Transfers of a batch with data from a device."""
        first = int(batch.interface.min())  # batches are never empty
        known = self._file.interfaces[first : int(batch.interface.max()) + 1]
        links = np.array([one.link_type for one in known], np.int64)[batch.interface - first]
        parts = [
            self._of_link(batch.select(links == link), header)
            for link, header in ((_LINUX, self._linux), (_WINDOWS, _WINDOWS_HEADER))
        ]
        names = [one.name for one in dataclasses.fields(_Transfers)]
        return _Transfers(*(np.concatenate([getattr(part, name) for part in parts]) for name in names))

    def _of_one_interface(self, some: _Transfers, port: Port) -> _Transfers:
        """Those of the first interface in each section that showed the port, since two may show the same bus."""
        first = [
            index
            for index in np.flatnonzero(np.bincount(some.interface)).tolist()
            if port.interfaces.setdefault(self._file.interfaces[index].section, index) == index
        ]
        return some.select(np.isin(some.interface, first))

    def _of_link(self, batch: PacketBatch, header: np.dtype[np.void]) -> _Transfers:
        batch = batch.select(batch.size >= header.itemsize)
        size = np.full(len(batch), header.itemsize, np.int64)
        fields = gather(batch.buffer, batch.start, size, np.cumsum(size)).view(header)
        room = batch.size
        if header is _WINDOWS_HEADER:
            at = np.maximum(fields["size"].astype(np.int64), header.itemsize)
            have = length = fields["length"].astype(np.int64)
            # a control transfer may end in a separate stage, without its data
            done = (fields["info"] & 1) == 1
            inbound = (fields["endpoint"] & 0x80 != 0) | (fields["transfer"] == _CONTROL)
        else:
            at = np.full(len(batch), header.itemsize, np.int64)
            have, length = fields["captured"].astype(np.int64), fields["length"].astype(np.int64)
            have[fields["no_data"] != 0] = 0
            done = fields["event"] == ord("C")
            inbound = fields["endpoint"] & 0x80 != 0
        got = np.minimum(have, room - at).clip(0)
        code = fields["bus"].astype(np.int64) << 24 | fields["device"].astype(np.int64) << 8
        code |= fields["endpoint"].astype(np.int64) & 0x7F
        some = _Transfers(
            batch.start + at,
            got,
            batch.t_ns,
            code,
            fields["transfer"],
            batch.interface.astype(np.int64),
            got < length,
        )
        return some.select(done & inbound & (length > 0))

    def _survey(self) -> Ports:
        """Read the whole file for the descriptors and the bytes per port."""
        ports = Ports()
        for batch in self._file.batches():
            some = self._completed(batch)
            control = some.select(some.transfer == _CONTROL)
            for start, size, code in zip(
                control.start.tolist(), control.size.tolist(), control.code.tolist(), strict=True
            ):
                data = batch.buffer[start : start + min(size, _CONTROL_BYTES_MAX)].tobytes()
                ports.read_control(*_key(code)[:2], data)
            bulk = some.select(some.transfer == _BULK)
            order = np.argsort(bulk.code, kind="stable")
            for places in np.split(order, np.flatnonzero(np.diff(bulk.code[order])) + 1) if order.size else ():
                mine = bulk.select(places)
                port = ports.known.setdefault(_key(int(mine.code[0])), Port())
                mine = self._of_one_interface(mine, port)
                port.add(batch.buffer, mine.start, mine.size)
        return ports

    def _choose(self, ports: Ports, wanted: str | None) -> tuple[PortKey, Port]:
        path, found = self._file.path, ports.close()
        if wanted is not None:
            match = re.fullmatch(r"([0-9]{1,5})\.([0-9]{1,5})(?:\.([0-9]{1,3}))?", wanted)
            if not match:
                raise CaptureError(
                    path, f'"{sanitize(wanted, most=40)}" is not a USB device', hint="give bus.device, as in 1.7"
                )
            bus, device, endpoint = (None if word is None else int(word) for word in match.groups())
            mine = {
                key: port
                for key, port in found.items()
                if key[:2] == (bus, device) and (endpoint is None or key.endpoint == endpoint)
            }
            if not mine:
                raise CaptureError(path, f"USB device {wanted} received no bytes", hint=_listed(found))
            found = mine
        if not found:
            what = "holds no received serial bytes: no completed bulk-in transfer has any"
            raise CaptureError(path, what, hint="capture the bus of the adapter while the receiver is on")
        if len(found) > 1:
            many = "several devices" if len({key[:2] for key in found}) > 1 else "several ports of one device"
            raise CaptureError(path, f"holds bytes of {many}", hint=_listed(found, self._carrier(found)))
        return next(iter(found.items()))

    def _carrier(self, ports: dict[PortKey, Port]) -> PortKey | None:
        """The first port whose bytes hold frames."""
        samples: dict[PortKey, bytearray] = {key: bytearray() for key in ports}
        for batch in self._file.batches():
            missing = [key for key, sample in samples.items() if len(sample) < SAMPLE_BYTES]
            for key in missing:
                some = self._received(batch, _code(key), ports[key])
                samples[key] += _log(batch.buffer, some.select(some.size > 0), ports[key], 0, 0)[0].data.tobytes()
            if not missing:
                break
        return next((key for key, sample in samples.items() if carries_frames(bytes(sample))), None)


def _log(buffer: U8, some: _Transfers, port: Port, offset: int, last_ns: int) -> tuple[ByteLog, int]:
    """The bytes of some transfers, and how often the adapter reports lost bytes."""
    start, size, overruns = some.start, some.size, 0
    bad: U8 | None = None
    slice_bytes = port.slice_bytes
    if slice_bytes:
        start, size, count = slices_of(start, size, slice_bytes)
        whole = size >= STATUS_BYTES
        status = np.where(whole, buffer[np.minimum(start + 1, buffer.size - 1)], 0)
        size = (size - STATUS_BYTES).clip(0)
        start = start + STATUS_BYTES
        overruns = int(np.count_nonzero(status & OVERRUN))
        bad = (status & np.uint8(FAULTS)).astype(np.uint8).repeat(size)
        owner = np.arange(count.size).repeat(count)
        per_transfer = np.bincount(owner, size, count.size).astype(np.int64)
    else:
        per_transfer = size
    data = gather(buffer, start, size, np.cumsum(size))
    given = per_transfer > 0
    ends, times = np.cumsum(per_transfer)[given] + offset, some.t_ns[given]
    if times.size and times.min() == NO_TIME:
        times = np.maximum.accumulate(np.where(times == NO_TIME, last_ns, times))
    set_readonly(data, ends, times, bad)
    return ByteLog(offset, data, ends, times, bad), overruns


def _code(key: PortKey) -> int:
    return key.bus << 24 | key.device << 8 | key.endpoint


def _key(code: int) -> PortKey:
    return PortKey(code >> 24, code >> 8 & 0xFFFF, code & 0xFF)


def _listed(ports: dict[PortKey, Port], carrier: PortKey | None = None) -> str:
    """The ports to choose from, and which of them carries frames."""
    if not ports:
        return "no device in it received any"
    endpoints = Counter(key[:2] for key in ports)
    names = {key: f"{key.address}.{key.endpoint}" if endpoints[key[:2]] > 1 else key.address for key in ports}
    words = [f"{names[key]} ({pluralize(port.received, 'byte')})" for key, port in ports.items()]
    first = names[carrier or next(iter(ports))]
    why = ", which carries frames" if carrier else ""
    return f"choose with --usb-device {first}{why}; it holds {pb.listed(words)}"
