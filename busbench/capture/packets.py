"""Packets of a pcapng file as columns, a few megabytes at a time, whatever they hold."""

from __future__ import annotations

import struct
from collections.abc import Generator, Iterator
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from busbench.capture import pcapng_blocks as pb
from busbench.capture.gather import SLACK, gather
from busbench.capture.pcapng_chain import BLOCK_BYTES_MAX, U32, Blocks, Chain
from busbench.capture.source import open_binary, read_into
from busbench.errors import CaptureError, counted
from busbench.model import I64, U8, Bools

NO_TIME = int(np.iinfo(np.int64).min)
_BUFFER_BYTES = 3 << 19  # more would leave the processor's cache
_KEPT_BYTES = 24 << 20
_COMMENTS_MAX = 200  # of one packet; damage is written in a few long ones
_SMALL = 64  # batches of fewer packets are joined, at most so many
_SECTION_BYTES = pb.SECTION_HEADER.to_bytes(4, "little")  # the same in both byte orders


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
        sole: the interface of all of them, -1 where they differ or that is not known.
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
    sole: int = -1
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
            self.sole,
            None if self.flags is None else self.flags[keep],
            {int(place[i]): comments for i, comments in self.comments.items() if keep[i]},
        )

    def ends(self) -> I64:
        """Where each packet ends among the data of all, int64 (N,)."""
        if self.step:
            return np.arange(1, len(self) + 1, dtype=np.int64) * int(self.size[0])
        return np.cumsum(self.size)

    def payload(self, ends: I64) -> U8:
        """Data of all packets, one after another, in an array of its own.

        Args:
            ends: from ends().
        """
        size = int(self.size[0]) if self.step else 0
        if size:
            # a packet is one item: numpy copies it at once, not byte by byte
            item = np.dtype((np.void, size))
            return np.ndarray((len(self),), item, self.buffer, int(self.start[0]), (self.step,)).copy().view(np.uint8)
        return gather(self.buffer, self.start, self.size, ends)


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

    def batches(self, *, of_many_sections: bool = False) -> Iterator[PacketBatch]:
        """Read the file from its start.

        Args:
            of_many_sections: True to join the packets of sections that end as soon as they begin.

        Raises:
            CaptureError: the system could not read on, or no section begins the file.
        """
        self.interfaces, self.notes = [], []
        scan = _Scan(self.interfaces, joined_max=_SMALL if of_many_sections else 1)
        # Once so much has been given back, glibc keeps what is freed for the next
        # batch instead of fetching fresh pages for each: a sixth of the time.
        np.empty(_KEPT_BYTES, np.uint8)
        with open_binary(self.path) as file:
            buffer = np.zeros(_BUFFER_BYTES + SLACK, np.uint8)
            base = have = 0
            while True:
                room = buffer.size - SLACK
                got = read_into(file, memoryview(buffer.data)[have:room], self.path)
                have += got
                at = yield from scan.batches(buffer, base, have)
                if scan.fault or have < room:
                    break
                if at == 0:
                    # one block is longer than the buffer
                    bigger = np.zeros(2 * room + SLACK, np.uint8)
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
                raise CaptureError(self.path, "is empty", hint="was the recording ended before a byte came?")
            what = scan.fault or "the file is cut inside its first block"
            raise CaptureError(self.path, what, offset=at, hint="copy the file again, or record anew")
        if scan.fault:
            self.notes.append(f"byte {at}: {scan.fault}; not read from there on ({counted(end - at, 'byte')})")
        elif at < end:
            left_out = counted(end - at, "byte")
            self.notes.append(f"byte {at}: the file is cut inside a block; left out from there on ({left_out})")
        if scan.missing_bytes:
            missing = counted(scan.missing_bytes, "byte")
            self.notes.append(f"cut short when recorded: {counted(scan.short_packets, 'packet')}, {missing} missing")
        if scan.stray_packets:
            strays = counted(scan.stray_packets, "packet")
            self.notes.append(f"passed over: {strays} of an interface that is not described")
        if scan.comments_over:
            over = counted(scan.comments_over, "comment")
            self.notes.append(f"passed over: {over} of packets that have more than {_COMMENTS_MAX}")


class _Packet(NamedTuple):
    start: int
    size: int
    t_ns: int
    interface: int


