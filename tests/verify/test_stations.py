"""The stations of a walk: one for each channel, which way goes first, between which ends, and what is left out."""

from __future__ import annotations

import pytest

from busbench.drive.surface_check import Entry, Station
from busbench.drive.surface_file import SavedWalk
from busbench.rig.model import Rig
from busbench.verify.result import Verdict
from busbench.verify.stations import direction_words, stations_of
from busbench.verify.surface_checks import check_walk, not_walked
from tests.rig.rigs import device, rig
from tests.verify.rounds import RIG


def station(*states: str, name: str = "flap", channel: int = 4) -> Station:
    (found,) = stations_of(rig(device(name, channel, *states)))[0]
    return found


@pytest.mark.parametrize(
    ("states", "first", "then", "is_high_first", "counts"),
    [
        # From neutral, up, right, out, open and forward come first, whichever end is high.
        ((), "up", "down", True, (173, 992, 1811)),
        (('above_neutral = "down"',), "up", "down", False, (173, 992, 1811)),
        (("reversed = true",), "up", "down", False, (173, 992, 1811)),
        (('above_neutral = "left"',), "right", "left", False, (173, 992, 1811)),
        (('above_neutral = "out"',), "out", "in", True, (173, 992, 1811)),
        (('above_neutral = "closed"',), "open", "closed", False, (173, 992, 1811)),
        (('above_neutral = "back"',), "forward", "back", False, (173, 992, 1811)),
        # From an end there is one way only.
        (("rest_pct = -100",), "up", "down", True, (173, 173, 1811)),
        (("rest_pct = 100",), "down", "up", False, (173, 1811, 1811)),
        (('above_neutral = "down"', "rest_pct = -100"), "down", "up", True, (173, 173, 1811)),
        # Nearly at an end there are still two.
        (("rest_pct = 98",), "up", "down", True, (173, 1795, 1811)),
        # A rest beyond the ends is held at them; ends beyond the frame are held in it.
        (("rest_pct = -100", "travel_pct = 60"), "up", "down", True, (501, 501, 1483)),
        (("travel_pct = 150",), "up", "down", True, (0, 992, 2047)),
        (("neutral_us = 1600",), "up", "down", True, (333, 1152, 1971)),
    ],
)
def test_ways_and_ends(
    states: tuple[str, ...], first: str, then: str, is_high_first: bool, counts: tuple[int, int, int]
) -> None:
    found = station(*states)
    assert (found.first, found.then, found.is_high_first) == (first, then, is_high_first)
    assert (found.low, found.neutral, found.high) == counts


@pytest.mark.parametrize(("rest", "neutral", "is_high_first"), [("", 0, True), ("rest_pct = 100", 1, False)])
def test_an_on_off_channel_goes_from_where_it_rests(rest: str, neutral: int, is_high_first: bool) -> None:
    for channel in (17, 18):
        found = station(*filter(None, [rest]), channel=channel)
        assert (found.channel, found.low, found.neutral, found.high) == (channel - 1, 0, neutral, 1)
        assert (found.is_high_first, found.first) == (is_high_first, "on" if is_high_first else "off")
    assert station(channel=16).high == 1811


@pytest.mark.parametrize(
    ("states", "remark"),
    [
        ((), ""),
        (("reversed = true",), "reversed"),
        (('mounting = "mirrored"',), "mounted mirrored"),
        (("reversed = true", 'mounting = "mirrored"'), "reversed and mounted mirrored"),
    ],
)
def test_what_the_plan_remarks_of_one_device(states: tuple[str, ...], remark: str) -> None:
    assert station(*states).remark == remark


def test_devices_on_one_channel_are_one_station() -> None:
    together = rig(
        device("left flap", 4, 'group = "flaps"', "travel_pct = 80"),
        device("right flap", 4, 'group = "flaps"', "reversed = true"),
        device("rudder", 2),
    )
    (flaps, rudder), left_out = stations_of(together)
    assert (flaps.name, flaps.members) == ("left flap + right flap", ("left flap", "right flap"))
    assert (flaps.first, flaps.then) == ("left flap up, right flap down", "left flap down, right flap up")
    assert flaps.remark == "right flap reversed"
    assert (flaps.low, flaps.high) == (337, 1647)  # the smaller travel: 992 less and plus 655.2
    assert (rudder.name, rudder.remark, left_out) == ("rudder", "", ())
    apart = rig(device("left flap", 4, 'group = "flaps"'), device("right flap", 4))
    assert stations_of(apart)[0][0].remark == ""  # one group is named, and only one
    parted = rig(device("left flap", 4, 'group = "a"'), device("right flap", 4, 'group = "b"'))
    ungrouped = rig(device("left flap", 4), device("right flap", 4))
    for plan in (parted, ungrouped):
        assert stations_of(plan)[0][0].remark == "on one channel, though the plan does not group them"
    # Both go down with the channel high: low comes first. Where they part, the channel rises first.
    both = rig(device("left flap", 4, "reversed = true"), device("right flap", 4, "reversed = true"))
    assert not stations_of(both)[0][0].is_high_first


