"""Resistance of leads from length, gauge or area at a temperature.

Sources: gauge diameters ASTM B258; resistivity of annealed copper IEC 60028
(1/58 ohm mm2/m and 0.00393 per kelvin at 20 degrees Celsius).
"""

from __future__ import annotations

import math

import msgspec
import numpy as np
from numpy.typing import ArrayLike

from busbench.model import Bools
from busbench.rig.model import Lead

RHO20_OHM_MM2_PER_M = 1 / 58
ALPHA_PER_K = 0.00393
REFERENCE_C = 20.0
ROUNDING = 1e-6  # relative rounding error of the solver
CONNECTOR_LIMIT_A = 5.0  # common practice, no source: 3-5 A
CONNECTORS = "(connectors)"  # what a limit is the limit of
DENSITY_LIMIT_A_PER_MM2 = 15.0  # common practice for short leads in free air, no source
GAUGES = tuple(range(30, 8, -2))  # usual gauges of leads, thin to thick
AREAS_MM2 = (0.08, 0.14, 0.25, 0.34, 0.5, 0.75, 1.0, 1.5, 2.5, 4.0)  # IEC 60228 and common practice


def gauge_area_mm2(awg: int) -> float:
    """Copper area of a gauge.

    Returns:
        Area in square millimetres.

    Source: ASTM B258, diameter 0.127 mm * 92 ** ((36 - n) / 39).
    """
    diameter_mm: float = 0.127 * 92 ** ((36 - awg) / 39)
    return math.pi / 4 * diameter_mm**2


def conductor_ohm_per_m(area_mm2: float, *, temperature_c: float = REFERENCE_C) -> float:
    """Resistance of one metre of one copper wire.

    Args:
        area_mm2: copper area.

    Returns:
        Ohms a metre.

    Source: IEC 60028.
    """
    return RHO20_OHM_MM2_PER_M / area_mm2 * (1 + ALPHA_PER_K * (temperature_c - REFERENCE_C))


def lead_area_mm2(lead: Lead) -> float | None:
    """Copper area of each wire of a lead, None if only its resistance is stated."""
    return gauge_area_mm2(lead.awg) if lead.awg is not None else lead.area_mm2


def lead_ohm(lead: Lead | None, *, temperature_c: float = REFERENCE_C) -> float:
    """Resistance of a lead out and back with its connectors.

    A measured resistance_ohm and connector_ohm are used at any temperature.

    Args:
        lead: the lead, None for none known.

    Returns:
        Ohms; 0 for None.
    """
    if lead is None:
        return 0.0
    if lead.resistance_ohm is not None:
        return lead.resistance_ohm + lead.connector_ohm
    area, length = lead_area_mm2(lead), lead.length_m
    assert area is not None  # a lead states its gauge, area or resistance
    assert length is not None  # and its length, with the first two
    return 2 * length * conductor_ohm_per_m(area, temperature_c=temperature_c) + lead.connector_ohm


def lead_limit_a(lead: Lead | None, *, has_servo_connector: bool = True) -> float | None:
    """Current that a lead carries continuously, as stated, else by wire and connector.

    Args:
        lead: the lead, None for none known.
        has_servo_connector: False if it ends in heavier connectors, as supply leads do.

    Returns:
        Amperes, None if nothing is known.

    Source: common practice, no source, unless stated.
    """
    if lead is None:
        return None
    if lead.limit_a is not None:
        return lead.limit_a
    area = lead_area_mm2(lead)
    limits = [CONNECTOR_LIMIT_A] if has_servo_connector else []
    limits += [area * DENSITY_LIMIT_A_PER_MM2] if area is not None else []
    return min(limits, default=None)


def is_above(current_a: ArrayLike, limit_a: ArrayLike) -> Bools:
    """True if a current is above its limit by more than the rounding of the calculation."""
    return np.asarray(np.asarray(current_a) > np.asarray(limit_a) * (1 + ROUNDING), np.bool_)


def limit_text(lead: Lead | None, *, limit_a: float) -> str:
    """A limit from lead_limit_a with what it is the limit of: a thicker wire does not help a connector."""
    if lead is None or lead.limit_a is not None:
        return f"{limit_a:.3g} A (stated)"
    area = lead_area_mm2(lead)
    is_wire = area is not None and area * DENSITY_LIMIT_A_PER_MM2 <= limit_a
    return f"{limit_a:.3g} A {'(wire)' if is_wire else CONNECTORS}"


def thicker(lead: Lead) -> Lead | None:
    """The lead with about double wire area, None if its wire is not stated or is the thickest."""
    if lead.awg is not None:
        gauges = [gauge for gauge in GAUGES if gauge <= lead.awg - 3]  # three gauges are double the area
        return msgspec.structs.replace(lead, awg=max(gauges), limit_a=None) if gauges else None
    if lead.area_mm2 is not None:
        areas = [area for area in AREAS_MM2 if area >= 1.75 * lead.area_mm2]
        return msgspec.structs.replace(lead, area_mm2=areas[0], limit_a=None) if areas else None
    return None


def lead_text(lead: Lead | None) -> str:
    """A lead in short, for example "0.8 m AWG 22"."""
    if lead is None:
        return "lead not stated"
    length = f"{lead.length_m:g} m " if lead.length_m is not None else ""
    if lead.resistance_ohm is not None:
        return f"{length}{1000 * lead.resistance_ohm:g} mΩ"
    return length + (f"AWG {lead.awg}" if lead.awg is not None else f"{lead.area_mm2:g} mm²")


def ascii_units(text: str) -> str:
    """A text with leads in which units are written in ASCII."""
    return text.replace("mΩ", "mohm").replace("mm²", "mm2")
