"""Checks of a plan at their bounds: what is just good, and what is just not."""

from __future__ import annotations

import pytest

from busbench.rig.check import check_rig, motion_faults
from tests.rig.rigs import HEAD, device, hub, rig

SENSOR = 'kind = "sensor"'
SLOTS = HEAD.replace("period_ms = 14", "period_ms = 14\nsensor_slots = true")


def found(*tables: str, head: str = HEAD) -> list[str]:
    """Severity, where and what of each finding."""
    return [f"{one.severity}: {one.where}: {one.what}" for one in check_rig(rig(*tables, head=head))]


def x(*more: str, channel: int | None = 1, failsafe: str | None = "0") -> str:
    return device("x", channel, *more, failsafe=failsafe)


def geometry(throw_deg: float, *more: str, arm_deg: float = 45) -> str:
    """Arm and horn of one length: the surface turns as far as the arm."""
    keys = f"arm_mm = 10, horn_mm = 10, base_mm = 80, arm_deg = {arm_deg}, throw_deg = {throw_deg}"
    return x(f"geometry = {{{keys}}}", *more)


CONTROL = 'control = "c"'


def grouped(name: str, channel: int, *more: str) -> str:
    return device(name, channel, 'group = "g"', *more)


THICK = "lead = {length_m = 0.1, awg = 10, limit_a = 25}"


def scale(**keys: float) -> str:
    return "[scale]\n" + "".join(f"{key} = {value}\n" for key, value in keys.items())


def pack(cells: int) -> str:
    return f"[supply.pack]\ncells = {cells}\ncapacity_mah = 1000\n"


