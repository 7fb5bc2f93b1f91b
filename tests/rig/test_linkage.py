"""Arm, rod and horn: against the length of the rod, and in words."""

from __future__ import annotations

import math

import numpy as np
import pytest

from busbench.rig.direction import OPPOSITES, SECOND, directions_of, sign_of
from busbench.rig.linkage import (
    Throw,
    has_linkage,
    horn_angle,
    knows_surface,
    straight_throw_mm,
    surface_deg,
    throws_of,
)
from busbench.rig.model import Device
from busbench.rig.travel import endpoints_of, level_sent
from busbench.wire.scale import Scale
from tests.rig.rigs import device, rig

SCALE = Scale()


def one(*more: str, name: str = "x", channel: int | None = 1) -> Device:
    return rig(device(name, channel, *more, failsafe=None)).devices[0]


def geometry(text: str) -> str:
    return f"geometry = {{{text}}}"


@pytest.mark.parametrize("seed", range(5))
def test_the_rod_keeps_its_length(seed: int) -> None:
    draw = np.random.default_rng(seed)
    arm_mm, horn_mm, base_mm = draw.uniform(5, 15), draw.uniform(12, 30), draw.uniform(40, 120)
    arm = np.linspace(-60, 60, 121)
    horn = horn_angle(arm, arm_mm=arm_mm, horn_mm=horn_mm, base_mm=base_mm)
    assert not np.isnan(horn).any()
    # At neutral both are square to a base line; the horn's axis is base_mm before the arm's.
    turned, followed = np.radians(arm), np.radians(horn)
    from_x, from_y = -base_mm - arm_mm * np.sin(turned), arm_mm * np.cos(turned)
    to_x, to_y = -horn_mm * np.sin(followed), horn_mm * np.cos(followed)
    rod = np.hypot(from_x - to_x, from_y - to_y)
    np.testing.assert_allclose(rod, math.hypot(base_mm, horn_mm - arm_mm), rtol=1e-9)
    assert horn[60] == pytest.approx(0, abs=1e-9)
    assert (np.diff(horn) > 0).all()


def test_arm_and_horn_of_one_length_turn_alike_and_a_long_arm_locks() -> None:
    arm = np.array([-80.0, -10, 0, 33, 80])
    np.testing.assert_allclose(horn_angle(arm, arm_mm=10, horn_mm=10, base_mm=50), arm, atol=1e-9)
    # Stretched out: the arm's end is as far from the horn's axis as the horn and the rod are long.
    arm_mm, horn_mm, base_mm = 20.0, 10.0, 80.0
    rod_mm = math.hypot(base_mm, horn_mm - arm_mm)
    # reach^2 = 80^2 + 20^2 + 2 x 80 x 20 sin(a) = (10 + rod)^2 at the lock
    lock = math.degrees(math.asin(((horn_mm + rod_mm) ** 2 - base_mm**2 - arm_mm**2) / (2 * base_mm * arm_mm)))
    before, after = horn_angle([lock - 0.01, lock + 0.01], arm_mm=arm_mm, horn_mm=horn_mm, base_mm=base_mm).tolist()
    assert 0 < before < 180
    assert math.isnan(after)


def test_a_throw_across_is_the_chord_of_a_circle() -> None:
    assert straight_throw_mm(100, [60, -60, 180, 0]).tolist() == pytest.approx([100, -100, 200, 0])


@pytest.mark.parametrize(
    ("keys", "linked", "known"),
    [
        ("arm_mm = 1, horn_mm = 1, base_mm = 9", True, True),
        ("arm_mm = 1, horn_mm = 1", False, False),
        ("arm_mm = 1, base_mm = 9", False, False),
        ("horn_mm = 1, base_mm = 9, throw_deg = 20", False, True),
        ("chord_mm = 50", False, False),
    ],
)
def test_what_a_geometry_tells(keys: str, linked: bool, known: bool) -> None:
    found = one(geometry(keys))
    assert (has_linkage(found), knows_surface(found)) == (linked, known)


@pytest.mark.parametrize(
    ("keys", "arm_deg", "normal_deg", "mirrored_deg"),
    [
        ("throw_deg = 20, arm_deg = 40", 10, 5, -5),
        ("throw_deg = 90", 45, 90, -90),
        ("chord_mm = 9", 10, 10, -10),
        ("arm_mm = 10, horn_mm = 10, base_mm = 50, throw_deg = 3", 10, 10, -10),
    ],
)
def test_the_angle_of_a_surface(keys: str, arm_deg: float, normal_deg: float, mirrored_deg: float) -> None:
    assert float(surface_deg(one(geometry(keys)), arm_deg)) == pytest.approx(normal_deg)
    assert float(surface_deg(one(geometry(keys), 'mounting = "mirrored"'), arm_deg)) == pytest.approx(mirrored_deg)


@pytest.mark.parametrize(
    ("throw", "said"),
    [
        (Throw("up", 20.4, False, None), "20° up"),
        (Throw("up", 20.6, False, 17.6), "21° up (18 mm)"),
        (Throw("out", 44.9, True, 9.0), "out (arm 45°)"),
    ],
)
def test_a_throw_in_words(throw: Throw, said: str) -> None:
    assert str(throw) == said


THROW = geometry("throw_deg = 30, chord_mm = 100")


