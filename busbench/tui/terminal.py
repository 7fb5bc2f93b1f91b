"""What the terminal can do."""

from __future__ import annotations

import contextlib
import os
import sys
from collections.abc import Callable, Mapping
from time import perf_counter_ns
from typing import TYPE_CHECKING

from busbench.port.clocks import real_ns

if TYPE_CHECKING:
    from textual.driver import Driver

_SUSPENDED_NS = 500_000_000  # two clocks that differ by less were only read one after the other


def is_dumb(environ: Mapping[str, str] | None = None) -> bool:
    """True where the terminal cannot show screens.

    Args:
        environ: the environment, by default that of the process.
    """
    term = (os.environ if environ is None else environ).get("TERM", "")
    return term == "dumb" or (not term and sys.platform != "win32")


class Clicks:
    """The mouse is asked for while something moves, when a click stops it; else the terminal selects text with it."""

    _ON, _OFF = "\x1b[?1000h\x1b[?1006h", "\x1b[?1006l\x1b[?1000l"

    def __init__(self) -> None:
        self._is_heard = False

    def hear(self, driver: Driver | None, *, wanted: bool) -> None:
        """Ask the terminal for clicks, or no more.

        Args:
            wanted: True where a click means something.
        """
        if driver is not None and wanted != self._is_heard:
            self._is_heard = wanted
            driver.write(self._ON if wanted else self._OFF)
            driver.flush()

    def restore(self) -> None:
        """Give the mouse back where the screens ended while it was asked for."""
        if self._is_heard and sys.__stderr__ is not None:
            with contextlib.suppress(OSError, ValueError):  # of a terminal that is gone
                print(self._OFF, end="", file=sys.__stderr__, flush=True)


class TickClock:
    """The time between ticks, and the time in which the computer was suspended meanwhile.

    Args:
        now_ns: a clock that stops in suspend.
    """

    def __init__(self, *, now_ns: Callable[[], int] = perf_counter_ns, real: Callable[[], int] = real_ns) -> None:
        self._now_ns, self._real_ns = now_ns, real
        self._then_ns, self._then_real_ns = now_ns(), real()

    def take(self) -> tuple[float, float]:
        """Seconds awake and seconds suspended since the last call; short differences of the clocks are no suspend."""
        now_ns, now_real_ns = self._now_ns(), self._real_ns()
        awake_ns, gone_ns = now_ns - self._then_ns, now_real_ns - self._then_real_ns
        self._then_ns, self._then_real_ns = now_ns, now_real_ns
        asleep_ns = gone_ns - awake_ns
        return awake_ns / 1e9, asleep_ns / 1e9 if asleep_ns > _SUSPENDED_NS else 0.0
