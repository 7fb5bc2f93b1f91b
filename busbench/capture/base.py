"""The contract of every reader of recordings."""

from __future__ import annotations

import abc
from collections.abc import Iterator
from dataclasses import dataclass, field

from busbench.capture.left_out import LeftOut, MinuteTotals
from busbench.model import BUS_LINE, Annotation, ByteLog, Clock, LineSettings, WakeUps

ENDED_MARK = "recording ended"  # the recorder heard the port until then, though nothing came


@dataclass(frozen=True, slots=True)
class ReadOptions:
    """What a person may have to say where a file leaves a choice.

    Args:
        interface: name or number of the interface in a packet capture.
        usb_device: "bus.device" (as in "1.7") in a capture of a USB host.
        signal: name of the signal in a file of level changes.
        line: line settings for files of level changes and for character times.
    """

    interface: str | None = None
    usb_device: str | None = None
    signal: str | None = None
    line: LineSettings = BUS_LINE


@dataclass(frozen=True, slots=True)
class Origin:
    """What was recorded, and with which adapter; "" where that is not known.

    Args:
        unit: the receiver or aircraft, as the person named it.
        note: the person's words about the whole recording.
        adapter_serial: serial number of the adapter.
    """

    unit: str = ""
    note: str = ""
    adapter_serial: str = ""

    def to_json(self) -> dict[str, object]:
        """Plain values under one key, to be joined to those of a result; nothing where nothing is known."""
        values = {"unit": self.unit, "note": self.note, "adapter_serial": self.adapter_serial}
        return {"origin": {key: value or None for key, value in values.items()}} if any(values.values()) else {}

    @property
    def words(self) -> str:
        """For people, in one line; "" where nothing is known."""
        adapter = self.adapter_serial and f"adapter serial number {self.adapter_serial}"
        return ", ".join(filter(None, (self.unit, self.note, adapter)))


NO_ORIGIN = Origin()


@dataclass
class CaptureInfo:
    """What a recording says of itself."""

    path: str  # as the person gave it; "-" is standard input
    format: str  # one word or two for people, as in "byte CSV"
    clock: Clock  # how well the times are known
    # Unix time of the clock's zero in ns where the file knows it: 0 where times count from the epoch, None where no
    # wall clock is known
    start_utc_ns: int | None = None
    source: str = ""  # the port or channel it was taken from, or ""
    origin: Origin = NO_ORIGIN  # what was recorded, with which adapter
    # one line each, for people, of what was wrong or chosen (a cut end, damaged rows, the interface taken). Grows while
    # the file is read
    notes: list[str] = field(default_factory=list)
    # words set at times while recording. Grows while the file is read
    marks: list[Annotation] = field(default_factory=list)
    # how late the computer was, as the recorder wrote it down, an entry a second. Grows while the file is read
    wakes: list[WakeUps] = field(default_factory=list)
    # what was received and not kept, in its order. Grows while the file is read
    left_out: list[LeftOut] = field(default_factory=list)
    # of each minute, where some was left out. Grows while the file is read
    totals: list[MinuteTotals] = field(default_factory=list)


class Capture(abc.ABC):
    """A recording that can be read from its start as often as needed.

    Attributes:
        info: what it says of itself.
        is_sent: True where it gives what was sent, for nothing was received.
    """

    info: CaptureInfo
    is_sent = False

    @abc.abstractmethod
    def blocks(self) -> Iterator[ByteLog]:
        """Read the recording in runs of at most a few megabytes.

        Offsets of the runs follow one another without a hole. `info.notes` and
        `info.marks` are complete when the iterator ends.

        Raises:
            CaptureError: nothing (more) can be read; all good bytes were given before.
        """

    def close(self) -> None:  # noqa: B027 - most readers hold nothing open between blocks
        """Let go of the file."""

    def __enter__(self) -> Capture:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()
