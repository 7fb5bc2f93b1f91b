"""Packets of a capture as columns, and operations on such columns."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from busbench.capture.concat_slices import gather
from busbench.capture.pcapng_chain import U32
from busbench.model import I64, U8, Bools

NO_TIME = int(np.iinfo(np.int64).min)


@dataclass(slots=True, eq=False)
class PacketBatch:
    """Packets of a file in order, as columns of equal length."""

    buffer: U8  # uint8, the bytes read from the file; overwritten by the next batch
    base: int  # file offset of buffer[0]
    start: I64  # position of each packet's data in the buffer, int64 (N,)
    size: I64  # bytes of it that were captured, int64 (N,)
    t_ns: I64  # its time in ns since the Unix epoch, int64 (N,); NO_TIME without one
    interface: NDArray[np.int32]  # index into PacketFile.interfaces, int32 (N,)
    sole: int = -1  # the interface of all packets, -1 if they differ or it is unknown
    flags: U32 | None = None  # packet flags (bits 0-1 the direction), uint32 (N,), None if no packet has any
    comments: dict[int, list[str]] = field(default_factory=dict)  # comments of the few packets that have some, by index
    step: int = 0  # if not 0, all packets have one size and are this many bytes apart

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
        """End of each packet in the joined data, int64 (N,)."""
        if self.step:
            return np.arange(1, len(self) + 1, dtype=np.int64) * int(self.size[0])
        return np.cumsum(self.size)

    def payload(self, ends: I64) -> U8:
        """The data of all packets, joined in a new array; `ends` is from ends()."""
        size = int(self.size[0]) if self.step else 0
        if size:
            # one item per packet: numpy copies it at once, not byte by byte
            item = np.dtype((np.void, size))
            return np.ndarray((len(self),), item, self.buffer, int(self.start[0]), (self.step,)).copy().view(np.uint8)
        return gather(self.buffer, self.start, self.size, ends)


class OnePacket(NamedTuple):
    """A packet that was read individually."""

    start: int  # position of its data in the buffer
    size: int  # bytes of it that were captured
    t_ns: int  # its time, NO_TIME without one
    interface: int  # index into PacketFile.interfaces


def merged(batch: PacketBatch, odd: list[OnePacket]) -> PacketBatch:
    """A batch merged with packets of the same buffer that were read individually, in order."""
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