GOOD_AND_BAD: list[tuple[str, tuple[str, ...], tuple[str, ...], str]] = [
    ("first channel", (x(channel=1),), (x(channel=0),), "fault: x: channel 0 is not in the frame"),
    ("last channel", (x(channel=18, failsafe="100"),), (x(channel=19),), "fault: x: channel 19 is not in the frame"),
    ("on or off low", (x(channel=17, failsafe="-100"),), (x(channel=17, failsafe="-99"),),
     "fault: x: failsafe -99 % on channel 17, which is on or off"),
    ("on or off high", (x(channel=18, failsafe="100"),), (x(channel=18, failsafe="101"),),
     "fault: x: failsafe 101 % on channel 18, which is on or off"),
    ("last proportional channel", (x("rest_pct = 50", channel=16),), (x("rest_pct = 50", channel=17, failsafe="100"),),
     "fault: x: rest_pct 50 % on channel 17"),
    ("a surface on a proportional channel", (device("flap", 16),), (device("flap", 17, failsafe="-100"),),
     "hint: flap: by its name it is a surface, but channel 17 is on or off"),
    ("failsafe within the travel", (x("travel_pct = 80", failsafe="-80"),), (x("travel_pct = 80", failsafe="-80.1"),),
     "fault: x: failsafe -80.1 % is beyond its travel of 80 %"),
    ("rest within the travel", (x("travel_pct = 80", "rest_pct = 80"),), (x("travel_pct = 80", "rest_pct = 80.1"),),
     "fault: x: rest_pct 80.1 % is beyond its travel of 80 %"),
    ("low end in the frame", (scale(centre_counts=819), x()), (scale(centre_counts=818), x()),
     "fault: x: its ends lie at -1 and 1637 counts"),
    ("high end in the frame", (scale(centre_counts=1228), x()), (scale(centre_counts=1229), x()),
     "fault: x: its ends lie at 410 and 2048 counts"),
    ("ends on the last proportional channel", (x("travel_pct = 130", channel=17, failsafe="100"),),
     (x("travel_pct = 130", channel=16),), "fault: x: its ends lie at -73 and 2057 counts"),
    ("neutral not too high", (x("neutral_us = 1560"),), (x("neutral_us = 1560.5"),), "hint: x: its neutral 1560.5 µs"),
    ("neutral not too low", (x("neutral_us = 1440"),), (x("neutral_us = 1439.5"),), "hint: x: its neutral 1439.5 µs"),
    ("throw as planned, low", (geometry(43.1),), (geometry(42.9),),
     "hint: x: arm and horn turn the surface -45.0° and +45.0°, but throw_deg says 42.9°"),
    ("throw as planned, high", (geometry(46.9),), (geometry(47.1),),
     "hint: x: arm and horn turn the surface -45.0° and +45.0°, but throw_deg says 47.1°"),
    ("throw at full command", (geometry(46, "travel_pct = 50"),), (geometry(22.5, "travel_pct = 50"),),
     "hint: x: arm and horn turn the surface -22.5° and +22.5°, but throw_deg says 22.5°"),
    ("dead band", (x("dead_band_us = 20"),), (x("dead_band_us = 20.1"),), "hint: x: its dead band is 20.1 µs"),
    ("travel", (x("travel_pct = 50"),), (x("travel_pct = 49"),), "hint: x: its travel is 49 % only"),
    ("speed, fast", (x("speed_s_per_60deg = 0.02"),), (x("speed_s_per_60deg = 0.019"),),
     "hint: x: 60 degrees in 0.019 s is unusual"),
    ("speed, slow", (x("speed_s_per_60deg = 10"),), (x("speed_s_per_60deg = 10.1"),),
     "hint: x: 60 degrees in 10.1 s is unusual"),
    ("arm and horn", (x("geometry = {arm_mm = 10, horn_mm = 10}"),), (x("geometry = {arm_mm = 10.1, horn_mm = 10}"),),
     "hint: x: its arm of 10.1 mm is longer than the horn of 10 mm"),
    ("current at rest", (x("current_a = {idle = 1}", "lead = {length_m = 0.3, awg = 18}"),),
     (x("current_a = {idle = 1.1}", "lead = {length_m = 0.3, awg = 18}"),), "hint: x: it draws 1.1 A at rest"),
    ("current when it is held", (x("current_a = {idle = 0, stall = 20}", THICK),),
     (x("current_a = {idle = 0, stall = 20.1}", THICK),), "hint: x: it draws 20.1 A"),
    ("currents that rise", (x("current_a = {idle = 0.5, moving = 0.5, stall = 0.5}"),),
     (x("current_a = {idle = 0.1, moving = 0.6, stall = 0.5}"),), "hint: x: its currents do not rise"),
    ("currents with a gap", (x("current_a = {idle = 0.1, stall = 0.5}"),),
     (x("current_a = {idle = 0.6, stall = 0.5}"),),
     "hint: x: its currents do not rise"),
    ("lead", (x("lead = {length_m = 5, awg = 10}"),), (x("lead = {length_m = 5.1, awg = 10}"),),
     "hint: x: a lead of more than 5 m"),
    ("way", (hub("h", "lead = {length_m = 3, awg = 10}"), x('on = "h"', "lead = {length_m = 3, awg = 10}")),
     (hub("h", "lead = {length_m = 3, awg = 10}"), x('on = "h"', "lead = {length_m = 3.1, awg = 10}")),
     "hint: x: 6.1 m of leads lie between the receiver and it"),
    ("way over two hubs",
     (hub("h", "lead = {length_m = 2, awg = 10}"), hub("i", 'from = "h"', "lead = {length_m = 2, awg = 10}"),
      x('on = "i"', "lead = {length_m = 2, awg = 10}")),
     (hub("i", 'from = "h"', "lead = {length_m = 2, awg = 10}"), hub("h", "lead = {length_m = 2.1, awg = 10}"),
      x('on = "i"', "lead = {length_m = 2, awg = 10}")),
     "hint: x: 6.1 m of leads lie between the receiver and it"),
    ("centre, low", (scale(centre_us=1300), x()), (scale(centre_us=1299), x()), "hint: scale: it is unusual: 1299 µs"),
    ("centre, high", (scale(centre_us=1700), x()), (scale(centre_us=1701), x()), "hint: scale: it is unusual: 1701 µs"),
    ("count, low", (scale(us_per_count=0.4), x()), (scale(us_per_count=0.39), x()), "hint: scale: it is unusual"),
    ("count, high", (scale(us_per_count=1), x()), (scale(us_per_count=1.01), x()), "hint: scale: it is unusual"),
    ("cells", (pack(2), x()), (pack(1), x()), "hint: supply: voltage_v 7.4 is more than 1 cells give"),
    ("gear without a link", (device("gear", 7, "rest_pct = -100", failsafe="-100"),),
     (device("gear", 7, "rest_pct = -100", failsafe="-99"),),
     "hint: gear: its failsafe is -99 %, but it rests at -100 %"),
    ("hook that rests off", (device("hook", 17, failsafe="-100"),), (device("hook", 17, failsafe="100"),),
     "hint: hook: its failsafe is 100 %, but it rests at -100 %"),
    ("gear whose rest is not known", (device("gear", 16, failsafe="50"),),
     (device("gear", 16, "rest_pct = 0", failsafe="50"),), "hint: gear: its failsafe is 50 %, but it rests at 0 %"),
    ("on/off gear whose rest is known", (device("gear", 18, "rest_pct = 100", failsafe="100"),),
     (device("gear", 18, "rest_pct = 100", failsafe="-100"),),
     "hint: gear: its failsafe is -100 %, but it rests at 100 %"),
    ("one group", (grouped("a", 5), grouped("b", 5)), (device("a", 5), device("b", 5)),
     "fault: a, b: all on channel 5 and not in one group"),
    ("silence", (x(failsafe='"silence"'), device("y", 2, failsafe='"silence"')),
     (x(failsafe='"silence"'), device("y", 2, failsafe='"hold"')),
     "fault: x: their failsafe is silence, but other devices on the bus have another"),
    ("names that differ by more than look-alikes", (device("flap 1", 1), device("flap 2", 2)),
     (device("flap 1", 1), device("Flap-l", 2)), "hint: flap 1, Flap-l: these names are easily confused"),
    ("a name like the root's", (device("receivers", 1),), (device("Receiver", 1),),
     "fault: Receiver: this is the name of the root of the harness"),
    ("a PWM device on the receiver", (device("p", 3, 'kind = "off-bus"', "motor = false"),),
     (hub("h"), device("p", 3, 'kind = "off-bus"', "motor = false", 'on = "h"')),
     'fault: p: an off-bus device is connected to the hub "h"'),
    ("one control for a channel", (grouped("a", 5, CONTROL), grouped("b", 5, CONTROL)),
     (grouped("a", 5, CONTROL), grouped("b", 5, 'control = "d"')),
     "fault: a, b: channel 5 is said to be moved by c, d"),
    ("one gimbal for a control", (device("a", 5, CONTROL, 'gimbal = "l"'), device("b", 6, CONTROL, 'gimbal = "l"')),
     (device("a", 5, CONTROL, 'gimbal = "l"'), device("b", 6, CONTROL, 'gimbal = "r"')),
     'fault: a, b: "c" is stated on l, r'),
    ("left and right alike", (device("left a", 1, "travel_pct = 90"), device("right a", 2, "travel_pct = 90")),
     (device("left a", 1, "travel_pct = 90"), device("right a", 2)),
     "hint: left a, right a: they differ in travel_pct: 90, 100"),
    ("left and right by what both state", (device("left a", 1, 'control = "c"'), device("right a", 2)),
     (device("left a", 1, 'control = "c"'), device("right a", 2, 'control = "d"')),
     "hint: left a, right a: they differ in control: c, d"),
    ("speed of left and right", (device("left a", 1, "speed_s_per_60deg = 0.1"), device("right a", 2)),
     (device("left a", 1, "speed_s_per_60deg = 0.1"), device("right a", 2, "speed_s_per_60deg = 0.2")),
     "hint: left a, right a: they differ in speed_s_per_60deg: 0.1, 0.2"),
]  # fmt: skip


