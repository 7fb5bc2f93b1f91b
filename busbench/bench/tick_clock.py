"""The time between ticks, without time in suspend."""

from __future__ import annotations

from collections.abc import Callable
from time import perf_counter_ns

from busbench.port.clocks import real_ns

_SUSPENDED_NS = 500_000_000  # smaller differences come from reading two clocks in turn


class TickClock:
    """Measures the time between ticks, and the time suspended meanwhile.

    Args:
        now_ns: a clock that stops during suspend.
        real: one that does not.
    """

    def __init__(self, *, now_ns: Callable[[], int] = perf_counter_ns, real: Callable[[], int] = real_ns) -> None:
        self._now_ns, self._real_ns = now_ns, real
        self._then_ns, self._then_real_ns = now_ns(), real()

    def take(self) -> tuple[float, float]:
        """Seconds awake and seconds suspended since the last call; short clock differences do not count."""
        now_ns, now_real_ns = self._now_ns(), self._real_ns()
        awake_ns, gone_ns = now_ns - self._then_ns, now_real_ns - self._then_real_ns
        self._then_ns, self._then_real_ns = now_ns, now_real_ns
        asleep_ns = gone_ns - awake_ns
        return awake_ns / 1e9, asleep_ns / 1e9 if asleep_ns > _SUSPENDED_NS else 0.0
