"""Packets of a pcapng file as columns, a few megabytes at a time, whatever they hold."""

from __future__ import annotations

import struct
from collections.abc import Generator, Iterator
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from busbench.capture import pcapng_blocks as pb
from busbench.capture.pcapng_chain import BLOCK_BYTES_MAX, U32, Blocks, Chain
from busbench.capture.source import open_binary, read_into
from busbench.errors import CaptureError
from busbench.model import I64, U8, Bools

NO_TIME = int(np.iinfo(np.int64).min)
_BUFFER_BYTES = 4 << 20
_SECTION_BYTES = pb.SECTION_HEADER.to_bytes(4, "little")  # the same in both byte orders
_STRIDE = 16  # bytes copied at once by gather
_SLACK = 2 * _STRIDE
_LONE_BYTES = 512  # packets longer than this are copied one by one


@dataclass(slots=True, eq=False)
class PacketBatch:
    """Some packets of a file in their order, as columns of equal length.

    Args:
        buffer: uint8, what was read of the file; overwritten by the next batch.
        base: file offset of buffer[0].
        start: place of each packet's data in the buffer, int64 (N,).
        size: bytes of it that were captured, int64 (N,).
        t_ns: its time in ns since the Unix epoch, int64 (N,); NO_TIME where it has none.
        interface: index into PacketFile.interfaces, int32 (N,).
        flags: packet flags (bits 0-1 the direction), uint32 (N,), None where no packet has any.
        comments: comments of the few packets that have some, by index.
        step: where not 0, all packets are of one size and stand so many bytes apart.
    """

    buffer: U8
    base: int
    start: I64
    size: I64
    t_ns: I64
    interface: NDArray[np.int32]
    flags: U32 | None = None
    comments: dict[int, list[str]] = field(default_factory=dict)
    step: int = 0

    def __len__(self) -> int:
        return int(self.start.size)

    def select(self, keep: Bools) -> PacketBatch:
        """The packets where keep is true."""
        place = np.cumsum(keep) - 1
        return PacketBatch(
            self.buffer,
            self.base,
            self.start[keep],
            self.size[keep],
            self.t_ns[keep],
            self.interface[keep],
            None if self.flags is None else self.flags[keep],
            {int(place[i]): comments for i, comments in self.comments.items() if keep[i]},
        )

    def payload(self) -> U8:
        """Data of all packets, one after another, in an array of its own."""
        size = int(self.size[0]) if self.step else 0
        if size:
            # a packet is one item: numpy copies it at once, not byte by byte
            item = np.dtype((np.void, size))
            return np.ndarray((len(self),), item, self.buffer, int(self.start[0]), (self.step,)).copy().view(np.uint8)
        return gather(self.buffer, self.start, self.size)