@pytest.mark.parametrize(
    ("good", "bad", "said"), [row[1:] for row in GOOD_AND_BAD], ids=[row[0] for row in GOOD_AND_BAD]
)
def test_what_is_just_good_and_what_is_just_not(good: tuple[str, ...], bad: tuple[str, ...], said: str) -> None:
    assert found(*good) == []
    first, *more = found(*bad)
    assert first.startswith(said)
    # As a failsafe of 101 % and two controls of a group also are.
    assert all("is beyond its travel" in one or "they differ in control" in one for one in more)


@pytest.mark.parametrize(
    ("was", "good", "bad", "said"),
    [
        ("period_ms = 14", "period_ms = 5", "period_ms = 4.9", "hint: rig: period_ms is 4.9, which is unusual"),
        ("period_ms = 14", "period_ms = 40", "period_ms = 40.1", "hint: rig: period_ms is 40.1, which is unusual"),
        ("period_ms = 14", "period_ms = 7", "period_ms = 3", "hint: rig: period_ms is 3, which is unusual"),
        ("period_ms = 14", "period_ms = 7", "period_ms = 2.9", "fault: rig: period_ms is 2.9, but one frame takes"),
        ("minimum_v = 5", "minimum_v = 7.3", "minimum_v = 7.4", "fault: supply: voltage_v 7.4 is not above minimum_v"),
        ("minimum_v = 5", "minimum_v = 5\nmaximum_v = 7.4", "minimum_v = 5\nmaximum_v = 7.3",
         "fault: supply: voltage_v 7.4 is above maximum_v 7.3"),
        ("voltage_v = 7.4", "voltage_v = 8.8\npack = {cells = 2, capacity_mah = 900}",
         "voltage_v = 8.9\npack = {cells = 2, capacity_mah = 900}",
         "hint: supply: voltage_v 8.9 is more than 2 cells give"),
    ],
)  # fmt: skip
def test_the_plan_at_its_bounds(was: str, good: str, bad: str, said: str) -> None:
    quiet = x("current_a = {idle = 0, moving = 0, stall = 0}")
    assert found(quiet, head=HEAD.replace(was, good)) == []
    first, *more = found(quiet, head=HEAD.replace(was, bad))
    assert first.startswith(said)
    assert all("below the minimum" in one for one in more)


