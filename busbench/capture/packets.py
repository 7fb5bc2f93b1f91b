"""Packets of a pcapng or pcap file as columns, a few megabytes at a time, whatever they hold."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from busbench.capture import pcapng_blocks as pb
from busbench.capture.concat_slices import SLACK
from busbench.capture.file_io import Source, as_source, read_head, read_into
from busbench.capture.packet_batch import PacketBatch
from busbench.capture.packet_scan import COMMENTS_MAX, Scan
from busbench.capture.pcap_scan import PcapScan, pcap_header
from busbench.errors import CaptureError, pluralize

_BUFFER_BYTES = 3 << 19  # more would not fit the processor's cache
_KEPT_BYTES = 24 << 20


class PacketFile:
    """A pcapng or pcap file as a stream of packets that can be read repeatedly.

    Attributes:
        interfaces: every interface described so far; those in the first
            megabytes are known from the start, others are added while batches are read.
        notes: what was wrong, one line each; complete when the batches end.

    Raises:
        CaptureError: the file cannot be opened, or is of another format.
    """

    def __init__(self, source: str | Source) -> None:
        self._source = as_source(source)
        self.path = self._source.name
        self.interfaces: list[pb.Interface] = []
        self.notes: list[str] = []
        self._is_pcap = pcap_header(read_head(self._source, most=4)) is not None
        for _ in self._parts():
            break

    def batches(self) -> Iterator[PacketBatch]:
        """Read the file from its start; no batch is empty.

        Raises:
            CaptureError: the system could not read on, or no section begins the file.
        """
        return filter(None, self._parts())

    def _parts(self) -> Iterator[PacketBatch | None]:
        """The batches, and None at the end of each buffer."""
        self.interfaces, self.notes = [], []
        scan = PcapScan(self.interfaces) if self._is_pcap else Scan(self.interfaces)
        # After this much was freed at once, glibc keeps freed memory for the next
        # batch instead of fetching fresh pages for each: a sixth of the time.
        np.empty(_KEPT_BYTES, np.uint8)
        with self._source.open() as stream:
            buffer = np.zeros(_BUFFER_BYTES + SLACK, np.uint8)
            base = have = 0
            while True:
                room = buffer.size - SLACK
                got = read_into(stream, memoryview(buffer.data)[have:room], self.path)
                have += got
                at = yield from scan.batches(buffer, base, have)
                if scan.fault or not got:
                    break
                yield None
                if at == 0:
                    # one block is longer than the buffer
                    bigger = np.zeros(2 * room + SLACK, np.uint8)
                    bigger[:have] = buffer[:have]
                    buffer = bigger
                else:
                    buffer[: have - at] = buffer[at:have]
                    base, have = base + at, have - at
            end = self._source.size() if scan.fault else base + have
        self._close(scan, base + at, end)

    @property
    def format(self) -> str:
        """Format name for people."""
        return "pcap" if self._is_pcap else "pcapng"

    def _close(self, scan: Scan | PcapScan, at: int, end: int | None) -> None:
        if scan.section < 0:
            if end == 0:
                raise CaptureError(self.path, "file is empty", hint="was the recording ended before a byte came?")
            what = scan.fault or f"the file is cut inside its first {'header' if self._is_pcap else 'block'}"
            raise CaptureError(self.path, what, offset=at, hint="copy the file again, or record again")
        if scan.fault:
            left_out = "" if end is None else f" ({pluralize(end - at, 'byte')})"
            self.notes.append(f"byte {at}: {scan.fault}; not read from there on{left_out}")
        elif end is not None and at < end:
            left_out = pluralize(end - at, "byte")
            piece = "packet" if self._is_pcap else "block"
            self.notes.append(f"byte {at}: the file is cut inside a {piece}; left out from there on ({left_out})")
        if scan.missing_bytes:
            missing = pluralize(scan.missing_bytes, "byte")
            self.notes.append(f"cut short when recorded: {pluralize(scan.short_packets, 'packet')}, {missing} missing")
        if scan.stray_packets:
            strays = pluralize(scan.stray_packets, "packet")
            self.notes.append(f"passed over: {strays} of an interface that is not described")
        if scan.comments_over:
            over = pluralize(scan.comments_over, "comment")
            self.notes.append(f"passed over: {over} of packets that have more than {COMMENTS_MAX:,}")
