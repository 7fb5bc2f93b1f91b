"""A serial port at any rate, with damaged bytes marked if the system can."""

from __future__ import annotations

import array
import contextlib
import ctypes
import errno
import os
import sys
from dataclasses import dataclass
from typing import Any

import serial

from busbench.line import LineSettings

_TCGETS2, _TCSETS2, _TIOCGICOUNT = 0x802C542A, 0x402C542B, 0x545D
_BOTHER, _CBAUD, _CIBAUD = 0o010000, 0o010017, 0o002003600000
_RATE_TOLERANCE = 0.01  # the bus tolerates 4.5 %, cheap oscillators deviate by less than 0.5 %


@dataclass(frozen=True, slots=True)
class ErrorTotals:
    """Totals of damage, counted by the driver since it was loaded, or here since the port was opened."""

    parity: int = 0  # parity, framing, breaks: damaged characters (on Windows: number of polls with any)
    framing: int = 0
    breaks: int = 0
    overrun: int = 0  # characters lost because they were fetched too late

    def since(self, before: ErrorTotals) -> ErrorTotals:
        """The increase since earlier totals."""
        return ErrorTotals(
            self.parity - before.parity,
            self.framing - before.framing,
            self.breaks - before.breaks,
            self.overrun - before.overrun,
        )


class BusPort(serial.Serial):  # type: ignore[misc]
    """A serial port with the settings of the bus, all set before it is opened."""

    def __init__(self, device: str, *, line: LineSettings) -> None:
        self.rate: int | None = None  # as accepted by the driver
        self.parity_is_kept = True
        self._totals = ErrorTotals()
        super().__init__()
        self.port = device
        self.baudrate = line.baud
        self.bytesize = serial.EIGHTBITS
        self.parity = line.parity
        self.stopbits = line.stop_bits
        self.timeout = 0.2
        self.exclusive = None if sys.platform == "win32" else True

    @property
    def marks_bad(self) -> bool:
        """True if bytes contain marks that must be removed."""
        return sys.platform == "linux"

    def warning(self) -> str:
        """The settings that the adapter did not accept, or ""."""
        if self.rate is not None and abs(self.rate / self.baudrate - 1) > _RATE_TOLERANCE:
            return f"the adapter took {self.rate} baud instead of {self.baudrate}; use another adapter"
        # A pseudo-terminal has no parity, and needs none.
        if not self.parity_is_kept and not os.path.realpath(self.port).startswith("/dev/pts/"):
            return "the adapter took no parity bit: servos may not hear it, damage is not marked; use another adapter"
        return ""

    def error_totals(self) -> ErrorTotals | None:
        """Totals of damage so far, if the system counts it."""
        if sys.platform == "win32":
            return self._totals
        if sys.platform != "linux":
            return None
        import fcntl

        buffer = array.array("i", [0] * 20)
        try:
            fcntl.ioctl(self.fd, _TIOCGICOUNT, buffer)
        except OSError:
            return None
        frame, overrun, parity, breaks, buffer_overrun = buffer[6:11]
        return ErrorTotals(parity, frame, breaks, overrun + buffer_overrun)

    def _reconfigure_port(self, *args: Any, **kwargs: Any) -> None:
        if sys.platform != "linux":
            super()._reconfigure_port(*args, **kwargs)
            return
        # The C library refuses rates without a name, and parity on a pty, so it
        # is given plain settings and the kernel is given the true ones directly.
        wanted: tuple[int, str, int] = (self.baudrate, self.parity, self.stopbits)
        self._baudrate, self._parity, self._stopbits = 38400, serial.PARITY_NONE, serial.STOPBITS_ONE
        try:
            super()._reconfigure_port(*args, **kwargs)
        finally:
            self._baudrate, self._parity, self._stopbits = wanted
        self._set_line()

    def _set_line(self) -> None:
        if sys.platform != "linux":
            return
        import fcntl
        import termios

        buffer = array.array("I", [0] * 16)
        fcntl.ioctl(self.fd, _TCGETS2, buffer)
        input_flags, control = buffer[0], buffer[2]
        input_flags &= ~(termios.IGNPAR | termios.BRKINT | termios.IGNBRK | termios.ISTRIP)
        input_flags |= termios.INPCK | termios.PARMRK
        control &= ~(_CBAUD | _CIBAUD | termios.PARENB | termios.PARODD | termios.CSTOPB)
        control |= _BOTHER
        if self._parity != serial.PARITY_NONE:
            control |= termios.PARENB | (termios.PARODD if self._parity == serial.PARITY_ODD else 0)
        if self._stopbits == serial.STOPBITS_TWO:
            control |= termios.CSTOPB
        buffer[0], buffer[2] = input_flags, control
        buffer[9] = buffer[10] = self._baudrate
        fcntl.ioctl(self.fd, _TCSETS2, buffer)
        fcntl.ioctl(self.fd, _TCGETS2, buffer)
        self.rate = buffer[9]
        self.parity_is_kept = bool(buffer[2] & termios.PARENB) == bool(control & termios.PARENB)

    def ask_low_latency(self) -> None:
        """Ask the driver to pass on bytes at once, if it can."""
        with contextlib.suppress(ValueError, OSError, AttributeError, NotImplementedError):
            self.set_low_latency_mode(True)

    if sys.platform == "darwin":

        def _set_special_baudrate(self, baudrate: int) -> None:
            try:
                super()._set_special_baudrate(baudrate)
            except OSError as error:
                if error.errno != errno.ENOTTY:  # a pseudo-terminal has no rate, and needs none
                    raise

    if sys.platform == "win32":

        @property
        def in_waiting(self) -> int:
            """Bytes received; the error flags that Windows clears here are counted."""
            from serial import win32

            flags, state = win32.DWORD(), win32.COMSTAT()
            if not win32.ClearCommError(self._port_handle, ctypes.byref(flags), ctypes.byref(state)):
                raise serial.SerialException("the port is gone")
            seen, had = flags.value, self._totals
            if seen:
                self._totals = ErrorTotals(
                    had.parity + bool(seen & 0x4),
                    had.framing + bool(seen & 0x8),
                    had.breaks + bool(seen & 0x10),
                    had.overrun + bool(seen & 0x3),
                )
            return int(state.cbInQue)