class _Scan:
    """What has to be kept from one buffer to the next."""

    def __init__(self, interfaces: list[pb.Interface], *, joined_max: int) -> None:
        self.interfaces = interfaces
        self.joined_max = joined_max
        self.first_interface = 0
        self.section = -1
        self.order = "<"
        self.fault = ""
        self.short_packets = self.missing_bytes = self.stray_packets = self.comments_over = 0

    def batches(self, buffer: U8, base: int, have: int) -> Generator[PacketBatch, None, int]:
        """Give the whole blocks in buffer[:have]; return the place of the first that is not."""
        at = 0
        small: list[PacketBatch] = []  # of sections that end as soon as they begin
        if self.section < 0:
            at = self._header(buffer[:have])
        while self.section >= 0 and not self.fault:
            words = buffer[: have & ~3].view(self.order + "u4")
            chain = Chain(words, at // 4)
            for blocks in chain.runs():
                batch = self._batch(buffer, base, blocks)
                is_small = len(batch) < _SMALL
                small += [batch] if is_small and len(batch) else []
                if not is_small or len(small) >= self.joined_max:
                    yield from _joined(small)
                if not is_small:
                    yield batch
            at, self.fault = chain.at * 4, chain.fault
            size = self._header(buffer[at:have]) if chain.at_section else 0
            if not size:
                break
            at += size
        yield from _joined(small)
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
        if not blocks.all_packets:
            is_packet = blocks.words.take(blocks.starts) == pb.PACKET
            is_packet &= blocks.size >= pb.PACKET_FRAME_BYTES
            for start in blocks.starts[~is_packet].tolist():
                odd += self._other_block(buffer, blocks.words, start)
            blocks = blocks.select(is_packet)
        interface = blocks.column(2)
        known = len(self.interfaces) - self.first_interface
        if interface.size and int(interface.max()) >= known:
            blocks = blocks.select(interface < known)
            self.stray_packets += interface.size - blocks.starts.size
        batch = self._packets(buffer, base, blocks)
        return _merged(batch, odd) if odd else batch

    def _packets(self, buffer: U8, base: int, blocks: Blocks) -> PacketBatch:
        captured, length = blocks.column(5), blocks.column(6)
        equal = bool(blocks.step) and bool((captured == captured[0]).all())
        size = np.full(captured.size, captured[0], np.int64) if equal else captured.astype(np.int64)
        option_bytes = blocks.size - ((size + (3 + pb.PACKET_FRAME_BYTES)) & ~3)
        batch = PacketBatch(buffer, base, blocks.starts * 4 + pb.PACKET_HEADER_BYTES, size, *self._stamps(blocks))
        if option_bytes.any():
            np.minimum(size, blocks.size - pb.PACKET_FRAME_BYTES, out=size)  # a packet ends with its block
        if (length != captured).any() or (option_bytes < 0).any():
            missing = (length - size).clip(0)
            self.short_packets += int(np.count_nonzero(missing))
            self.missing_bytes += int(missing.sum())
        if option_bytes.any():
            self._read_options(batch, option_bytes)
        if equal:
            batch.step = blocks.step * 4
        return batch

    def _stamps(self, blocks: Blocks) -> tuple[I64, NDArray[np.int32], int]:
        """Times, interfaces, and the interface of all, -1 where they differ."""
        number, high, low = blocks.column(2), blocks.column(3), blocks.column(4)
        ticks = low.astype(np.uint64)
        if not ticks.size:
            return ticks.view(np.int64), number.astype(np.int32), -1
        if (high == high[0]).all():
            ticks += np.uint64(int(high[0]) << 32)
        else:
            ticks += high.astype(np.uint64) << np.uint64(32)
        if (number == number[0]).all():
            sole = self.first_interface + int(number[0])
            return self.interfaces[sole].to_ns(ticks), np.full(number.size, sole, np.int32), sole
        interface = number.astype(np.int32) + np.int32(self.first_interface)
        times = np.empty(ticks.size, np.int64)
        for one in np.unique(interface).tolist():
            mine = interface == one
            times[mine] = self.interfaces[one].to_ns(ticks[mine])
        return times, interface, -1

    def _read_options(self, batch: PacketBatch, option_bytes: I64) -> None:
        """Read flags in bulk where nothing else is there, and the rest one by one."""
        words = batch.buffer.view(self.order + "u4")
        at = (batch.start + (batch.size + 3 & ~3)) // 4
        # three words are one item: an option's head, the flags, the end of options
        items = np.ndarray((words.size - 3,), np.dtype((np.void, 12)), words, 0, (4,))[at]
        option = items.view(words.dtype).reshape(-1, 3)
        head = int(np.frombuffer(struct.pack(self.order + "HH", pb.OPT_FLAGS, 4), words.dtype)[0])
        plain = (option_bytes == 12) & (option[:, 0] == head) & (option[:, 2] == pb.OPT_END)
        flags = option[:, 1].astype(np.uint32)
        if not plain.all():
            flags[~plain] = 0
            for i in np.flatnonzero(~plain & (option_bytes > 0)).tolist():
                place = int(at[i]) * 4
                data = batch.buffer[place : place + int(option_bytes[i])].tobytes()
                for code, value in pb.read_options(data, self.order):
                    if code == pb.OPT_FLAGS and len(value) == 4:
                        flags[i] = struct.unpack(self.order + "I", value)[0]
                    elif code == pb.OPT_COMMENT:
                        comments = batch.comments.setdefault(i, [])
                        if len(comments) < _COMMENTS_MAX:
                            comments.append(pb.text_of(value))
                        else:
                            self.comments_over += 1
        batch.flags = flags

    def _other_block(self, buffer: U8, words: U32, start: int) -> Iterator[_Packet]:
        """Take in an interface, or a packet of a kind that is rare today; anything else is passed over."""
        kind, size = int(words[start]), int(words[start + 1])
        at, end = start * 4 + 8, start * 4 + size - 4
        if kind == pb.INTERFACE:
            number = len(self.interfaces) - self.first_interface
            body = buffer[at:end].tobytes().ljust(8, b"\0")
            index = len(self.interfaces)
            one = pb.read_interface(body, self.order, section=self.section, number=number, index=index)
            self.interfaces.append(one)
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


def _joined(batches: list[PacketBatch]) -> Iterator[PacketBatch]:
    """Batches of one buffer as one; the list is empty behind it."""
    if len(batches) > 1:
        before = np.cumsum([0, *map(len, batches)]).tolist()
        comments = {
            first + i: some for first, one in zip(before, batches, strict=False) for i, some in one.comments.items()
        }
        start, size, t_ns, interface = (
            np.concatenate([getattr(one, name) for one in batches]) for name in ("start", "size", "t_ns", "interface")
        )
        flags = None
        if any(one.flags is not None for one in batches):
            flags = np.concatenate(
                [np.zeros(len(one), np.uint32) if one.flags is None else one.flags for one in batches]
            )
        batches[:] = [
            PacketBatch(batches[0].buffer, batches[0].base, start, size, t_ns, interface, -1, flags, comments)
        ]
    yield from batches
    batches.clear()


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
        -1,
        flags,
        {int(place[i]): comments for i, comments in batch.comments.items()},
    )
