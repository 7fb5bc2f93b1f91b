"""Serial bytes from a pcapng or pcap file: one packet is one read."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from busbench.capture import pcapng_blocks as pb
from busbench.capture.base import CHOICE, Capture, CaptureInfo, ReadOptions
from busbench.capture.file_io import Source, as_source
from busbench.capture.left_out import parse_left_out, parse_minute
from busbench.capture.packet_batch import NO_TIME, PacketBatch
from busbench.capture.packet_order import PacketOrder
from busbench.capture.packets import PacketFile
from busbench.capture.pcap_scan import pcap_header
from busbench.capture.pcapng_choice import choose, sent_packets
from busbench.errors import pluralize
from busbench.line import WakeUps
from busbench.model import I64, NO_CLOCK, TIME_MAX_NS, TIME_MIN_NS, U8, Annotation, Bools, ByteLog, set_readonly

FORMAT = "pcapng"


def sniff(head: bytes) -> bool:
    """True if the file begins as pcapng or pcap, even if it is cut within its first block."""
    magic = pb.SECTION_HEADER.to_bytes(4, "little")
    return len(head) >= 4 and (head.startswith(magic) or pcap_header(head) is not None)


def open_file(source: str | Source, options: ReadOptions) -> Capture:
    """Open a pcapng or pcap file of serial bytes; `options.interface` picks one by name or number."""
    return SerialPackets(as_source(source), options)


class SerialPackets(Capture):
    """One direction of one interface of a pcapng file.

    Without a choice it is the serial one; see choose.
    """

    def __init__(self, source: Source, options: ReadOptions) -> None:
        self._source, self._file, self._line = source, PacketFile(source), options.line
        self._chosen, self._outbound, has_times = choose(self._file, options.interface)
        self.is_sent = self._outbound
        self.info = CaptureInfo(source.name, self._file.format, NO_CLOCK, None, self._chosen.label)
        self.info.origin = self._chosen.origin
        if has_times:
            self.info.clock = self._chosen.clock
        if self.info.clock.is_known and self._chosen.has_wall_clock:
            self.info.start_utc_ns = 0
        self._first_notes: list[str] = []
        if not self._chosen.is_serial:
            self._first_notes.append(
                f"{self._chosen.label} has link type {self._chosen.link_type}, not {pb.LINK_SERIAL}:"
                " its packets are taken as serial bytes"
            )
        self.info.notes.extend(self._first_notes)

    def blocks(self) -> Iterator[ByteLog]:
        """Read the chosen bytes from the start of the file."""
        info = self.info
        for grown in (info.notes, *info.timed):
            grown.clear()
        others: dict[tuple[int, bool], int] = {}
        order = PacketOrder(clock=info.clock, line=self._line)
        last_ns, back, held = 0, 0, 0
        # busbench's recorder writes each packet once and in order, so that none must wait for the next.
        is_ordered = self._source.comes_slowly and self._chosen.is_own
        for log in self._logs(others) if is_ordered else order.arrange(self._logs(others)):
            if log.mark_t_ns.size:
                times = log.mark_t_ns
                if times.max() == TIME_MAX_NS or times.min() == TIME_MIN_NS:
                    held += int(np.count_nonzero((times == TIME_MAX_NS) | (times == TIME_MIN_NS)))
                back += int(log.offset > 0 and times[0] < last_ns) + int(np.count_nonzero(times[1:] < times[:-1]))
                last_ns = int(times[-1])
            yield log
        info.notes.extend(self._first_notes + self._others_notes(others) + self._file.notes + order.notes)
        if held:
            said = f"{pluralize(held, 'packet')} stamped outside the years 1896 to 2116 and kept at that bound"
            info.notes.append(f"{said}: their times mean nothing")
        if back:
            often = "once" if back == 1 else f"{back} times"
            info.notes.append(f"the clock goes back {often}: figures of time that span that mean nothing")

    def _are_chosen(self, batch: PacketBatch) -> Bools:
        """True for the packets of the chosen interface; no batch is empty."""
        # a batch has only a few of a file's interfaces
        first, last = int(batch.interface.min()), int(batch.interface.max())
        table = np.array([one.is_same(self._chosen) for one in self._file.interfaces[first : last + 1]], np.bool_)
        return table[batch.interface - first]

    def _logs(self, others: dict[tuple[int, bool], int]) -> Iterator[ByteLog]:
        """The chosen bytes in the order of the file; counts the others."""
        offset, last_ns = 0, 0
        for batch in self._file.batches():
            keep = self._keep(batch, others)
            self._collect_marks(batch)
            some = batch if keep is None else batch.select(keep)
            if len(some):
                log = self._log(some, offset, last_ns)
                offset = log.end
                last_ns = int(log.mark_t_ns[-1]) if log.mark_t_ns.size else last_ns
                yield log

    def _keep(self, batch: PacketBatch, others: dict[tuple[int, bool], int]) -> Bools | None:
        """The chosen packets with bytes, None for all; counts the bytes of the others."""
        if batch.sole >= 0 and self._file.interfaces[batch.sole].is_same(self._chosen) and batch.size.all():
            outbound = self._file.interfaces[batch.sole].is_outbound
            if batch.flags is None:
                if outbound == self._outbound:
                    return None
            elif (batch.flags & pb.DIRECTION_MASK == (pb.OUTBOUND if self._outbound else pb.INBOUND)).all():
                return None
        sent = sent_packets(batch, self._file.interfaces)
        keep = self._are_chosen(batch)
        keep &= sent == self._outbound
        if not keep.all():
            left = batch.interface[~keep].astype(np.int64) * 2 + sent[~keep]
            for key, size in enumerate(np.bincount(left, batch.size[~keep]).tolist()):
                if size:
                    others[key >> 1, bool(key & 1)] = others.get((key >> 1, bool(key & 1)), 0) + int(size)
        keep &= batch.size > 0
        return None if keep.all() else keep

    def _others_notes(self, others: dict[tuple[int, bool], int]) -> list[str]:
        if not others:
            return []
        faces = self._file.interfaces
        words = [
            f"{pluralize(size, 'byte')} {'sent' if sent else 'received'} on {index} ({faces[index].label})"
            for (index, sent), size in sorted(others.items())
        ]
        return [
            f"{CHOICE} {'sent' if self._outbound else 'received'} on {self._chosen.label}; passed over: "
            + pb.listed(words)
        ]

    def _collect_marks(self, batch: PacketBatch) -> None:
        for i, comments in batch.comments.items():
            if self._is_of_another_line(self._file.interfaces[batch.interface[i]]):
                continue
            t_ns = int(batch.t_ns[i])  # only packets with a time have comments
            for comment in comments:
                if pb.read_bad(comment, 0) is not None:
                    continue
                if (counts := pb.read_wakes(comment)) is not None:
                    self.info.wakes.append(WakeUps(t_ns, counts))
                elif (left_out := parse_left_out(comment, t_ns)) is not None:
                    self.info.left_out.append(left_out)
                elif (totals := parse_minute(comment, t_ns)) is not None:
                    self.info.totals.append(totals)
                else:
                    self.info.marks.append(Annotation(t_ns, comment.removeprefix("mark=").strip()))

    def _is_of_another_line(self, one: pb.Interface) -> bool:
        """True for another port recorded beside the chosen one; its events are not annotations of this one."""
        received = one.is_own and not (one.is_outbound or self._chosen.is_outbound)
        return received and not one.is_same(self._chosen)

    def _log(self, batch: PacketBatch, offset: int, last_ns: int) -> ByteLog:
        ends = batch.ends()
        data = batch.payload(ends)
        bad = self._bad(batch, ends, data.size)
        ends += offset
        times = batch.t_ns
        if not self.info.clock.is_known:
            ends = times = np.empty(0, np.int64)
        elif times.min() == NO_TIME:
            timed = times != NO_TIME
            timed[-1] = True  # the last byte of a log has a time
            ends, times = ends[timed], times[timed]
            if times[-1] == NO_TIME:
                times[-1] = times[-2] if times.size > 1 else last_ns
        set_readonly(data, ends, times, bad)
        return ByteLog(offset, data, ends, times, bad)

    @staticmethod
    def _bad(batch: PacketBatch, ends: I64, total: int) -> U8 | None:
        bad: U8 | None = None
        for i, comments in batch.comments.items():
            size = int(batch.size[i])
            for runs in filter(None, (pb.read_bad(comment, size) for comment in comments)):
                if bad is None:
                    bad = np.zeros(total, np.uint8)
                first = int(ends[i]) - size
                for run in runs:
                    bad[first + run.start : first + run.stop] = 1
        return bad
