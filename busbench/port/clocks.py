"""A clock that also runs while the computer is suspended, and how late a process wakes for its own timer."""

from __future__ import annotations

import bisect
import ctypes
import functools
import sys
import time
from collections.abc import Callable

from busbench.line import WAKE_EDGES_US, WakeUps

SECOND_NS = 1_000_000_000
_STEP_NS = 20_000_000  # fifty per second cost a few tenths of a percent of a processor


def real_ns() -> int:
    """Time in ns that also passes while this process is stopped or the computer suspended; its zero is arbitrary.

    Source: CLOCK_BOOTTIME (Linux), mach_continuous_time (macOS), QueryInterruptTime (Windows).
    """
    return _clock()()


@functools.cache
def _clock() -> Callable[[], int]:
    try:
        if sys.platform == "linux":
            return lambda: time.clock_gettime_ns(time.CLOCK_BOOTTIME)
        if sys.platform == "darwin":
            return _macos()
        if sys.platform == "win32":
            return _windows()
    except (OSError, AttributeError):  # a system older than the clock
        pass
    return time.monotonic_ns


def _macos() -> Callable[[], int]:
    system = ctypes.CDLL(None)
    system.mach_continuous_time.restype = ctypes.c_uint64
    ratio = (ctypes.c_uint32 * 2)()
    system.mach_timebase_info(ctypes.byref(ratio))
    numerator, denominator = ratio
    return lambda: int(system.mach_continuous_time()) * numerator // denominator


def _windows() -> Callable[[], int]:
    if sys.platform != "win32":
        raise AssertionError("Windows only")
    query = ctypes.WinDLL("kernelbase").QueryInterruptTime

    def now() -> int:
        ticks = ctypes.c_ulonglong()
        query(ctypes.byref(ticks))
        return ticks.value * 100

    return now


class WakeLog:
    """A distribution of lateness per second."""

    def __init__(self, now_ns: int) -> None:
        self.due_ns = now_ns + _STEP_NS
        self._counts = [0] * (len(WAKE_EDGES_US) + 1)
        self._end_ns = now_ns + SECOND_NS

    def woken(self, now_ns: int) -> WakeUps | None:
        """Note the return of a wait; returns the counts at the end of each second."""
        if now_ns < self.due_ns:
            return None
        self._counts[bisect.bisect_right(WAKE_EDGES_US, (now_ns - self.due_ns) / 1000)] += 1
        self.due_ns += _STEP_NS * (1 + (now_ns - self.due_ns) // _STEP_NS)
        if now_ns < self._end_ns:
            return None
        counts, self._counts = tuple(self._counts), [0] * len(self._counts)
        self._end_ns = now_ns + SECOND_NS
        return WakeUps(now_ns, counts)
