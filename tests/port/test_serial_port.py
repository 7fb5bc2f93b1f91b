"""How a serial port is set: what is asked of the system, what it took, and what is warned of."""

from __future__ import annotations

import array
import os
import sys
from types import SimpleNamespace

import pytest

from busbench.line import BUS_LINE, LineSettings
from busbench.port.serial_port import BusPort, ErrorTotals

if sys.platform != "linux":
    pytest.skip("the kernel is asked so on Linux alone", allow_module_level=True)

import fcntl
import termios

GET, SET = 0x802C542A, 0x402C542B  # TCGETS2, TCSETS2: asm-generic/ioctls.h
BOTHER, CBAUD, CIBAUD = 0o010000, 0o010017, 0o002003600000  # asm-generic/termbits.h
INPUT_OFF = termios.IGNPAR | termios.BRKINT | termios.IGNBRK | termios.ISTRIP


class Driver:
    """A driver that had other settings, and takes those it can do.

    Args:
        rate: at which it does what it is asked for, None for any.
        has_parity: False if it has no parity bit.
    """

    def __init__(self, *, rate: int | None = None, has_parity: bool = True) -> None:
        self.rate, self.has_parity = rate, has_parity
        self.state = array.array("I", [0] * 16)
        self.state[0] = INPUT_OFF | termios.IXON
        self.state[2] = CIBAUD | termios.B38400 | termios.PARENB | termios.PARODD | termios.CSTOPB | termios.CS8
        self.sets = 0

    def ioctl(self, fd: int, request: int, buffer: array.array[int]) -> int:
        assert fd == 7
        if request == GET:
            buffer[:] = self.state
        else:
            assert request == SET
            self.state[:] = buffer
            self.sets += 1
            self.state[9] = self.state[9] if self.rate is None else self.rate
            self.state[2] &= ~0 if self.has_parity else ~termios.PARENB
        return 0


def set_line(driver: Driver, line: LineSettings, monkeypatch: pytest.MonkeyPatch) -> SimpleNamespace:
    monkeypatch.setattr(fcntl, "ioctl", driver.ioctl)
    port = SimpleNamespace(fd=7, _baudrate=line.baud, _parity=line.parity, _stopbits=line.stop_bits)
    BusPort._set_line(port)  # type: ignore[arg-type]
    return port


@pytest.mark.parametrize(
    ("line", "control"),
    [
        (BUS_LINE, termios.PARENB | termios.CSTOPB),
        (LineSettings(100_000, "O", 2), termios.PARENB | termios.PARODD | termios.CSTOPB),
        (LineSettings(115_200, "N", 1), 0),
        (LineSettings(115_200, "E", 1), termios.PARENB),
        (LineSettings(9600, "N", 2), termios.CSTOPB),
    ],
)
def test_rate_parity_stop_bits_and_marks_are_set_and_nothing_else(
    line: LineSettings, control: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    driver = Driver()
    port = set_line(driver, line, monkeypatch)
    assert driver.sets == 1
    assert driver.state[0] == termios.IXON | termios.INPCK | termios.PARMRK
    assert driver.state[2] == BOTHER | termios.CS8 | control
    assert (driver.state[9], driver.state[10]) == (line.baud, line.baud)
    assert (port.rate, port.parity_is_kept) == (line.baud, True)


@pytest.mark.parametrize(("parity", "is_kept"), [("E", False), ("O", False), ("N", True)])
def test_what_the_driver_did_not_take_is_known(parity: str, is_kept: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    port = set_line(Driver(rate=115_200, has_parity=False), LineSettings(100_000, parity, 2), monkeypatch)
    assert (port.rate, port.parity_is_kept) == (115_200, is_kept)


def test_a_port_has_the_line_of_the_bus_and_one_user() -> None:
    port = BusPort("/dev/ttyHERON", line=LineSettings(100_000, "O", 1))
    assert (port.port, port.baudrate, port.bytesize, port.parity, port.stopbits) == (
        "/dev/ttyHERON",
        100_000,
        8,
        "O",
        1,
    )
    assert (port.exclusive, port.marks_bad, port.is_open, port.rate) == (True, True, False, None)
    assert port.parity_is_kept


@pytest.mark.parametrize(
    ("rate", "is_warned"), [(98_900, True), (99_100, False), (100_900, False), (101_100, True), (101_900, True)]
)
def test_a_rate_may_be_off_by_one_percent(rate: int, is_warned: bool) -> None:
    port = BusPort("/dev/ttyHERON", line=BUS_LINE)
    port.rate = rate
    assert bool(port.warning()) is is_warned


def test_damage_since_an_earlier_look() -> None:
    now, before = ErrorTotals(10, 200, 3000, 40_000), ErrorTotals(1, 20, 300, 4000)
    assert now.since(before) == ErrorTotals(9, 180, 2700, 36_000)


def test_a_driver_that_does_not_count_gives_no_totals(monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_: object) -> None:
        raise OSError(25, "Inappropriate ioctl for device")

    monkeypatch.setattr(fcntl, "ioctl", refuse)
    assert BusPort.error_totals(SimpleNamespace(fd=7)) is None  # type: ignore[arg-type]


class Latency(BusPort):
    """A port that notes how its driver is to pass on bytes."""

    error: Exception | None = None

    def set_low_latency_mode(self, is_low: bool) -> None:
        self.asked = is_low
        if self.error is not None:
            raise self.error


@pytest.mark.parametrize("error", [None, OSError(25, "x"), ValueError("x"), NotImplementedError(), AttributeError()])
def test_bytes_are_asked_for_at_once_where_the_driver_can(error: Exception | None) -> None:
    port = Latency("/dev/ttyHERON", line=BUS_LINE)
    port.error = error
    port.ask_low_latency()
    assert port.asked is True


@pytest.mark.parametrize("platform", ["linux", "darwin", "win32"])
def test_marks_locks_and_totals_are_those_of_the_system(platform: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "platform", platform)
    port = BusPort("COM3", line=BUS_LINE)
    assert (port.marks_bad, port.exclusive) == (platform == "linux", None if platform == "win32" else True)
    if platform != "linux":
        assert port.error_totals() == (ErrorTotals() if platform == "win32" else None)


@pytest.mark.parametrize("line", [BUS_LINE, LineSettings(115_200, "N", 1), LineSettings(100_000, "O", 1)])
def test_an_open_port_has_the_rate_and_still_knows_its_line(line: LineSettings) -> None:
    far, near = os.openpty()
    port = BusPort(os.ttyname(near), line=line)
    port.open()
    state = array.array("I", [0] * 16)
    fcntl.ioctl(near, GET, state)
    assert (port.rate, state[9]) == (line.baud, line.baud)
    assert (port.baudrate, port.parity, port.stopbits) == (line.baud, line.parity, line.stop_bits)
    assert bool(state[0] & termios.PARMRK)
    assert port.parity_is_kept is (line.parity == "N")  # a pseudo-terminal has no parity bit
    port.close()
    os.close(near)
    os.close(far)
