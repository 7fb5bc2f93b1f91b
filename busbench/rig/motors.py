"""What can turn a propeller, and where its channel is locked."""

from __future__ import annotations

from busbench.rig.model import Device, Rig
from busbench.wire.bulk import CHANNELS
from busbench.wire.scale import whole

MOTOR_IDLE_PCT = -100.0
_ON_PCT = 50.0  # a switch channel is on from here


def motors(rig: Rig) -> tuple[Device, ...]:
    """The devices that can turn a propeller."""
    return tuple(device for device in rig.driven if device.motor and device.channel is not None)


def motor_locks(rig: Rig) -> dict[int, int]:
    """Channel (0-17) of each motor and where it rests, in counts, or 0 and 1."""
    return {device.channel - 1: _motor_idle(device, rig) for device in motors(rig) if device.channel is not None}


def _motor_idle(device: Device, rig: Rig) -> int:
    pct = device.failsafe if isinstance(device.failsafe, int | float) else MOTOR_IDLE_PCT
    if device.channel is not None and device.channel > CHANNELS:
        return int(pct >= _ON_PCT)
    return whole(rig.scale.from_percent(pct), clip=True)