def gather(buffer: U8, start: I64, size: I64) -> U8:
    """Join many pieces of a buffer.

    Args:
        buffer: uint8.
        start: place of each piece, int64 (N,).
        size: its length in bytes, int64 (N,).

    Returns:
        uint8 (sum of sizes,).
    """
    ends = np.cumsum(size)
    total = int(ends[-1]) if ends.size else 0
    out = np.empty(total + _SLACK, np.uint8)
    if not total:
        return out[:0]
    if int((start + size).max()) + _SLACK > buffer.size:
        buffer = np.concatenate([buffer, np.zeros(_SLACK, np.uint8)])
    place = ends - size
    item = np.dtype((np.void, _STRIDE))
    source = np.ndarray((buffer.size - _STRIDE + 1,), item, buffer, 0, (1,))
    target = np.ndarray((out.size - _STRIDE + 1,), item, out, 0, (1,))
    # Each copy moves 16 bytes and may spill past its piece, but only into the
    # first 16 bytes of pieces behind it: so later 16s go first, and the first
    # 16 of all pieces go last and in order.
    longest = int(size.max())
    lone = np.flatnonzero(size > _LONE_BYTES) if longest > _LONE_BYTES else ()
    for at in range((min(longest, _LONE_BYTES) - 1) // _STRIDE * _STRIDE, 0, -_STRIDE):
        some = np.flatnonzero(size > at)
        target[place[some] + at] = source[start[some] + at]
    target[place] = source[start]
    for one in lone:
        p, s, n = int(place[one]), int(start[one]), int(size[one])
        out[p : p + n] = buffer[s : s + n]
    return out[:total]


class PacketFile:
    """A pcapng file as a stream of packets; it can be read as often as needed.

    Args:
        path: the file.

    Attributes:
        interfaces: every interface described so far; those in the first
            megabytes are known from the start, others join while batches are read.
        notes: what was amiss, one line each; complete when the batches end.

    Raises:
        CaptureError: the file cannot be opened, or no pcapng section begins it.
    """

    def __init__(self, path: str) -> None:
        self.path = path
        self.interfaces: list[pb.Interface] = []
        self.notes: list[str] = []
        for _ in self.batches():
            break

    def batches(self) -> Iterator[PacketBatch]:
        """Read the file from its start.

        Raises:
            CaptureError: the system could not read on, or no section begins the file.
        """
        self.interfaces, self.notes = [], []
        scan = _Scan(self.interfaces)
        with open_binary(self.path) as file:
            buffer = np.zeros(_BUFFER_BYTES + _SLACK, np.uint8)
            base = have = 0
            while True:
                room = buffer.size - _SLACK
                got = read_into(file, memoryview(buffer.data)[have:room], self.path)
                have += got
                at = yield from scan.batches(buffer, base, have)
                if scan.fault or have < room:
                    break
                if at == 0:
                    # one block is longer than the buffer
                    bigger = np.zeros(2 * room + _SLACK, np.uint8)
                    bigger[:have] = buffer[:have]
                    buffer = bigger
                else:
                    buffer[: have - at] = buffer[at:have]
                    base, have = base + at, have - at
            end = file.seek(0, 2) if scan.fault else base + have
        self._close(scan, base + at, end)

    def _close(self, scan: _Scan, at: int, end: int) -> None:
        if scan.section < 0:
            if end == 0:
                raise CaptureError(self.path, "is empty")
            what = scan.fault or "the file is cut inside its first block"
            raise CaptureError(self.path, what, offset=at, hint="this is no whole pcapng file")
        if scan.fault:
            self.notes.append(f"byte {at}: {scan.fault}; the {end - at} bytes from there on are not read")
        elif at < end:
            self.notes.append(f"byte {at}: the file is cut inside a block; its last {end - at} bytes are left out")
        if scan.missing_bytes:
            self.notes.append(
                f"{scan.short_packets} packets were cut short when recorded, {scan.missing_bytes} bytes are missing"
            )
        if scan.stray_packets:
            self.notes.append(f"{scan.stray_packets} packets name an interface that is not described; passed over")


class _Packet(NamedTuple):
    start: int
    size: int
    t_ns: int
    interface: int


class _Scan:
    """What has to be kept from one buffer to the next."""

    def __init__(self, interfaces: list[pb.Interface]) -> None:
        self.interfaces = interfaces
        self.first_interface = 0
        self.section = -1
        self.order = "<"
        self.fault = ""
        self.short_packets = self.missing_bytes = self.stray_packets = 0

    def batches(self, buffer: U8, base: int, have: int) -> Generator[PacketBatch, None, int]:
        """Give the whole blocks in buffer[:have]; return the place of the first that is not."""
        at = 0
        if self.section < 0:
            at = self._header(buffer[:have])
        while self.section >= 0 and not self.fault:
            words = buffer[: have & ~3].view(self.order + "u4")
            chain = Chain(words, at // 4)
            for blocks in chain.runs():
                batch = self._batch(buffer, base, blocks)
                if len(batch):
                    yield batch
            at, self.fault = chain.at * 4, chain.fault
            size = self._header(buffer[at:have]) if chain.at_section else 0
            if not size:
                break
            at += size
        return at

    def _header(self, data: U8) -> int:
        """Begin a section; returns its header's length, 0 where that is not whole or no header."""
        head = data[:12].tobytes()
        if head[:4] != _SECTION_BYTES[: len(head)]:
            self.fault = "no pcapng section begins here"
        if self.fault or len(head) < 12:
            return 0
        orders = [order for order in "<>" if struct.unpack_from(order + "I", head, 8)[0] == pb.MAGIC]
        if not orders:
            self.fault = "a pcapng section begins here, but its byte order cannot be told"
            return 0
        size = int(struct.unpack_from(orders[0] + "I", head, 4)[0])
        if size < 28 or size & 3 or size > BLOCK_BYTES_MAX:
            self.fault = f"a section header of impossible length {size}"
        elif size <= data.size:
            if struct.unpack(orders[0] + "I", data[size - 4 : size].tobytes())[0] == size:
                self.order = orders[0]
                self.section += 1
                self.first_interface = len(self.interfaces)
                return size
            self.fault = "the two lengths of a section header differ"
        return 0

    def _batch(self, buffer: U8, base: int, blocks: Blocks) -> PacketBatch:
        odd: list[_Packet] = []
        if not blocks.step:
            is_packet = blocks.column(0) == pb.PACKET
            is_packet &= blocks.column(1) >= pb.PACKET_FRAME_BYTES
            if not is_packet.all():
                for start in blocks.starts[~is_packet].tolist():
                    odd += self._other_block(buffer, blocks.words, start)
                blocks = blocks.select(is_packet)
        known = blocks.column(2) < len(self.interfaces) - self.first_interface
        if not known.all():
            self.stray_packets += int((~known).sum())
            blocks = blocks.select(known)
        batch = self._packets(buffer, base, blocks)
        return _merged(batch, odd) if odd else batch

    def _packets(self, buffer: U8, base: int, blocks: Blocks) -> PacketBatch:
        captured, length = blocks.column(5), blocks.column(6)
        room = blocks.column(1) - np.uint32(pb.PACKET_FRAME_BYTES)
        if (captured > room).any():  # such a packet ends with its block
            captured = np.minimum(captured, room)
        if (length > captured).any():
            self.short_packets += int((length > captured).sum())
            self.missing_bytes += int(
                np.maximum(length, captured).astype(np.int64).sum() - captured.sum(dtype=np.int64)
            )
        interface = blocks.column(2).astype(np.int32)
        interface += np.int32(self.first_interface)
        batch = PacketBatch(
            buffer,
            base,
            blocks.starts * 4 + pb.PACKET_HEADER_BYTES,
            captured.astype(np.int64),
            self._times(blocks, interface),
            interface,
        )
        if blocks.step and (captured == captured[0]).all():
            batch.step = blocks.step * 4
        option_bytes = room - (captured + np.uint32(3) & ~np.uint32(3))
        if option_bytes.any():
            self._read_options(batch, option_bytes)
        return batch

    def _times(self, blocks: Blocks, interface: NDArray[np.int32]) -> I64:
        high, low = blocks.column(3), blocks.column(4)
        ticks = low.astype(np.uint64)
        if high.size and (high == high[0]).all():
            ticks += np.uint64(int(high[0]) << 32)
        else:
            ticks += high.astype(np.uint64) << np.uint64(32)
        if not interface.size or (interface == interface[0]).all():
            return self.interfaces[int(interface[0])].to_ns(ticks) if interface.size else ticks.view(np.int64)
        times = np.empty(ticks.size, np.int64)
        for one in np.unique(interface).tolist():
            mine = interface == one
            times[mine] = self.interfaces[one].to_ns(ticks[mine])
        return times

    def _read_options(self, batch: PacketBatch, option_bytes: U32) -> None:
        """Read flags in bulk where nothing else is there, and the rest one by one."""
        flags = np.zeros(len(batch), np.uint32)
        words = batch.buffer[: batch.buffer.size & ~3].view(self.order + "u4")
        some = np.flatnonzero(option_bytes)
        at = (batch.start[some] + (batch.size[some] + 3 & ~3)) // 4
        head = int(np.frombuffer(struct.pack(self.order + "HH", pb.OPT_FLAGS, 4), self.order + "u4")[0])
        plain = (option_bytes[some] == 12) & (words.take(at) == head) & (words.take(at + 2) == pb.OPT_END)
        flags[some[plain]] = words.take(at[plain] + 1)
        for i, place in zip(some[~plain].tolist(), at[~plain].tolist(), strict=True):
            data = batch.buffer[place * 4 : place * 4 + int(option_bytes[i])].tobytes()
            for code, value in pb.read_options(data, self.order):
                if code == pb.OPT_FLAGS and len(value) == 4:
                    flags[i] = struct.unpack(self.order + "I", value)[0]
                elif code == pb.OPT_COMMENT:
                    batch.comments.setdefault(i, []).append(pb.plain_text(value))
        if flags.any():
            batch.flags = flags

    def _other_block(self, buffer: U8, words: U32, start: int) -> Iterator[_Packet]:
        """Take in an interface, or a packet of a kind that is rare today; anything else is passed over."""
        kind, size = int(words[start]), int(words[start + 1])
        at, end = start * 4 + 8, start * 4 + size - 4
        if kind == pb.INTERFACE:
            number = len(self.interfaces) - self.first_interface
            body = buffer[at:end].tobytes().ljust(8, b"\0")
            self.interfaces.append(pb.read_interface(body, self.order, section=self.section, number=number))
        elif kind == pb.PACKET_SIMPLE and size >= 16:
            length = int(words[start + 2])
            yield from self._rare_packet(0, NO_TIME, at + 4, end, length, length)
        elif kind == pb.PACKET_OBSOLETE and size >= pb.PACKET_FRAME_BYTES:
            (number,) = struct.unpack(self.order + "H", buffer[at : at + 2].tobytes())
            ticks, captured, length = (
                (int(words[start + 3]) << 32) + int(words[start + 4]),
                *words[start + 5 : start + 7],
            )
            yield from self._rare_packet(number, ticks, at + 20, end, int(captured), int(length))

    def _rare_packet(self, number: int, ticks: int, at: int, end: int, captured: int, length: int) -> Iterator[_Packet]:
        index = self.first_interface + number
        if index >= len(self.interfaces):
            self.stray_packets += 1
            return
        interface = self.interfaces[index]
        if ticks == NO_TIME and interface.snaplen:
            captured = min(captured, interface.snaplen)
        captured = min(captured, end - at)
        if length > captured:
            self.short_packets += 1
            self.missing_bytes += length - captured
        t_ns = ticks if ticks == NO_TIME else int(interface.to_ns(np.array([ticks], np.uint64))[0])
        yield _Packet(at, captured, t_ns, index)


def _merged(batch: PacketBatch, odd: list[_Packet]) -> PacketBatch:
    columns = np.array(odd, np.int64).T
    start = np.concatenate([batch.start, columns[0]])
    order = np.argsort(start, kind="stable")
    place = np.empty_like(order)
    place[order] = np.arange(order.size)
    flags = batch.flags
    if flags is not None:
        flags = np.concatenate([flags, np.zeros(len(odd), np.uint32)])[order]
    return PacketBatch(
        batch.buffer,
        batch.base,
        start[order],
        np.concatenate([batch.size, columns[1]])[order],
        np.concatenate([batch.t_ns, columns[2]])[order],
        np.concatenate([batch.interface, columns[3].astype(np.int32)])[order],
        flags,
        {int(place[i]): comments for i, comments in batch.comments.items()},
    )