def test_free_channels_are_those_of_the_device() -> None:
    def advice(*tables: str) -> str:
        return check_rig(rig(*tables))[0].advice

    both = (device("a", 5), device("b", 5))
    assert "(free: 1, 2, 3, 4, 6, 7, 8, 9, 10, 11, 12, 13, 14, 15, 16)" in advice(*both)
    on_off = (device("a", 17, failsafe="100"), device("b", 17, failsafe="100"))
    assert "(free: 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13, 14, 15, 16, 18)" in advice(*on_off)
    others = [device(f"d{number}", number) for number in range(1, 17)]
    assert "(free: none is left)" in advice(*others, device("z", 16))
    assert advice(device("z", 19), device("a", 1)).startswith("give it a free channel: 2, 3, 4")
    assert advice(device("z", 19), *others) == "give it a free channel: none is left"


def test_motors_have_their_own_words_for_a_failsafe_and_sensors_none() -> None:
    motor = device("motor", 3, "motor = true", failsafe=None)
    assert found(motor) == ["fault: motor: a motor without a stated failsafe"]
    sensor = device("s", None, SENSOR, "slot = 1", failsafe=None)
    assert found(sensor, x(), head=SLOTS) == []


def test_sensors() -> None:
    def sensor(name: str, *more: str) -> str:
        return device(name, None, SENSOR, *more, failsafe=None)

    assert found(sensor("s", "slot = 0"), sensor("t", "slot = 31"), head=SLOTS) == []
    assert found(sensor("s", "slot = 1"), sensor("t", "slot = 1"), sensor("u", "slot = 2"), head=SLOTS) == [
        "fault: s, t: they answer in the same slot 1"
    ]
    assert found(sensor("s"), sensor("t"), sensor("u", "slot = 2"), head=SLOTS) == ["hint: s, t: no slot is stated"]
    assert found(sensor("s"), sensor("t")) == ["fault: s, t: the receiver leaves no slots for sensors"]
    assert found(device("s", 3, SENSOR, "slot = 1", failsafe=None), head=SLOTS) == [
        "hint: s: a sensor does not obey channel 3"
    ]


