"""Read one buffer of a pcapng file, with the state kept between buffers."""

from __future__ import annotations

import struct
from collections.abc import Generator, Iterator

import numpy as np
from numpy.typing import NDArray

from busbench.capture import pcapng_blocks as pb
from busbench.capture.packet_batch import NO_TIME, OnePacket, PacketBatch, merged
from busbench.capture.pcapng_chain import BLOCK_BYTES_MAX, U32, Blocks, Chain
from busbench.model import I64, U8

COMMENTS_MAX = 200  # comments of one packet; damage is written in a few long ones
_TURNS_MAX = 500  # changes of byte order; files joined from two machines may have a few
# Block types read besides packets, one by one; all others are skipped.
_TOLD = (pb.SECTION_HEADER, pb.INTERFACE, pb.PACKET_SIMPLE, pb.PACKET_OBSOLETE)
_SECTION_BYTES = pb.SECTION_HEADER.to_bytes(4, "little")  # equal in both byte orders


class Scan:
    """Reads the blocks of a file buffer by buffer.

    Args:
        interfaces: described interfaces are appended.

    Attributes:
        section: number of the current section, -1 before the first.
        fault: why reading ended, or "".
        short_packets, missing_bytes: packets cut short when they were captured, and by how much.
        stray_packets: packets of an interface that is not described.
        comments_over: skipped comments of packets with too many.
    """

    def __init__(self, interfaces: list[pb.Interface]) -> None:
        self.interfaces = interfaces
        self.first_interface = 0  # of the section
        self.section = -1
        self.order = "<"
        self._turns = 0
        self.fault = ""
        self.short_packets = self.missing_bytes = self.stray_packets = self.comments_over = 0

    def batches(self, buffer: U8, base: int, have: int) -> Generator[PacketBatch, None, int]:
        """Yield the whole blocks in buffer[:have]; return the position of the first incomplete one."""
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
        """Begin a section; returns the length of its header, 0 if it is incomplete or invalid."""
        head = data[:12].tobytes()
        if head[:4] != _SECTION_BYTES[: len(head)]:
            self.fault = "no pcapng section begins here"
        if self.fault or len(head) < 12:
            return 0
        orders = [order for order in "<>" if struct.unpack_from(order + "I", head, 8)[0] == pb.MAGIC]
        if not orders:
            self.fault = "a pcapng section begins here, but its byte order cannot be known"
            return 0
        size = int(struct.unpack_from(orders[0] + "I", head, 4)[0])
        if size < pb.SECTION_BYTES_MIN or size & 3 or size > BLOCK_BYTES_MAX:
            self.fault = f"a section header of impossible length {size}"
        elif size <= data.size:
            if struct.unpack(orders[0] + "I", data[size - 4 : size].tobytes())[0] == size:
                self._turns += orders[0] != self.order
                self.order = orders[0]
                if self._turns <= _TURNS_MAX:
                    self._begin_section()
                    return size
                self.fault = "the byte order changes from section to section, again and again"
                return 0
            self.fault = "the two lengths of a section header differ"
        return 0

    def _begin_section(self) -> None:
        self.section += 1
        self.first_interface = len(self.interfaces)

    def _batch(self, buffer: U8, base: int, blocks: Blocks) -> PacketBatch:
        odd: list[OnePacket] = []
        sections = [(0, self.first_interface)]  # start word and first interface of each
        if not blocks.all_packets:
            is_packet = blocks.words.take(blocks.starts) == pb.PACKET
            is_packet &= blocks.size >= pb.PACKET_FRAME_BYTES
            others = blocks.starts[~is_packet]
            kinds = blocks.words.take(others)
            told = np.isin(kinds, _TOLD)
            for start, kind in zip(others[told].tolist(), kinds[told].tolist(), strict=True):
                if kind == pb.SECTION_HEADER:
                    self._begin_section()
                    sections.append((start, self.first_interface))
                elif kind == pb.INTERFACE:
                    self._interface(buffer, start * 4, int(blocks.words[start + 1]))
                else:
                    odd += self._old_packet(buffer, blocks.words, start)
            blocks = blocks.select(is_packet)
        number = blocks.column(2)
        first: int | I64 = self.first_interface
        known: int | I64 = len(self.interfaces) - self.first_interface
        if len(sections) > 1:
            begin, firsts = np.array(sections, np.int64).T
            section = np.searchsorted(begin, blocks.starts, "right") - 1
            first, known = firsts[section], np.diff(firsts, append=len(self.interfaces))[section]
        if blocks.step and (number == number[0]).all():
            number = number[:1]  # if all are equal, one is evaluated
        is_known = number < known
        if not is_known.all():
            is_known = np.broadcast_to(is_known, blocks.starts.shape)
            self.stray_packets += int(np.count_nonzero(~is_known))
            blocks, number = blocks.select(is_known), np.broadcast_to(number, is_known.shape)[is_known]
            first = first if isinstance(first, int) else first[is_known]
        batch = self._packets(buffer, base, blocks, (number + np.int64(first)).astype(np.int32))
        return merged(batch, odd) if odd else batch

    def _packets(self, buffer: U8, base: int, blocks: Blocks, interface: NDArray[np.int32]) -> PacketBatch:
        """The packets of blocks; `interface` has one item if it is the same for all."""
        count = blocks.starts.size
        captured, length, block_bytes = blocks.column(5), blocks.column(6), blocks.size
        equal = bool(blocks.step) and bool((blocks.pairs(5) == blocks.pairs(5)[0]).all())
        if equal:
            captured, length, block_bytes = captured[:1], length[:1], block_bytes[:1]
        size = captured.astype(np.int64)
        option_bytes = block_bytes - ((size + (3 + pb.PACKET_FRAME_BYTES)) & ~3)
        has_options = bool(option_bytes.any())
        if has_options:
            np.minimum(size, block_bytes - pb.PACKET_FRAME_BYTES, out=size)  # a packet ends with its block
        if (length != captured).any() or (option_bytes < 0).any():
            missing = np.broadcast_to((length - size).clip(0), count)
            self.short_packets += int(np.count_nonzero(missing))
            self.missing_bytes += int(missing.sum())
        batch = PacketBatch(
            buffer,
            base,
            blocks.starts * 4 + pb.PACKET_HEADER_BYTES,
            np.broadcast_to(size, count),
            self._times(blocks, interface),
            np.broadcast_to(interface, count),
            int(interface[0]) if interface.size and (interface == interface[0]).all() else -1,
            step=blocks.step * 4 if equal else 0,
        )
        if has_options:
            self._read_options(batch, np.broadcast_to(option_bytes, count))
        return batch

    def _times(self, blocks: Blocks, interface: NDArray[np.int32]) -> I64:
        high, low = blocks.column(3), blocks.column(4)
        ticks = low.astype(np.uint64)
        if high.size and (high == high[0]).all():
            ticks += np.uint64(int(high[0]) << 32)
        else:
            ticks += high.astype(np.uint64) << np.uint64(32)
        if not ticks.size:
            return ticks.view(np.int64)
        lowest = int(interface.min())
        some = self.interfaces[lowest : int(interface.max()) + 1]
        units = {(one.tsresol, one.tsoffset_s, one.is_signed) for one in some}
        if len(units) == 1:
            return some[0].to_ns(ticks)
        place = interface - lowest
        tsresol = np.array([one.tsresol for one in some])[place]
        times = np.empty(ticks.size, np.int64)
        for one in np.unique(tsresol).tolist():
            times[tsresol == one] = pb.to_ns(ticks[tsresol == one], one)
        times = pb.add_offset(times, np.array([one.tsoffset_s for one in some])[place])
        signed = np.array([one.is_signed for one in some])[place]
        times[signed] = pb.signed_ns(ticks[signed])
        return times

    def _read_options(self, batch: PacketBatch, option_bytes: I64) -> None:
        """Read flags in bulk if there is nothing else, and the rest one by one."""
        words = batch.buffer.view(self.order + "u4")
        at = (batch.start + (batch.size + 3 & ~3)) // 4
        # three words are one item: an option's head, the flags, the end of options
        if batch.step:
            items = np.ndarray(at.shape, np.dtype((np.void, 12)), words, int(at[0]) * 4, (batch.step,)).copy()
        else:
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
                        if len(comments) < COMMENTS_MAX:
                            comments.append(pb.text_of(value))
                        else:
                            self.comments_over += 1
        batch.flags = flags

    def _interface(self, buffer: U8, at: int, size: int) -> None:
        index = len(self.interfaces)
        body = buffer[at + 8 : at + size - 4].tobytes().ljust(8, b"\0")
        number = index - self.first_interface
        self.interfaces.append(pb.read_interface(body, self.order, section=self.section, number=number, index=index))

    def _old_packet(self, buffer: U8, words: U32, start: int) -> Iterator[OnePacket]:
        """A packet block of the obsolete type."""
        kind, size = int(words[start]), int(words[start + 1])
        at, end = start * 4 + 8, start * 4 + size - 4
        if kind == pb.PACKET_SIMPLE and size >= 16:
            length = int(words[start + 2])
            yield from self._rare_packet(0, NO_TIME, at + 4, end, length, length)
        elif kind == pb.PACKET_OBSOLETE and size >= pb.PACKET_FRAME_BYTES:
            (number,) = struct.unpack(self.order + "H", buffer[at : at + 2].tobytes())
            ticks, captured, length = (
                (int(words[start + 3]) << 32) + int(words[start + 4]),
                *words[start + 5 : start + 7],
            )
            yield from self._rare_packet(number, ticks, at + 20, end, int(captured), int(length))

    def _rare_packet(
        self, number: int, ticks: int, at: int, end: int, captured: int, length: int
    ) -> Iterator[OnePacket]:
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
        yield OnePacket(at, captured, t_ns, index)
