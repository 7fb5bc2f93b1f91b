"""Which adapter a port is, so that the same one is found again after it was unplugged."""

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
    """What names an adapter."""

    source: str  # as the person gave it
    vid: int | None = None  # vid, pid: USB vendor and product, or None for what is not on USB
    pid: int | None = None
    serial_number: str = ""  # or an empty string where it has none
    location: str = ""  # the USB socket it sits in, or an empty string

    def is_same(self, entry: Any) -> bool:
        """True if a listed port is this adapter; without a serial number its USB socket decides."""
        if (entry.vid, entry.pid) != (self.vid, self.pid):
            return False
        if self.serial_number:
            return bool(entry.serial_number == self.serial_number)
        return not self.location or bool(entry.location == self.location)


Ports = Callable[[], Iterable[Any]]


def identify(source: str, *, ports: Ports = list_ports.comports) -> Identity:
    """Note to which adapter a name belongs now."""
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
    """The name to open where the adapter is now, which may be another than before; None while it is away."""
    if identity.vid is not None:
        return next((str(entry.device) for entry in ports() if identity.is_same(entry)), None)
    if identity.source.lower().startswith("hwgrep://"):
        try:
            return resolve(identity.source)
        except PortError:
            return None
    if is_url(identity.source) or Path(identity.source).exists():
        return identity.source
    # On Windows a port is no file.
    names = {str(entry.device) for entry in ports()}
    return identity.source if identity.source in names else None