@pytest.mark.parametrize(
    ("members", "said"),
    [
        # (mirrored, reversed) of each
        ([(False, False), (False, False)], None),
        ([(True, True), (False, False)], None),
        ([(True, False), (False, True)], None),
        ([(True, True), (True, True)], None),
        ([(True, False), (False, False)], "a mirrored pair of which neither is reversed"),
        ([(False, True), (True, True)], "a mirrored pair of which both are reversed"),
        ([(False, True), (False, False)], "not all of the group turn their surface the same way"),
        ([(True, True), (True, False)], "not all of the group turn their surface the same way"),
        ([(False, False), (False, False), (True, False)], "not all of the group turn their surface the same way"),
        ([(False, False), (False, False), (True, True)], None),
    ],
    ids=str,
)
def test_the_members_of_a_group_turn_one_way(members: list[tuple[bool, bool]], said: str | None) -> None:
    tables = [
        device(
            f"d{number}", number, 'group = "g"', f"reversed = {str(turned).lower()}",
            f'mounting = "{"mirrored" if mirrored else "normal"}"',
        )
        for number, (mirrored, turned) in enumerate(members, 1)
    ]  # fmt: skip
    who = ", ".join(f"d{number}" for number in range(1, len(members) + 1))
    assert found(*tables) == ([] if said is None else [f"fault: {who}: {said}"])


def test_a_group_of_one_is_asked_whether_it_is_another() -> None:
    def advice(*tables: str) -> list[str]:
        return [one.advice for one in check_rig(rig(*tables))]

    flaps = [device("a", 1, 'group = "flaps"'), device("b", 2, 'group = "flaps"')]
    assert advice(*flaps, device("c", 3, 'group = "flap"')) == [
        'did you mean "flaps"? Give the partner the same group, or leave the group out'
    ]
    assert advice(*flaps, device("c", 3, 'group = "xyz"')) == [
        "Give the partner the same group, or leave the group out"
    ]
    # With more groups than channels their names are no hint.
    for others, is_asked in ((38, True), (39, False)):
        many = [device(f"{name}{n}", 4, f'group = "{n:03d}x"') for n in range(others) for name in "pq"]
        said = [
            one for one in check_rig(rig(*flaps, device("c", 3, 'group = "flap"'), *many)) if "it is alone" in one.what
        ]
        assert said[0].advice.startswith("did you mean") == is_asked


@pytest.mark.parametrize(
    ("key", "value", "other", "severity", "said"),
    [
        ("travel_pct", "90", "100", "hint", "travel_pct: 90, 100"),
        ("neutral_us", "1510", "1500", "hint", "neutral_us: 1510, 1500"),
        ("speed_s_per_60deg", "0.1", "0.2", "hint", "speed_s_per_60deg: 0.1, 0.2"),
        ("start_ramp_s", "1.5", "0", "hint", "start_ramp_s: 1.5, 0"),
        ("control", '"c"', '"d"', "hint", "control: c, d"),
        ("when_silent", "20", '"release"', "fault", "when_silent: 20 %, release"),
        ("failsafe", "20", '"hold"', "fault", "failsafe: 20 %, hold"),
    ],
)
def test_the_members_of_a_group_are_alike(key: str, value: str, other: str, severity: str, said: str) -> None:
    def two(first: str, second: str) -> list[str]:
        return [
            device(name, channel, 'group = "g"', *(() if key == "failsafe" else (f"{key} = {one}",)),
                   failsafe=one if key == "failsafe" else "0")
            for name, channel, one in (("a", 1, first), ("b", 2, second))
        ]  # fmt: skip

    assert found(*two(value, value)) == []
    assert found(*two(value, other)) == [f"{severity}: a, b: they differ in {said}"]


