"""From the device's arm to the surface: four-bar linkage and throw."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from busbench.model import F64
from busbench.rig.model import Device


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
