"""Which way a surface goes while its channel is above or below neutral."""

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
    """The two ways of a device."""

    above: str  # while its channel is above neutral, or on
    below: str  # while it is below, or off
    is_stated: bool  # False if the plan does not say so and it was taken from name, reversed and mounting

    def of(self, *, is_high: bool) -> str:
        """The way with the channel high or low."""
        return self.above if is_high else self.below


def sign_of(device: Device) -> int:
    """1 where a channel above neutral turns the surface the plus way, as seen on the aircraft, else -1."""
    return 1 if device.reversed == (device.mounting == "mirrored") else -1


def directions_of(device: Device) -> Directions:
    """As the plan states it in above_neutral.

    Where it does not, what is neither reversed nor mirrored is taken to move its surface up, a rudder to the
    right; what moves no surface goes by its channel.
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