ENGINE = device("engine", 3, 'motor = "engine"', "idle_pct = -80", 'ignition_kill = "kill"', 'kind = "off-bus"')


def test_what_is_not_walked_and_why() -> None:
    plan = rig(
        device("pack", None, 'kind = "sensor"', failsafe=None),
        ENGINE,
        device("kill", 18, "rest_pct = -100"),
        device("lamp", 5, 'kind = "off-bus"', "motor = false"),
        device("spare"),
        device("nowhere", 19),
        device("mixture", 3),
        device("far", 6, "neutral_us = 3000", "travel_pct = 10"),
        device("rudder", 2),
    )
    walked, left_out = stations_of(plan)
    assert [stop.name for stop in walked] == ["rudder"]
    assert left_out == (
        ("pack", "a sensor"),
        ("engine", "can turn a propeller, so its channel is locked"),
        ("kill", "kills the ignition, so its channel is locked"),
        ("lamp", "not on the bus"),
        ("spare", "has no channel of the frame"),
        ("nowhere", "has no channel of the frame"),
        ("mixture", "shares its channel with a motor, so it is locked"),
        ("far", "its ends lie beyond what a frame can say"),
    )


def test_where_the_directions_come_from() -> None:
    stated = 'above_neutral = "up"'
    assert direction_words(rig(device("flap", 1, stated), device("release", 17), ENGINE)) == (
        "Directions are the plan's, as its above_neutral states them."
    )
    first = direction_words(rig(device("aileron", 1), device("flap", 2, stated)))
    assert first.startswith("The plan does not state above_neutral of aileron: ")
    assert direction_words(rig(device("flap", 1, stated), device("rudder", 16), device("tip", 2))) == (
        "The plan does not state above_neutral of rudder, tip: above neutral, a device neither reversed nor mirrored is"
        " taken to move its surface up, a rudder to the right."
    )


def walk(plan: Rig, *names: str, left_out: tuple[tuple[str, str], ...] | None = ()) -> SavedWalk:
    entries = tuple(Entry(stop, answers=(True,) * 4) for stop in stations_of(plan)[0] if stop.name in names)
    return SavedWalk("Heron", False, "2026-01-31T09:00:00Z", entries, left_out)


def test_surfaces_that_were_not_walked_are_named_with_the_reason_in_the_file() -> None:
    plan = rig(
        device("rudder", 2),
        device("left flap", 4),
        device("right flap", 4),
        device("lamp", 5, 'kind = "off-bus"', "motor = false"),
        device("fan", 6, 'motor = "electric"', failsafe="-100"),
        ENGINE,
        device("kill", 7, "rest_pct = -100"),
    )
    why = (("left flap", "no time"), ("lamp", "not on the bus"), ("right flap", "dark"), ("rudder", "was stuck"))
    found = [(one.channel, one.subject, one.name, one.sentence) for one in check_walk(
        walk(plan, left_out=why), plan, path="w.json")]  # fmt: skip
    assert found == [
        (2, "channel 2 (rudder)", "walk", "it was not walked: was stuck"),
        (4, "channel 4 (left flap, right flap)", "walk", "it was not walked: no time; dark"),
    ]
    checks = list(check_walk(walk(plan, "rudder", left_out=None), plan, path="w.json"))
    assert [one.sentence for one in checks if one.verdict is not Verdict.PASS] == ["it was not walked"]
    assert not_walked(walk(plan, left_out=why), plan) == why
    assert not_walked(walk(plan, left_out=None), plan) == stations_of(plan)[1]


def test_a_device_without_a_name_of_its_own_is_named_by_its_station() -> None:
    stop = Station("old flap", 3, (), "up", "down", True, 173, 992, 1811)
    saved = SavedWalk("Heron", False, "2026-01-31T09:00:00Z", (Entry(stop, answers=(True,) * 4),))
    found = next(iter(check_walk(saved, RIG, path="w.json")))
    assert (found.part, found.subject, found.channel) == ("walk", "channel 4 (old flap)", 4)
    assert (found.name, found.verdict) == ("walk", Verdict.NOT_TESTED)
