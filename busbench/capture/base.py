"""The contract of all readers of recordings."""

from __future__ import annotations

import abc
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from typing import Any

from busbench.capture.left_out import LeftOut, MinuteTotals
from busbench.line import BUS_LINE, LineSettings, WakeUps
from busbench.model import Annotation, ByteLog, Clock

ENDED_MARK = "recording ended"  # the recorder listened until then without receiving anything


@dataclass(frozen=True, slots=True)
class ReadOptions:
    """Choices for files that leave one open.

    Args:
        interface: name or number of the interface of a packet capture.
        usb_device: "bus.device" (for example "1.7") in a capture of a USB host.
        signal: name of the signal in a file of level changes.
        line: line settings for files of level changes and for character times.
    """

    interface: str | None = None
    usb_device: str | None = None
    signal: str | None = None
    line: LineSettings = BUS_LINE


@dataclass(frozen=True, slots=True)
class Origin:
    """What was recorded, and with which adapter; "" if unknown.

    Args:
        unit: the receiver or aircraft, as named by the user.
        note: the user's note about the whole recording.
        adapter_serial: serial number of the adapter.
    """

    unit: str = ""
    note: str = ""
    adapter_serial: str = ""

    def to_json(self) -> dict[str, object]:
        """Plain values under one key, to be merged into those of a result; empty if nothing is known."""
        values = {"unit": self.unit, "note": self.note, "adapter_serial": self.adapter_serial}
        return {"origin": {key: value or None for key, value in values.items()}} if any(values.values()) else {}

    @property
    def words(self) -> str:
        """One line for people; "" if nothing is known."""
        adapter = self.adapter_serial and f"adapter serial number {self.adapter_serial}"
        return ", ".join(filter(None, (self.unit, self.note, adapter)))


NO_ORIGIN = Origin()
CHOICE = "read what was"  # a note that begins so says which interface was read, and which others there are


@dataclass
class CaptureInfo:
    """What a recording says about itself; the lists grow while the file is read.

    Args:
        path: as given by the user; "-" is standard input.
        format: format name for people, for example "byte CSV".
        clock: kind and resolution of the clock.
        start_utc_ns: Unix time of the clock's zero in ns: 0 if times count from the epoch, None if not known.
        source: the port or signal it was taken from, or "".
        origin: what was recorded, and with which adapter.
        notes: for people, a line per fault or choice (a cut end, damaged rows, the interface taken).
        marks: annotations set while recording.
        wakes: the recorder's log of the computer's lateness, an entry per second.
        left_out: what was received and not kept, in order.
        totals: totals per minute, if parts were left out.
    """

    path: str
    format: str
    clock: Clock
    start_utc_ns: int | None = None
    source: str = ""
    origin: Origin = NO_ORIGIN
    notes: list[str] = field(default_factory=list)
    marks: list[Annotation] = field(default_factory=list)
    wakes: list[WakeUps] = field(default_factory=list)
    left_out: list[LeftOut] = field(default_factory=list)
    totals: list[MinuteTotals] = field(default_factory=list)

    @property
    def timed(self) -> tuple[list[Any], ...]:
        """Marks, wakes, what was left out, and totals: all that has a time and grows while the file is read."""
        return self.marks, self.wakes, self.left_out, self.totals

    def for_part(self) -> CaptureInfo:
        """The same for a part of the recording, of which nothing was read so far."""
        return replace(self, notes=[], marks=[], wakes=[], left_out=[], totals=[])


class Capture(abc.ABC):
    """A recording that can be read from its start repeatedly.

    Attributes:
        info: what it says about itself.
        is_sent: True if it gives the bytes that were sent, because none were received.
    """

    info: CaptureInfo
    is_sent = False

    @abc.abstractmethod
    def blocks(self) -> Iterator[ByteLog]:
        """Read the recording in blocks of at most a few megabytes.

        Offsets of the blocks are contiguous. `info.notes` and
        `info.marks` are complete when the iterator ends.

        Raises:
            CaptureError: nothing (more) can be read; all good bytes were yielded before.
        """

    def close(self) -> None:  # noqa: B027 - most readers hold nothing open between blocks
        """Let go of the file."""

    def __enter__(self) -> Capture:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()
