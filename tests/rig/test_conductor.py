"""Resistance of leads: hand-worked values and edges."""

from __future__ import annotations

import pytest

from busbench.rig.conductor import (
    ascii_units,
    conductor_ohm_per_m,
    gauge_area_mm2,
    is_above,
    lead_area_mm2,
    lead_limit_a,
    lead_ohm,
    lead_text,
    limit_text,
    thicker,
)
from busbench.rig.model import Lead


def test_gauge_36_is_a_tenth_of_an_inch_in_a_thousandth_and_three_gauges_double_the_area() -> None:
    assert gauge_area_mm2(36) == pytest.approx(0.0126677, rel=1e-5)  # pi/4 * 0.127^2 by hand
    assert gauge_area_mm2(20) / gauge_area_mm2(23) == pytest.approx(2.005, abs=0.001)


def test_out_and_back_with_connectors() -> None:
    # 1 m of 1 mm2: 1/58 ohm one way.
    assert lead_ohm(Lead(length_m=1, area_mm2=1)) == pytest.approx(2 / 58)
    assert lead_ohm(Lead(length_m=1, area_mm2=1, connector_ohm=0.01)) == pytest.approx(2 / 58 + 0.01)
    measured = Lead(resistance_ohm=0.05, length_m=3, connector_ohm=0.01)
    assert lead_ohm(measured, temperature_c=80) == pytest.approx(0.06)
    assert lead_ohm(None) == 0.0


def test_copper_grows_with_heat() -> None:
    assert conductor_ohm_per_m(1, temperature_c=70) / conductor_ohm_per_m(1) == pytest.approx(1 + 0.00393 * 50)


def test_limits() -> None:
    assert lead_limit_a(Lead(length_m=1, awg=20)) == 5.0  # the connector
    assert lead_limit_a(Lead(length_m=1, area_mm2=0.1)) == pytest.approx(1.5)  # the wire
    assert lead_limit_a(Lead(length_m=1, area_mm2=1), has_servo_connector=False) == 15.0
    assert lead_limit_a(Lead(resistance_ohm=1), has_servo_connector=False) is None
    assert lead_limit_a(Lead(length_m=1, awg=20, limit_a=3)) == 3
    assert lead_limit_a(None) is None


def test_the_next_thicker_wire_has_about_double_the_area() -> None:
    assert thicker(Lead(length_m=1, awg=22, limit_a=3)) == Lead(length_m=1, awg=18)
    assert thicker(Lead(length_m=1, awg=23)) == Lead(length_m=1, awg=20)
    assert thicker(Lead(length_m=1, area_mm2=0.25)) == Lead(length_m=1, area_mm2=0.5)
    assert thicker(Lead(length_m=1, awg=10)) is None
    assert thicker(Lead(length_m=1, area_mm2=4)) is None
    assert thicker(Lead(resistance_ohm=1)) is None


def test_a_lead_in_few_words() -> None:
    assert lead_text(Lead(length_m=0.8, awg=22)) == "0.8 m AWG 22"
    assert lead_text(Lead(length_m=1, area_mm2=0.5)) == "1 m 0.5 mm²"
    assert lead_text(Lead(resistance_ohm=0.05)) == "50 mΩ"
    assert lead_text(None) == "lead not stated"


@pytest.mark.parametrize(
    ("awg", "area_mm2"),
    # ASTM B258, from memory: 24 0.205 mm2, 20 0.518, 16 1.31, 10 5.26, 0 53.5.
    [(24, 0.2047), (20, 0.5176), (16, 1.3087), (10, 5.2612), (0, 53.475)],
)
def test_areas_of_gauges(awg: int, area_mm2: float) -> None:
    assert gauge_area_mm2(awg) == pytest.approx(area_mm2, rel=2e-4)
    assert lead_area_mm2(Lead(length_m=1, awg=awg)) == gauge_area_mm2(awg)
    assert lead_area_mm2(Lead(length_m=1, area_mm2=0.3)) == 0.3
    assert lead_area_mm2(Lead(resistance_ohm=0.3)) is None


@pytest.mark.parametrize(
    ("awg", "next_awg"),
    [(40, 30), (33, 30), (32, 28), (31, 28), (30, 26), (29, 26), (24, 20), (14, 10), (13, 10), (12, None), (0, None)],
)
def test_the_next_gauge_is_three_or_four_thicker(awg: int, next_awg: int | None) -> None:
    found = thicker(Lead(length_m=1, awg=awg, connector_ohm=0.01, limit_a=1))
    assert found == (None if next_awg is None else Lead(length_m=1, awg=next_awg, connector_ohm=0.01))


@pytest.mark.parametrize(
    ("area", "next_area"),
    [
        (0.01, 0.08), (0.045, 0.08), (0.046, 0.14), (0.08, 0.14), (0.081, 0.25), (0.14, 0.25), (0.25, 0.5),
        (0.34, 0.75), (0.5, 1.0), (0.75, 1.5), (1.0, 2.5), (1.5, 4.0), (2.2, 4.0), (2.3, None), (4.0, None),
    ],
)  # fmt: skip
def test_the_next_area_is_at_least_three_quarters_more(area: float, next_area: float | None) -> None:
    found = thicker(Lead(length_m=1, area_mm2=area))
    assert found == (None if next_area is None else Lead(length_m=1, area_mm2=next_area))


@pytest.mark.parametrize(
    ("lead", "has_connector", "limit_a", "said"),
    [
        (Lead(length_m=1, awg=18), True, 5.0, "5 A (connectors)"),
        (Lead(length_m=1, area_mm2=1 / 3), True, 5.0, "5 A (wire)"),  # 15 A a square millimetre
        (Lead(length_m=1, area_mm2=0.32), True, 4.8, "4.8 A (wire)"),
        (Lead(length_m=1, area_mm2=1.0), False, 15.0, "15 A (wire)"),
        (Lead(resistance_ohm=0.1), True, 5.0, "5 A (connectors)"),
        (Lead(length_m=1, awg=18, limit_a=0.12345), True, 0.12345, "0.123 A (stated)"),
    ],
)
def test_what_sets_a_limit(lead: Lead, has_connector: bool, limit_a: float, said: str) -> None:
    found = lead_limit_a(lead, has_servo_connector=has_connector)
    assert found == pytest.approx(limit_a)
    assert limit_text(lead, limit_a=limit_a) == said
    assert limit_text(None, limit_a=2.0) == "2 A (stated)"


@pytest.mark.parametrize(("current_a", "is_more"), [(5.0, False), (5.000004, False), (5.000006, True), (4.9, False)])
def test_a_millionth_above_a_limit_is_rounding(current_a: float, is_more: bool) -> None:
    assert bool(is_above(current_a, 5.0)) == is_more


def test_resistance_at_a_temperature() -> None:
    # 1/58 ohm for a metre of a square millimetre, 0.393 % more a kelvin.
    assert conductor_ohm_per_m(0.5, temperature_c=20) == pytest.approx(2 / 58)
    assert conductor_ohm_per_m(0.5, temperature_c=0) == pytest.approx(2 / 58 * (1 - 0.0786))
    hot = lead_ohm(Lead(length_m=3, area_mm2=0.5, connector_ohm=0.02), temperature_c=120)
    assert hot == pytest.approx(2 * 3 * 2 / 58 * 1.393 + 0.02)


def test_ascii_units() -> None:
    assert ascii_units("1 m 0.5 mm² and 20 mΩ") == "1 m 0.5 mm2 and 20 mohm"
