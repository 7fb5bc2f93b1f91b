"""The direction of a surface while its channel is above or below neutral."""

from __future__ import annotations

from dataclasses import dataclass

from busbench.rig.model import Device
from busbench.wire.frame_spec import CHANNELS

OPPOSITES = {
    "up": "down", "right": "left", "out": "in", "open": "closed", "forward": "back",
    "down": "up", "left": "right", "in": "out", "closed": "open", "back": "forward",
}  # fmt: skip
SECOND = ("down", "left", "in", "closed", "back")
_UPRIGHT_NAMES = (
    "ruddervator", "aileron", "elevator", "flap", "elevon", "taileron", "tailplane", "stabil", "spoiler", "brake",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Directions:
    """The two directions of a device."""

    above: str  # direction above neutral, or on
    below: str  # direction below neutral, or off
    is_stated: bool  # False if not stated in the plan, but derived from name, reversed and mounting

    def of(self, *, is_high: bool) -> str:
        """The direction with the channel high or low."""
        return self.above if is_high else self.below


def sign_of(device: Device) -> int:
    """1 if a channel above neutral turns the surface in the positive direction, as seen on the aircraft, else -1."""
    return 1 if device.reversed == (device.mounting == "mirrored") else -1


def directions_of(device: Device) -> Directions:
    """The directions as stated in above_neutral.

    If not stated, a device neither reversed nor mirrored is assumed to move its surface up, a rudder to the
    right; a device without a surface follows its channel.
    """
    if device.above_neutral is not None:
        return Directions(device.above_neutral, OPPOSITES[device.above_neutral], True)
    name = device.name.lower()
    if (device.channel or 0) > CHANNELS:
        return Directions("on", "off", False)
    if any(word in name for word in _UPRIGHT_NAMES):
        pair = ("up", "down")
    elif "rudder" in name:
        pair = ("right", "left")
    else:
        return Directions("high", "low", False)
    return Directions(*(pair if sign_of(device) > 0 else pair[::-1]), is_stated=False)
