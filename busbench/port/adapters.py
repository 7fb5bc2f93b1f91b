"""Connected adapters: what their chip does at the rate of the bus, and advice."""

from __future__ import annotations

import enum
import os
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from serial.tools import list_ports

SYSFS = Path("/sys/bus/usb-serial/devices")
LATENCY_WANTED_MS = 1
SETTLED_RATE = 115_200  # the rate that older chips silently use for 100 000


class Exactness(enum.StrEnum):
    """How well a chip does 100 000 baud."""

    EXACT = "exact"
    DOUBTFUL = "doubtful"  # some chips with these numbers silently use another rate
    UNKNOWN = "unknown"


class Marks(enum.StrEnum):
    """Whether Linux marks damaged bytes."""

    BYTE = "single bytes"
    PACKET = "whole packets"
    NONE = "none"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True)
class Chip:
    """A family of USB-UART chips."""

    name: str
    rate: Exactness  # how well it does 100 000 baud
    marks: Marks  # whether its driver reports damaged bytes
    advice: str = ""  # advice, or ""


_LATENCY = "has a latency timer that ships at 16 ms: set 1 ms"
_OLD_RATE = f"several chips of this family take 100000 as {SETTLED_RATE} silently: `busbench probe` shows it"
_NO_MARKS = "does not mark damaged bytes: a suspect frame cannot be marked"

# By vendor and product number; by vendor alone if the whole family is alike.
CHIPS: dict[tuple[int, int | None], Chip] = {
    (0x0403, None): Chip("FTDI", Exactness.EXACT, Marks.PACKET, _LATENCY),
    (0x10C4, 0xEA60): Chip("CP2101-CP2104, CP2102N", Exactness.DOUBTFUL, Marks.BYTE, _OLD_RATE),
    (0x10C4, 0xEA70): Chip("CP2105", Exactness.DOUBTFUL, Marks.BYTE, "one of its two ports takes 100000 as 115200"),
    (0x10C4, 0xEA71): Chip("CP2108", Exactness.DOUBTFUL, Marks.BYTE, _OLD_RATE),
    (0x1A86, 0x7523): Chip("CH340", Exactness.EXACT, Marks.NONE, _NO_MARKS),
    (0x1A86, 0x5523): Chip("CH341", Exactness.EXACT, Marks.NONE, _NO_MARKS),
    (0x067B, None): Chip("PL2303", Exactness.EXACT, Marks.PACKET),
}
_UNKNOWN_USB = Chip("unknown USB", Exactness.UNKNOWN, Marks.UNKNOWN, "not known here: `busbench probe` shows it")
_BOARD = Chip("on the board", Exactness.UNKNOWN, Marks.BYTE, "its levels may be RS-232: never on a receiver directly")
_CDC = Chip("CDC-ACM", Exactness.UNKNOWN, Marks.UNKNOWN, "its own firmware makes the rate: `busbench probe` shows it")


@dataclass(frozen=True, slots=True)
class Adapter:
    """An existing serial port."""

    device: str
    description: str  # its own description
    chip: Chip  # its chip family
    latency_ms: int | None  # its latency timer, None without one or if unreadable
    advice: tuple[str, ...]  # advice, a clause each


def chip_of(vid: int | None, pid: int | None, *, product: str = "", device: str = "") -> Chip:
    """Look up a chip.

    Args:
        vid, pid: USB vendor and product, None for ports not on USB.

    Source: the chip makers' data sheets and the Linux drivers of the families.
    """
    if vid is None:
        return _BOARD
    if (vid, pid) == (0x10C4, 0xEA60):
        # Newer chips share the number, and usually name themselves.
        for exact in ("CP2102N", "CP2104"):
            if exact in product.upper():
                return Chip(exact, Exactness.EXACT, Marks.BYTE)
    known = CHIPS.get((vid, pid)) or CHIPS.get((vid, None))
    if known is not None:
        return known
    return _CDC if "ttyACM" in device or "usbmodem" in device else _UNKNOWN_USB


def list_adapters(*, ports: Callable[[], Iterable[Any]] = list_ports.comports, sysfs: Path = SYSFS) -> list[Adapter]:
    """All existing serial ports; Linux describes USB serial devices in `sysfs`."""
    return [_adapter(entry, sysfs) for entry in sorted(ports(), key=lambda entry: str(entry.device))]


def _adapter(entry: Any, sysfs: Path) -> Adapter:
    product = str(entry.product or entry.description or "")
    chip = chip_of(entry.vid, entry.pid, product=product, device=str(entry.device))
    latency_ms = _latency_ms(str(entry.device), sysfs)
    advice = [chip.advice] if chip.advice and chip.advice != _LATENCY else []
    if latency_ms is not None and latency_ms > LATENCY_WANTED_MS:
        place = sysfs / Path(entry.device).name / "latency_timer"
        advice.append(
            f"its latency timer is at {latency_ms} ms, so single frames cannot be distinguished in time:"
            f" busbench asks for 1 ms when it opens the port, or write 1 to {place}"
        )
    elif latency_ms is None and chip.advice == _LATENCY:
        advice.append(_LATENCY)
    if not os.access(entry.device, os.R_OK | os.W_OK) and Path(entry.device).exists():
        advice.append("you have no right to open it: opening it says which group to join")
    description = str(entry.description or "")
    return Adapter(
        str(entry.device),
        "" if description == "n/a" else description,
        chip,
        latency_ms,
        tuple(advice),
    )


def _latency_ms(device: str, sysfs: Path) -> int | None:
    try:
        return int((sysfs / Path(device).name / "latency_timer").read_text(encoding="ascii"))
    except (OSError, ValueError):
        return None
