"""A virtual receiver in this process, as a port."""

from __future__ import annotations

from busbench.line import Chunk, LineSettings
from busbench.port.ipc import EventKind, PortEvent
from busbench.port.port import HearingPort
from busbench.sim.address import parse_virtual
from busbench.sim.playback import Reads

_NAP_S = 0.25


class VirtualPort(HearingPort):
    """A virtual receiver and its adapter.

    Times of its chunks are those of its own clock, starting now: they rise
    faster than real time if it runs at full speed.

    Args:
        source: `virtual:` with its settings.
        line: the line; the receiver's own settings override it.
    """

    def __init__(self, source: str, *, line: LineSettings) -> None:
        super().__init__(source, line=line)
        settings, self._is_fast = parse_virtual(source)
        self._reads = Reads(settings)
        self._begin_ns = self._clock_ns()
        self._events = [PortEvent(self._begin_ns, EventKind.OPENED, "the virtual receiver is on")]

    @property
    def has_ended(self) -> bool:
        """True if its duration is over and everything was read."""
        return self._reads.is_over

    def _take(self, until_ns: int) -> list[Chunk]:
        return self._reads.take((self._reads.next_ns or 0) + (1 << 62) if self._is_fast else until_ns)

    def _nap_s(self, now_ns: int) -> float:
        due_ns = self._reads.next_ns
        return _NAP_S if due_ns is None else min(_NAP_S, (due_ns - now_ns) / 1e9)