def test_left_and_right_are_paired_by_name_and_held_by_their_group_where_they_have_one() -> None:
    assert found(device("Left a", 1, "travel_pct = 90"), device("RIGHT A", 2)) == [
        "hint: Left a, RIGHT A: they differ in travel_pct: 90, 100"
    ]
    assert found(device("left a", 1, "travel_pct = 90"), device("right b", 2)) == []
    assert found(device("leftover", 1, "travel_pct = 90"), device("rightover", 2)) == []
    for grouped in ((('group = "g"',), ()), ((), ('group = "g"',))):
        tables = device("left a", 1, "travel_pct = 90", *grouped[0]), device("right a", 2, *grouped[1])
        assert [one for one in found(*tables) if "differ" in one] == []


def test_what_moves_nothing_is_a_fault_of_motion() -> None:
    faulty = (device("a", 5), device("b", 5), x("travel_pct = 130", channel=7), device("c", 8, failsafe=None))
    assert [one.what for one in motion_faults(rig(*faulty))] == ["all on channel 5 and not in one group"]


def test_leads_and_currents_that_are_not_stated_are_listed() -> None:
    bare = '[[device]]\nname = "bare"\nchannel = 1\nfailsafe = 0\n'
    assert found(bare, '[[hub]]\nname = "h"\n', device("y", 2, 'on = "h"')) == [
        "hint: bare: no current is stated",
        "hint: h, bare: no lead is stated",
    ]
    for current in ("idle = 0", "moving = 0.1", "stall = 0.1"):
        assert found(x(f"current_a = {{{current}}}")) == []
    assert found(x("current_a = {holding = 0.1}")) == ["hint: x: no current is stated"]


STALL = "current_a = {idle = 0, moving = 0.1, stall = 2}"


def test_stalls_are_one_hint_with_the_number_of_their_cases() -> None:
    thin = "limit_a = 1"
    one = check_rig(rig(hub("h", thin), device("a", 1, 'on = "h"', STALL), device("b", 2)))
    assert [(f.severity, f.where, f.what) for f in one] == [
        ("hint", "hub h", "a stalled, rest moving: hub h: 2.00 A is above its limit of 1 A (stated)")
    ]
    two = check_rig(rig(hub("h", thin), device("a", 1, 'on = "h"', STALL), device("b", 2, 'on = "h"', STALL)))
    assert [f.what for f in two] == [
        "a stalled, rest moving: hub h: 2.10 A is above its limit of 1 A (stated), and 1 more such cases"
    ]
    # Both stalled devices pull at the receiver through h, whose lead has 2.1 A, and a lead of its own has 2 A.
    assert two[0].advice == "use thicker wire in the lead to hub h: 0.3 m AWG 20 instead of 0.3 m AWG 24"
    # Of a measured lead to the receiver no thicker wire is known, and there is no hub to feed.
    bare = check_rig(rig(device("a", 1, STALL, "lead = {resistance_ohm = 0.1, limit_a = 1}")))
    assert [f.advice for f in bare] == ["see `busbench rig power`"]


def test_a_limit_passed_in_plain_flying_is_a_fault_once_and_stalls_are_no_more_a_hint() -> None:
    draws = "current_a = {idle = 0.5, moving = 0.6, stall = 2}"
    faults = check_rig(rig(hub("h", "limit_a = 0.4"), device("a", 1, 'on = "h"', draws)))
    assert [(f.severity, f.where, f.what) for f in faults] == [
        ("fault", "hub h", "all idle: 0.50 A is above its limit of 0.4 A (stated)")
    ]
