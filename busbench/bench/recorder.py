"""What receivers take in, written to a file as it comes."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from busbench.capture.base import ENDED_MARK, Origin
from busbench.capture.pcapng_write import PcapngWriter, SerialLine
from busbench.port.port import LivePort

if TYPE_CHECKING:
    from busbench.bench.receiver import Reception


def line_of_port(port: LivePort, *, unit: str = "", note: str = "") -> SerialLine:
    """A port as an interface of a recording.

    Args:
        unit: the receiver or aircraft at it.
    """
    return SerialLine(port.source, port.line, port.clock, Origin(unit, note, port.adapter_serial))


class Recorder:
    """A recording of one or several receivers on one clock, an interface each.

    Args:
        lines: what is recorded, in the order of the interfaces.
        start_utc_ns: Unix time in ns of the zero of all times.
        force: True writes over a recording that exists.

    Raises:
        OutputError: it exists, or cannot be written; here and later.
    """

    def __init__(self, path: str, lines: Sequence[SerialLine], *, start_utc_ns: int, force: bool = False) -> None:
        first = lines[0]
        self._writer = PcapngWriter(
            path, port=first.port, line=first.line, clock=first.clock, origin=first.origin, others=lines[1:],
            start_utc_ns=start_utc_ns, force=force,
        )  # fmt: skip

    def add(self, came: Reception, *, number: int = 0) -> None:
        """Write what a look at a port gave.

        Args:
            came: from the receiver.
        """
        writer = self._writer
        writer.write_log(came.log, number=number)
        for happened in came.events:
            writer.mark(happened.t_ns, happened.text, number=number)
        for note in came.notes:
            writer.mark(note.t_ns, note.text, number=number)
        writer.write_wakes(came.wakes, number=number)
        writer.tick()

    def end(self, t_ns: int | None, *, number: int = 0) -> None:
        """Write down how long a port was heard where no byte shows it; see Receiver.unwritten_end_ns."""
        if t_ns is not None:
            self._writer.mark(t_ns, ENDED_MARK, number=number)

    def close(self) -> None:
        """Have all of it on the disk."""
        self._writer.close()
