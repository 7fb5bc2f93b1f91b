"""A virtual receiver in this process, by the contract of a port."""

from __future__ import annotations

import time
from time import perf_counter_ns

from busbench.errors import PortError
from busbench.model import Chunk, LineSettings
from busbench.port.ipc import EventKind, PortEvent
from busbench.port.port import HearingPort
from busbench.sim.address import parse_virtual
from busbench.sim.playback import Reads

_NAP_S = 0.25


class VirtualPort(HearingPort):
    """A virtual receiver and its adapter.

    Times of its chunks are those of its own clock, laid on the present: they rise
    faster than time passes where it runs as fast as it goes.

    Args:
        source: `virtual:` and its settings.
        line: the line, which the receiver's own settings overrule.
    """

    def __init__(self, source: str, *, line: LineSettings) -> None:
        super().__init__(source, line=line)
        settings, self._is_fast = parse_virtual(source)
        self._reads = Reads(settings)
        self._begin_ns = perf_counter_ns()
        self._events = [PortEvent(self._begin_ns, EventKind.OPENED, "the virtual receiver is on")]

    @property
    def has_ended(self) -> bool:
        """True if its duration is over and all was read."""
        return self._reads.is_over

    def read(self, timeout_s: float) -> list[Chunk]:
        """See LivePort."""
        if self.is_closed:
            raise PortError(self.source, "is closed")
        until = perf_counter_ns() + round(timeout_s * 1e9)
        while True:
            now = perf_counter_ns()
            due = self._reads.next_ns
            limit = (due or 0) + (1 << 62) if self._is_fast else now - self._begin_ns
            chunks = self._reads.take(limit)
            if chunks or now >= until:
                return self._on_time([Chunk(self._begin_ns + c.t_ns, c.data, c.bad) for c in chunks])
            due = self._reads.next_ns
            wake = until if due is None else min(until, self._begin_ns + due)
            time.sleep(max(0.0, min(_NAP_S, (wake - now) / 1e9)))
