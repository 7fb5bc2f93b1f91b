"""What can turn a propeller, and where its channel is locked."""

from __future__ import annotations

import re

from busbench.rig.model import Device, Rig
from busbench.wire.codec import CHANNELS
from busbench.wire.scale import whole

ON_PCT = 50.0  # a channel of two states is on from here
_OFF_LEAST_PCT = 90.0  # nearer to neutral a motor may turn


_WORDS = re.compile(
    r"(?<![^\W\d_])(motors?|engines?|throttles?|esc|props?|propell?ers?|turbines?|sustainer|speed controllers?)"
    r"(?![^\W\d_])",
    re.IGNORECASE,
)


def says_motor(device: Device) -> bool:
    """True where a device's name or control speaks of what turns a propeller."""
    return any(_WORDS.search(text) for text in (device.name, device.control) if text)


def is_unsaid(device: Device) -> bool:
    """True where the plan must say whether a device can turn a propeller before anything is driven."""
    return device.motor is None and (device.kind == "off-bus" or says_motor(device))


def unsaid(rig: Rig) -> tuple[str, ...]:
    """Names of the devices of which the plan must still say so."""
    return tuple(device.name for device in rig.driven if is_unsaid(device))


def motors(rig: Rig) -> tuple[Device, ...]:
    """The devices that can turn a propeller."""
    return tuple(device for device in rig.driven if device.motor and device.channel is not None)


def off_pct(device: Device) -> float:
    """Where a motor's channel has it off: the low end, the high end where it is reversed."""
    return 100.0 if device.reversed else -100.0


def is_off(position_pct: float, off: float) -> bool:
    """True where a motor cannot run at a position of its channel.

    Args:
        position_pct: the position.
        off: where it is off, of off_pct.
    """
    return position_pct * off >= _OFF_LEAST_PCT * 100


def motor_locks(rig: Rig) -> dict[int, int]:
    """Channel (0-17) of each motor and where it is locked, in counts, or 0 and 1."""
    return {device.channel - 1: _locked_at(device, rig) for device in motors(rig) if device.channel is not None}


def _locked_at(device: Device, rig: Rig) -> int:
    # A failsafe that lets the motor run is a fault of the plan and no place to lock it at.
    pct = off = off_pct(device)
    if isinstance(device.failsafe, float) and is_off(device.failsafe, off):
        pct = device.failsafe
    if device.channel is not None and device.channel > CHANNELS:
        return int(pct >= ON_PCT)
    return whole(rig.scale.from_percent(pct), clip=True)
