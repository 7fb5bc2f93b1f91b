"""Identify an adapter, so that it is found again after it was unplugged."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from serial.tools import list_ports

from busbench.errors import PortError
from busbench.port.open_serial import is_url, resolve


@dataclass(frozen=True, slots=True)
class Identity:
    """The identity of an adapter."""

    source: str  # as given by the user
    vid: int | None = None  # vid, pid: USB vendor and product, None if not on USB
    pid: int | None = None
    serial_number: str = ""  # or "" without one
    location: str = ""  # its USB socket, or ""

    def is_same(self, entry: Any) -> bool:
        """True for a listed port that is this adapter; without a serial number the USB socket decides."""
        if (entry.vid, entry.pid) != (self.vid, self.pid):
            return False
        if self.serial_number:
            return bool(entry.serial_number == self.serial_number)
        return not self.location or bool(entry.location == self.location)


Ports = Callable[[], Iterable[Any]]


def identify(source: str, *, ports: Ports = list_ports.comports) -> Identity:
    """Identify the adapter that a name belongs to now."""
    device = source
    if source.lower().startswith("hwgrep://"):
        device = resolve(source)
    elif is_url(source):
        return Identity(source)
    real = os.path.realpath(device)
    for entry in ports():
        if os.path.realpath(entry.device) == real and entry.vid is not None:
            return Identity(source, entry.vid, entry.pid, entry.serial_number or "", entry.location or "")
    return Identity(source)


def find_again(identity: Identity, *, ports: Ports = list_ports.comports) -> str | None:
    """The current name of the adapter, which may have changed; None while it is unplugged."""
    if identity.vid is not None:
        return next((str(entry.device) for entry in ports() if identity.is_same(entry)), None)
    if identity.source.lower().startswith("hwgrep://"):
        try:
            return resolve(identity.source)
        except PortError:
            return None
    if is_url(identity.source) or Path(identity.source).exists():
        return identity.source
    # On Windows, a port is not a file.
    names = {str(entry.device) for entry in ports()}
    return identity.source if identity.source in names else None
