"""From the device's arm to the surface: four-bar linkage, throw, and how far each goes by its channel's ends."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from busbench.model import F64
from busbench.rig.direction import directions_of, sign_of
from busbench.rig.model import Device
from busbench.rig.travel import endpoints_of
from busbench.wire.frame_spec import CHANNELS
from busbench.wire.scale import FULL_COUNTS, Scale


def horn_angle(arm_deg: ArrayLike, *, arm_mm: float, horn_mm: float, base_mm: float) -> F64:
    """Angle of a horn driven by an arm through a rod, both square to the base at neutral.

    Returns:
        Angle of the horn from neutral in the same sense, degrees, float64; NaN where the linkage locks.

    Source: derivation. With the rod of length L fixed by the neutral position, the
    horn's end lies on two circles: radius horn_mm about its axis, L about the arm's end.
    """
    arm = np.radians(np.asarray(arm_deg, np.float64))
    rod_squared = base_mm**2 + (horn_mm - arm_mm) ** 2
    x = -arm_mm * np.sin(arm) - base_mm  # arm's end, seen from the horn's axis
    y = arm_mm * np.cos(arm)
    reach = np.hypot(x, y)
    cosine = (reach**2 + horn_mm**2 - rod_squared) / (2 * reach * horn_mm)
    with np.errstate(invalid="ignore"):
        spread = np.arccos(np.where(np.abs(cosine) <= 1, cosine, np.nan))
    horn = (np.arctan2(y, x) - spread) - np.pi / 2
    return np.asarray(np.degrees((horn + np.pi) % (2 * np.pi) - np.pi), np.float64)


def straight_throw_mm(chord_mm: float, angle_deg: ArrayLike) -> F64:
    """Travel of a trailing edge, measured straight across from neutral.

    Args:
        angle_deg: angle of the surface from neutral, any shape.

    Returns:
        Millimetres, float64, with the sign of the angle.

    Source: chord of a circle, 2 c sin(angle / 2).
    """
    return np.asarray(2 * chord_mm * np.sin(np.radians(np.asarray(angle_deg, np.float64)) / 2), np.float64)


def has_linkage(device: Device) -> bool:
    """True if arm, horn and base are known."""
    geometry = device.geometry
    return None not in (geometry.arm_mm, geometry.horn_mm, geometry.base_mm)


def knows_surface(device: Device) -> bool:
    """True if the angle of the surface follows from the plan; else surface_deg gives that of the arm."""
    return has_linkage(device) or device.geometry.throw_deg is not None


def surface_deg(device: Device, arm_deg: ArrayLike) -> F64:
    """Angle of the surface that a device moves, signed as seen on the aircraft.

    By linkage if arm, horn and base are known, else in proportion to the
    planned throw_deg, else the arm's own angle. A mirrored device moves its surface the other way.

    Args:
        arm_deg: its arm's angle from neutral, any shape.

    Returns:
        Degrees, float64.
    """
    geometry = device.geometry
    arm = np.asarray(arm_deg, np.float64)
    if device.mounting == "mirrored":
        arm = -arm  # mirrored: the arm turns the other way; the rest equals its partner's
    if geometry.arm_mm is not None and geometry.horn_mm is not None and geometry.base_mm is not None:
        return horn_angle(arm, arm_mm=geometry.arm_mm, horn_mm=geometry.horn_mm, base_mm=geometry.base_mm)
    if geometry.throw_deg is not None:
        return arm * (geometry.throw_deg / geometry.arm_deg)
    return arm


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
