"""The four-bar linkage against a worked example and against a general root finder on the rod's length."""

from __future__ import annotations

import numpy as np
import pytest

from busbench.rig.linkage import horn_angle, straight_throw_mm


def test_worked_example() -> None:
    # Worked apart from the program: arm 12, horn 20, base 80, square at neutral.
    got = horn_angle([-30.0, 0.0, 30.0], arm_mm=12, horn_mm=20, base_mm=80)
    assert got == pytest.approx([-17.2351, 0.0, 17.6657], abs=5e-5)


def test_throw_straight_across() -> None:
    # Chord of a circle, 2 c sin(angle / 2): 50 mm at 20 degrees is 17.36 mm.
    assert float(straight_throw_mm(50, 20)) == pytest.approx(17.36, abs=0.005)
    assert float(straight_throw_mm(50, -20)) == pytest.approx(-17.36, abs=0.005)
    # Reference: an equilateral triangle, 60 degrees.
    assert float(straight_throw_mm(50, 60)) == pytest.approx(50)


@pytest.mark.parametrize(("arm", "horn", "base"), [(12, 20, 80), (10, 10, 40), (15, 12, 60), (8, 25, 35)])
def test_the_rod_keeps_its_length(arm: float, horn: float, base: float) -> None:
    """scipy's brentq finds the horn angle at which the rod is as long as at neutral."""
    from scipy.optimize import brentq

    rod = np.hypot(base, horn - arm)

    def stretch(horn_deg: float, arm_deg: float) -> float:
        a, h = np.radians([arm_deg, horn_deg])
        ends = np.array([-arm * np.sin(a), arm * np.cos(a)]), np.array([base - horn * np.sin(h), horn * np.cos(h)])
        return float(np.hypot(*(ends[1] - ends[0])) - rod)

    for arm_deg in range(-40, 41, 5):
        ours = float(horn_angle(arm_deg, arm_mm=arm, horn_mm=horn, base_mm=base))
        reference = brentq(stretch, ours - 20, ours + 20, args=(float(arm_deg),), xtol=1e-12)
        assert ours == pytest.approx(reference, abs=1e-6)
