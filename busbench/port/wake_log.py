"""Lateness of a process at its own timer, which is also its possible lateness for bytes."""

from __future__ import annotations

import bisect

from busbench.line import WAKE_EDGES_US, WakeUps

_STEP_NS = 20_000_000  # fifty per second cost a few tenths of a percent of a processor
_SECOND_NS = 1_000_000_000


class WakeLog:
    """A distribution of lateness per second."""

    def __init__(self, now_ns: int) -> None:
        self.due_ns = now_ns + _STEP_NS
        self._counts = [0] * (len(WAKE_EDGES_US) + 1)
        self._end_ns = now_ns + _SECOND_NS

    def woken(self, now_ns: int) -> WakeUps | None:
        """Note the return of a wait; returns the counts at the end of each second."""
        if now_ns < self.due_ns:
            return None
        self._counts[bisect.bisect_right(WAKE_EDGES_US, (now_ns - self.due_ns) / 1000)] += 1
        self.due_ns += _STEP_NS * (1 + (now_ns - self.due_ns) // _STEP_NS)
        if now_ns < self._end_ns:
            return None
        counts, self._counts = tuple(self._counts), [0] * len(self._counts)
        self._end_ns = now_ns + _SECOND_NS
        return WakeUps(now_ns, counts)
