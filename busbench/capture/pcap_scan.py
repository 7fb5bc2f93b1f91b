"""Read one buffer of a capture in the older pcap layout.

Source: IETF draft-ietf-opsawg-pcap, "PCAP Capture File Format": a header of 24 bytes, then packets, each after a
header of 16. The magic number reports byte order and the unit of the stamps.
"""

from __future__ import annotations

import struct
from collections.abc import Generator

import numpy as np

from busbench.capture import pcapng_blocks as pb
from busbench.capture.packet_batch import PacketBatch
from busbench.model import I64, U8

_MAGIC = {0xA1B2C3D4: 6, 0xA1B23C4D: 9}  # power of ten of the timestamps' unit
_FILE_BYTES, _PACKET_BYTES = 24, 16
_SIZE_MAX = 64 << 20  # packets are shorter
_RUN_LEAST = 8  # min equal packets worth a search for more
_WALKED = 64  # packets read one by one before that


def pcap_header(head: bytes) -> tuple[str, int, int] | None:
    """Byte order, power of ten of the timestamps, and link type from the first bytes of a file; None for others."""
    for order in "<>":
        if len(head) >= 4 and struct.unpack_from(order + "I", head)[0] in _MAGIC:
            magic, link = struct.unpack_from(order + "I16xI", head.ljust(_FILE_BYTES, b"\0"))
            return order, _MAGIC[magic], link & 0xFFFF  # the bits above say whether checksums are kept
    return None


class PcapScan:
    """Reads the packets of a file buffer by buffer, as Scan does; adds the interface that the header describes."""

    def __init__(self, interfaces: list[pb.Interface]) -> None:
        self.interfaces = interfaces
        self.section = -1
        self.fault = ""
        self.short_packets = self.missing_bytes = self.stray_packets = self.comments_over = 0
        self._order = "<"

    def batches(self, buffer: U8, base: int, have: int) -> Generator[PacketBatch, None, int]:
        """Give the whole packets in buffer[:have]; return the place of the first that is not."""
        at = 0
        if self.section < 0:
            header = pcap_header(buffer[:_FILE_BYTES].tobytes())
            if header is None or have < _FILE_BYTES:
                return 0
            self._order, power, link = header
            self.interfaces.append(pb.Interface(0, 0, link, tsresol=power))
            self.section, at = 0, _FILE_BYTES
        starts, at = self._packets(buffer, at, have)
        if starts.size:
            yield self._batch(buffer, base, starts)
        return at

    def _packets(self, buffer: U8, at: int, have: int) -> tuple[I64, int]:
        """Starts of the whole packets, and the position after the last."""
        size_of = struct.Struct(self._order + "I").unpack_from
        parts: list[I64] = []
        while True:
            walked: list[int] = []
            same, last = 0, -1
            while at + _PACKET_BYTES <= have and len(walked) < _WALKED and same < _RUN_LEAST:
                (size,) = size_of(buffer.data, at + 8)
                if size > _SIZE_MAX:
                    self.fault = f"a packet of impossible length {size}"
                    break
                if at + _PACKET_BYTES + size > have:
                    break
                walked.append(at)
                same, last = (same + 1 if size == last else 1), size
                at += _PACKET_BYTES + size
            parts.append(np.array(walked, np.int64))
            if same >= _RUN_LEAST:
                step = _PACKET_BYTES + last
                sizes = np.ndarray(((have - at) // step,), self._order + "u4", buffer, at + 8, (step,))
                others = sizes != last
                run = int(others.argmax()) if others.any() else sizes.size
                parts.append(at + step * np.arange(run))
                at += step * run
            elif len(walked) < _WALKED:
                return np.concatenate(parts), at

    def _batch(self, buffer: U8, base: int, starts: I64) -> PacketBatch:
        heads = np.ndarray((buffer.size - _PACKET_BYTES + 1,), np.dtype((np.void, _PACKET_BYTES)), buffer, 0, (1,))
        fields = heads[starts].view(self._order + "u4").reshape(-1, 4)
        size, length = fields[:, 2].astype(np.int64), fields[:, 3].astype(np.int64)
        missing = (length - size).clip(0)
        self.short_packets += int(np.count_nonzero(missing))
        self.missing_bytes += int(missing.sum())
        unit_ns = 10 ** (9 - self.interfaces[0].tsresol)
        t_ns = fields[:, 0].astype(np.int64) * 1_000_000_000 + fields[:, 1].astype(np.int64) * unit_ns
        return PacketBatch(buffer, base, starts + _PACKET_BYTES, size, t_ns, np.zeros(starts.size, np.int32), 0)
