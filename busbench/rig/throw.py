"""How far a surface goes from rest to the ends of its channel, by the plan."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from busbench.rig.direction import directions_of, sign_of
from busbench.rig.linkage import knows_surface, straight_throw_mm, surface_deg
from busbench.rig.model import Device
from busbench.rig.travel import endpoints_of
from busbench.wire.frame_spec import CHANNELS
from busbench.wire.scale import FULL_COUNTS, Scale


@dataclass(frozen=True, slots=True)
class Throw:
    """One way of a device, from rest to an end of its channel."""

    way: str  # as in "up"
    angle_deg: float  # of the surface; of the arm where is_arm
    is_arm: bool  # True if the plan does not say what angle of the surface follows
    across_mm: float | None  # the trailing edge straight from rest to the end, None without the chord

    def __str__(self) -> str:
        if self.is_arm:
            return f"{self.way} (arm {self.angle_deg:.0f}°)"
        across = "" if self.across_mm is None else f" ({self.across_mm:.0f} mm)"
        return f"{self.angle_deg:.0f}° {self.way}{across}"


def throws_of(device: Device, scale: Scale, *, rest: int, ends: Sequence[int]) -> tuple[Throw, ...]:
    """The ways of a device, in the order of the ends; an end at rest gives none.

    Args:
        rest: counts of its channel at rest, 0 or 1 on channels 17 and 18.
        ends: counts at the ends, likewise.
    """
    at_rest_deg = _angle_deg(device, scale, rest)
    ways = []
    for end in ends:
        moved_deg = _angle_deg(device, scale, end) - at_rest_deg
        if end != rest:
            way = directions_of(device).of(is_high=(moved_deg > 0) == (sign_of(device) > 0))
            chord_mm = device.geometry.chord_mm
            across_mm = None if chord_mm is None else abs(float(straight_throw_mm(chord_mm, moved_deg)))
            ways.append(Throw(way, abs(moved_deg), not knows_surface(device), across_mm))
    return tuple(ways)


def _angle_deg(device: Device, scale: Scale, counts: int) -> float:
    """Angle of the surface at a level of the channel, signed as seen on the aircraft."""
    if (device.channel or 0) > CHANNELS:
        position = 1.0 if counts else -1.0
    else:
        position = (counts - endpoints_of(device, scale).neutral_counts) / FULL_COUNTS
    return float(surface_deg(device, device.geometry.arm_deg * position * (-1 if device.reversed else 1)))
