"""A clock that also runs while the computer is suspended."""

from __future__ import annotations

import ctypes
import functools
import sys
import time
from collections.abc import Callable

SECOND_NS = 1_000_000_000


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