@pytest.mark.parametrize(
    ("more", "rest", "ends", "said"),
    [
        ((), 992, (1811, 173), ["30° up (52 mm)", "30° down (52 mm)"]),  # 2 x 100 sin(15°) = 51.8
        (("reversed = true",), 992, (1811, 173), ["30° down (52 mm)", "30° up (52 mm)"]),
        (('mounting = "mirrored"',), 992, (1811, 173), ["30° down (52 mm)", "30° up (52 mm)"]),
        (("reversed = true", 'mounting = "mirrored"'), 992, (1811, 173), ["30° up (52 mm)", "30° down (52 mm)"]),
        (('above_neutral = "down"',), 992, (1811, 173), ["30° down (52 mm)", "30° up (52 mm)"]),
        (('above_neutral = "down"', "reversed = true"), 992, (1811, 173), ["30° down (52 mm)", "30° up (52 mm)"]),
        ((), 173, (1811, 173), ["60° up (100 mm)"]),  # nothing from rest to rest
        ((), 1811, (1811, 173), ["60° down (100 mm)"]),
        (("neutral_us = 1600",), 1152, (1811,), ["24° up (42 mm)"]),  # 659 counts of 819
    ],
)
def test_throws_from_rest_to_the_ends(more: tuple[str, ...], rest: int, ends: tuple[int, ...], said: list[str]) -> None:
    found = throws_of(one(THROW, *more, name="flap"), SCALE, rest=rest, ends=ends)
    assert [str(throw) for throw in found] == said


@pytest.mark.parametrize(
    ("channel", "more", "said"),
    [
        (17, (), ["on (arm 90°)"]),
        (18, ("reversed = true",), ["on (arm 90°)"]),  # from off to on, whichever way it turns
        (17, ('above_neutral = "open"',), ["open (arm 90°)"]),
    ],
)
def test_an_on_off_channel_goes_from_end_to_end(channel: int, more: tuple[str, ...], said: list[str]) -> None:
    found = throws_of(one(*more, channel=channel), SCALE, rest=0, ends=(1, 0))
    assert [str(throw) for throw in found] == said
    back = throws_of(one(*more, channel=channel), SCALE, rest=1, ends=(0,))
    assert back[0].way == directions_of(one(*more, channel=channel)).below


@pytest.mark.parametrize(
    ("name", "channel", "more", "above", "below", "is_stated"),
    [
        ("left aileron", 1, (), "up", "down", False),
        ("Ruddervator", 1, (), "up", "down", False),  # goes up, whatever its name has of a rudder
        ("rudder", 1, (), "right", "left", False),
        ("rudder", 1, ("reversed = true",), "left", "right", False),
        ("elevator", 1, ('mounting = "mirrored"',), "down", "up", False),
        ("elevator", 1, ("reversed = true", 'mounting = "mirrored"'), "up", "down", False),
        ("slider", 1, ("reversed = true",), "high", "low", False),
        ("flap", 16, (), "up", "down", False),
        ("flap", 17, (), "on", "off", False),
        ("rudder", 1, ('above_neutral = "left"', "reversed = true"), "left", "right", True),
        ("gear", 17, ('above_neutral = "in"',), "in", "out", True),
    ],
)
def test_directions(name: str, channel: int, more: tuple[str, ...], above: str, below: str, is_stated: bool) -> None:
    found = directions_of(one(*more, name=name, channel=channel))
    assert (found.above, found.below, found.is_stated) == (above, below, is_stated)
    assert (found.of(is_high=True), found.of(is_high=False)) == (above, below)


def test_each_way_has_its_opposite() -> None:
    assert all(OPPOSITES[OPPOSITES[way]] == way for way in OPPOSITES)
    assert set(SECOND) | {OPPOSITES[way] for way in SECOND} == set(OPPOSITES)
    signs = [
        sign_of(one(f"reversed = {turned}", f'mounting = "{mounting}"'))
        for turned in ("false", "true")
        for mounting in ("normal", "mirrored")
    ]
    assert signs == [1, -1, -1, 1]


@pytest.mark.parametrize(
    ("more", "counts", "us"),
    [
        ((), (173, 992, 1811), (988.125, 1500, 2011.875)),
        (("travel_pct = 50",), (582.5, 992, 1401.5), (1244.0625, 1500, 1755.9375)),
        (("neutral_us = 1600", "travel_pct = 50"), (742.5, 1152, 1561.5), (1344.0625, 1600, 1855.9375)),
    ],
)
def test_ends_in_counts_and_microseconds(
    more: tuple[str, ...], counts: tuple[float, ...], us: tuple[float, ...]
) -> None:
    ends = endpoints_of(one(*more), SCALE)
    assert (ends.low_counts, ends.neutral_counts, ends.high_counts) == pytest.approx(counts)
    assert (ends.low_us, ends.neutral_us, ends.high_us) == pytest.approx(us)
    assert ends.fits_frame


@pytest.mark.parametrize(
    ("channel", "pct", "sent"),
    [
        (1, 0, 992), (16, 100, 1811), (16, -100, 173), (1, 0.05, 992), (1, 0.07, 993), (1, 150, 2047), (1, -150, 0),
        (17, 49.9, 0), (17, 50, 1), (18, 100, 1), (18, -100, 0), (None, 100, 1811),
    ],
)  # fmt: skip
def test_a_position_as_it_is_sent(channel: int | None, pct: float, sent: int) -> None:
    assert level_sent(one(channel=channel), pct, SCALE) == sent
    shifted = one("neutral_us = 1510", channel=channel)  # 16 counts more
    assert level_sent(shifted, pct, SCALE) == (sent if (channel or 0) > 16 else min(2047, max(0, level_of(pct) + 16)))


def level_of(pct: float) -> int:
    return round(992 + 8.19 * pct)
