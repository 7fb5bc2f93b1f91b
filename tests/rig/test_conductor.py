"""Resistance of leads: hand-worked values and edges."""

from __future__ import annotations

import pytest

from busbench.rig.conductor import conductor_ohm_per_m, gauge_area_mm2, lead_limit_a, lead_ohm, lead_text, thicker
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
