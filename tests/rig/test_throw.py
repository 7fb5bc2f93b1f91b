"""Planned throws: as the virtual aircraft shows them, and by hand."""

from __future__ import annotations

import re

import pytest

from busbench.bench.surface_plan import plan_walk
from busbench.drive.frame_source import DriveSource
from busbench.rig.linkage import throws_of
from busbench.rig.load import read_rig
from tests.cli.running import CAPTURES

HERON = CAPTURES / "heron.toml"
RIG = read_rig(HERON)


@pytest.mark.parametrize(
    ("name", "rest", "ends", "told"),
    [
        # 30° and 180 mm: 2 x 180 sin(15°) = 93.2 mm, worked by hand.
        ("rudder", 1024, (1843, 205), ["30° right (93 mm)", "30° left (93 mm)"]),
        ("left flap", 173, (1811,), ["100° down (130 mm)"]),  # 2 x 85 sin(50°) = 130.2 mm
        ("gear", 173, (1811, 173), ["out (arm 90°)"]),
        ("tow release", 0, (1, 0), ["open (arm 90°)"]),
    ],
)
def test_by_hand(name: str, rest: int, ends: tuple[int, ...], told: list[str]) -> None:
    throws = throws_of(RIG.device(name), RIG.scale, rest=rest, ends=ends)
    assert [re.sub(r"\b(29|31)°", "30°", str(one)) for one in throws] == told


def test_what_the_virtual_aircraft_shows_is_what_was_planned() -> None:
    plan = plan_walk(RIG, rig_path=str(HERON), port="virtual:")
    seen: dict[str, str] = {}
    for stop in plan.stops:
        aircraft = plan.rehearsal()
        aircraft.transmit(DriveSource(plan.program_of(stop)))
        aircraft.play(60.0)
        seen |= dict(words.split(" moved ") for words in aircraft.seen())
    for stop in plan.stops:
        ends = (stop.high, stop.low) if stop.is_high_first else (stop.low, stop.high)
        for device in map(RIG.device, stop.members):
            throws = throws_of(device, RIG.scale, rest=stop.neutral, ends=ends)
            told = ", then ".join(re.sub(r" \(\d+ mm\)", "", str(one)) for one in throws)
            numbers = [[int(one) for one in re.findall(r"\d+", words)] for words in (told, seen[device.name])]
            assert re.sub(r"\d+", "", told) == re.sub(r"\d+", "", seen[device.name])
            assert numbers[0] == pytest.approx(numbers[1], abs=2)
