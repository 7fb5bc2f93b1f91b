"""The clock that also runs in suspend, as each system gives it."""

from __future__ import annotations

import ctypes
import sys
import time
from collections.abc import Iterator
from types import SimpleNamespace
from typing import Any

import pytest

from busbench.port import clocks
from busbench.port.clocks import real_ns


@pytest.fixture(autouse=True)
def _looked_up_anew() -> Iterator[None]:
    clocks._clock.cache_clear()
    yield
    clocks._clock.cache_clear()


class Call:
    """A function of the system; ctypes keeps the type of its result beside it."""

    def __init__(self, work: Any) -> None:
        self._work = work
        self.restype: Any = None

    def __call__(self, *arguments: Any) -> Any:
        return self._work(*arguments)


def test_linux_has_a_clock_that_runs_on(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "platform", "linux")
    monkeypatch.setattr(time, "CLOCK_BOOTTIME", 7, raising=False)
    monkeypatch.setattr(time, "clock_gettime_ns", lambda clock: {7: 4711}[clock], raising=False)
    assert real_ns() == 4711


def test_macos_counts_in_ticks_of_a_ratio(monkeypatch: pytest.MonkeyPatch) -> None:
    """24 MHz: 125/3 ns each, as mach_timebase_info reports it."""

    def ratio(at: Any) -> None:
        at._obj[0], at._obj[1] = 125, 3

    system = SimpleNamespace(mach_continuous_time=Call(lambda: 24_000_001), mach_timebase_info=Call(ratio))
    monkeypatch.setattr(sys, "platform", "darwin")
    monkeypatch.setattr(ctypes, "CDLL", lambda name: {None: system}[name])
    assert real_ns() == 1_000_000_041
    assert system.mach_continuous_time.restype is ctypes.c_uint64


def test_windows_counts_in_tenths_of_microseconds(monkeypatch: pytest.MonkeyPatch) -> None:
    def query(at: Any) -> None:
        at._obj.value = 12_345

    library = SimpleNamespace(QueryInterruptTime=query)
    monkeypatch.setattr(sys, "platform", "win32")
    monkeypatch.setattr(ctypes, "WinDLL", lambda name: {"kernelbase": library}[name], raising=False)
    assert real_ns() == 1_234_500


@pytest.mark.parametrize("platform", ["darwin", "win32", "freebsd14"])
def test_a_system_without_such_a_clock_has_one_that_never_goes_back(
    monkeypatch: pytest.MonkeyPatch, platform: str
) -> None:
    def refuse(name: str | None) -> None:
        raise OSError("not there")

    monkeypatch.setattr(sys, "platform", platform)
    monkeypatch.setattr(ctypes, "CDLL", refuse)
    monkeypatch.setattr(ctypes, "WinDLL", refuse, raising=False)
    monkeypatch.setattr(time, "monotonic_ns", lambda: 99)
    assert real_ns() == 99
