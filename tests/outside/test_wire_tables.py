"""Resistance of wire against printed tables and standards."""

from __future__ import annotations

import pytest

from busbench.rig.conductor import conductor_ohm_per_m, gauge_area_mm2

FOOT_M = 0.3048

# Solid copper at 20 degrees Celsius, ohms a 1000 feet, as printed in wire tables;
# editions differ by about 1 %. From memory: the tables are older than any standard that could be looked up here.
PRINTED_OHM_PER_1000_FT = {
    10: 0.9989, 12: 1.588, 14: 2.525, 16: 4.016, 18: 6.385,
    20: 10.15, 22: 16.14, 24: 25.67, 26: 40.81, 28: 64.90, 30: 103.2,
}  # fmt: skip


@pytest.mark.parametrize(("awg", "ohm"), PRINTED_OHM_PER_1000_FT.items())
def test_gauges_against_printed_tables(awg: int, ohm: float) -> None:
    ours = conductor_ohm_per_m(gauge_area_mm2(awg)) * 1000 * FOOT_M
    assert ours == pytest.approx(ohm, rel=0.01)


# IEC 60228, class 5 (flexible, stranded, plain copper): maximum resistance at 20 degrees Celsius, ohms a kilometre.
CLASS_5_MAX_OHM_PER_KM = {0.5: 39.0, 0.75: 26.0}


@pytest.mark.parametrize(("area_mm2", "most"), CLASS_5_MAX_OHM_PER_KM.items())
def test_areas_lie_within_the_maximum_of_stranded_wire(area_mm2: float, most: float) -> None:
    ours = 1000 * conductor_ohm_per_m(area_mm2)
    # The standard's maximum leaves room for stranding and tolerance: some 13 % above solid copper.
    assert 0.85 * most < ours <= most


def test_gauge_diameters_against_the_standard() -> None:
    # ASTM B258 fixes 0.0050 inch for gauge 36 and 0.4600 inch for gauge 0000 (-3).
    import math

    for awg, inch in ((36, 0.0050), (-3, 0.4600)):
        assert gauge_area_mm2(awg) == pytest.approx(math.pi / 4 * (25.4 * inch) ** 2, rel=1e-9)
