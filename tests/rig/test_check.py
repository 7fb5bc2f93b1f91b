"""Each fault of a plan is found, with what it does and what to do; good plans stay quiet."""

from __future__ import annotations

import re

import msgspec
import pytest

from busbench.rig.check import check_rig
from busbench.rig.load import parse_rig, read_rig
from busbench.rig.model import Device, Hub, Pack, Plan, Supply, SupplyFeed, VerifyLimits
from busbench.rig.template import STARTER
from busbench.wire.scale_table import ScaleTable
from tests.rig.rigs import HEAD, HERON, device, hub, rig

MIRRORED, REVERSED, FLAPS = 'mounting = "mirrored"', "reversed = true", 'group = "flaps"'
GEOMETRY = "geometry = {arm_mm = 12, horn_mm = 20, base_mm = 80"
SLOTS = HEAD.replace("period_ms = 14", "period_ms = 14\nsensor_slots = true")

FAULTS = [
    ("shared channel", (device("a", 5), device("b", 5)), "a, b: all on channel 5 and not in one group"),
    (
        "shared channel, two groups",
        (device("a", 5, FLAPS), device("c", 6, FLAPS), device("b", 5, 'group = "x"'), device("d", 7, 'group = "x"')),
        "a, b: all on channel 5 and not in one group",
    ),
    (
        "one control on two gimbals",
        (
            device("a", 5, 'control = "stick"', 'gimbal = "left"'),
            device("b", 6, 'control = "stick"', 'gimbal = "right"'),
        ),
        'a, b: "stick" is stated on left, right',
    ),
    (
        "mirrored, none reversed",
        (device("a", 5, FLAPS), device("b", 5, FLAPS, MIRRORED)),
        "a, b: a mirrored pair of which neither is reversed",
    ),
    (
        "mirrored, both reversed",
        (device("a", 5, FLAPS, REVERSED), device("b", 5, FLAPS, MIRRORED, REVERSED)),
        "a, b: a mirrored pair of which both are reversed",
    ),
    (
        "one reversed, none mirrored",
        (device("a", 5, FLAPS, REVERSED), device("b", 5, FLAPS)),
        "a, b: not all of the group turn their surface the same way",
    ),
    ("device twice", (device("a", 1), device("a", 2)), "a: the name is there 2 times"),
    (
        "hub and device of one name",
        (hub("a"), device("a", 1, 'on = "a"')),
        "a: the name is there 2 times",
    ),
    ("reserved name", (device("receiver", 1),), "receiver: this is the name of the root of the harness"),
    (
        "ring",
        (hub("a", 'from = "b"'), hub("b", 'from = "a"'), device("x", 1, 'on = "a"')),
        "a, b: hubs form a ring: a → b → a",
    ),
    ("ring of one", (hub("a", 'from = "a"'), device("x", 1, 'on = "a"')), "a: hubs form a ring: a → a"),
    (
        "hub in the air",
        (hub("a", 'from = "wing"'), device("x", 1, 'on = "a"')),
        'a: it is connected to "wing", which does not exist',
    ),
    ("device in the air", (device("x", 1, 'on = "wing"'),), 'x: it is connected to "wing", which does not exist'),
    (
        "feed to nowhere",
        (device("x", 1), '[[feed]]\nto = "wing"\nlead = {length_m = 1, awg = 20}\n'),
        'feed to wing: it is connected to "wing", which does not exist',
    ),
    ("channel 19", (device("x", 19),), "x: channel 19 is not in the frame, which has channels 1-18"),
    ("channel 0", (device("x", 0),), "x: channel 0 is not in the frame, which has channels 1-18"),
    ("no channel", (device("x"),), "x: no channel is stated"),
    (
        "two states, three positions",
        (device("x", 17, failsafe="0"),),
        "x: failsafe 0 % on channel 17, which is on or off",
    ),
    (
        "off-bus on a hub",
        (hub("wing"), device("x", 1, 'kind = "off-bus"', 'on = "wing"')),
        'x: an off-bus device is connected to the hub "wing", which is a bus lead',
    ),
    (
        "motor without failsafe",
        (device("x", 1, "motor = true", failsafe=None),),
        "x: a motor without a stated failsafe",
    ),
    ("motor holds", (device("x", 1, "motor = true", failsafe='"hold"'),), "x: the motor's failsafe is to hold"),
    (
        "motor at half",
        (device("x", 1, "motor = true", failsafe="0"),),
        "x: the motor's failsafe is 0 %, which is not off",
    ),
    (
        "reversed motor at full",
        (device("x", 1, "motor = true", REVERSED, "rest_pct = 100", failsafe="-100"),),
        "x: the motor's failsafe is -100 %, which is not off",
    ),
    (
        "motor shares a channel",
        (device("x", 1, "motor = true", FLAPS, failsafe="-100"), device("y", 1, FLAPS, failsafe="-100")),
        "x: the motor shares channel 1 with y",
    ),
    (
        "travel beyond the frame",
        (device("x", 1, "travel_pct = 130"),),
        "x: its ends lie at -73 and 2057 counts, but the frame holds 0-2047",
    ),
    (
        "neutral pushes an end out",
        (device("x", 1, "travel_pct = 120", "neutral_us = 1555"),),
        "x: its ends lie at 97 and 2063 counts, but the frame holds 0-2047",
    ),
    (
        "failsafe beyond travel",
        (device("x", 1, "travel_pct = 80", failsafe="-100"),),
        "x: failsafe -100 % is beyond its travel of 80 %",
    ),
    (
        "failsafe differs in a group",
        (device("x", 1, FLAPS, failsafe="0"), device("y", 2, FLAPS, failsafe='"hold"')),
        "x, y: they differ in failsafe: 0 %, hold",
    ),
    (
        "sensor without slots",
        (device("s", None, 'kind = "sensor"', failsafe=None), device("x", 1)),
        "s: the receiver leaves no slots for sensors",
    ),
    (
        "linkage locks",
        (device("x", 1, "geometry = {arm_mm = 20, horn_mm = 10, base_mm = 80}"),),
        "x: the linkage locks before the arm has turned 45°",
    ),
    (
        "hub above its limit in plain flying",
        (hub("wing", "limit_a = 0.4"), device("x", 1, 'on = "wing"')),
        "hub wing: all moving: 0.50 A is above its limit of 0.4 A (stated)",
    ),
    (
        "one channel, two controls",
        (device("a", 5, FLAPS, 'control = "lever"'), device("b", 5, FLAPS, 'control = "slider"')),
        "a, b: channel 5 is said to be moved by lever, slider",
    ),
    (
        "a group that parts without frames",
        (device("a", 5, FLAPS, "when_silent = 20"), device("b", 6, FLAPS)),
        "a, b: they differ in when_silent: 20 %, hold",
    ),
    (
        "silence for some",
        (device("a", 5, failsafe='"silence"'), device("b", 6)),
        "a: their failsafe is silence, but other devices on the bus have another",
    ),
    (
        "a throttle that stays open",
        (device("x", 1, "motor = true", failsafe='"silence"'),),
        "x: without a link the bus falls silent, and when_silent is hold",
    ),
    (
        "a motor by name",
        (device("Main_motor2", 1),),
        "Main_motor2: its name or control speaks of a motor, but the key motor is missing",
    ),
    (
        "a motor by its control",
        (device("x", 1, 'control = "throttle stick"'),),
        "x: its name or control speaks of a motor, but the key motor is missing",
    ),
    (
        "a motor that runs at rest",
        (device("x", 1, "motor = true", "rest_pct = 0", failsafe="-100"),),
        "x: the motor rests at 0 %, which is not off",
    ),
    (
        "two states, rest between",
        (device("x", 18, "rest_pct = 50", failsafe="100"),),
        "x: rest_pct 50 % on channel 18, which is on or off",
    ),
]

HINTS = [
    ("no failsafe", (device("x", 1, failsafe=None), device("y", 2, failsafe=None)), "x, y: no failsafe is stated"),
    ("look-alike names", (device("Flap l", 1), device("flap1", 2)), "Flap l, flap1: these names are easily confused"),
    ("alone in a group", (device("x", 1, FLAPS),), 'x: it is alone in the group "flaps"'),
    (
        "travel differs in a group",
        (device("x", 1, FLAPS), device("y", 2, FLAPS, "travel_pct = 90")),
        "x, y: they differ in travel_pct: 100, 90",
    ),
    (
        "neutral differs in a pair",
        (device("x", 1, FLAPS), device("y", 2, FLAPS, MIRRORED, REVERSED, "neutral_us = 1520")),
        "x, y: they differ in neutral_us: 1500, 1520",
    ),
    (
        "speed differs in a group",
        (device("x", 1, FLAPS, "speed_s_per_60deg = 0.1"), device("y", 2, FLAPS)),
        "x, y: they differ in speed_s_per_60deg: 0.1, not stated",
    ),
    (
        "neutral far off",
        (device("x", 1, "neutral_us = 1590", "travel_pct = 80"),),
        "x: its neutral 1590 µs lies far from the scale's centre 1500 µs",
    ),
    (
        "off the bus, and no word of a motor",
        (device("inrunner", 8, 'kind = "off-bus"'),),
        "inrunner: it is a PWM device, and whether it can turn a propeller is not stated",
    ),
    ("empty hub", (hub("wing"), device("x", 1)), "wing: nothing is plugged into this hub"),
    ("no currents", (device("x", 1, "current_a = {}"),), "x: no current is stated"),
    (
        "swapped currents",
        (device("x", 1, "current_a = {idle = 0.5, moving = 0.02}"),),
        "x: its currents do not rise from idle to moving to stall",
    ),
    (
        "throw other than planned",
        (device("x", 1, GEOMETRY + ", arm_deg = 30, throw_deg = 25}"),),
        "x: arm and horn turn the surface -17.2° and +17.7°, but throw_deg says 25°",
    ),
    (
        "hub above its limit by a stall",
        (hub("wing", "limit_a = 1"), device("x", 1, 'on = "wing"')),
        "hub wing: x stalled, rest moving: hub wing: 2.00 A is above its limit of 1 A (stated)",
    ),
    (
        "a surface on two states",
        (device("left flap", 17, failsafe="-100"),),
        "left flap: by its name it is a surface, but channel 17 is on or off",
    ),
    (
        "gear down without a link",
        (device("nose gear", 7, "rest_pct = -100", failsafe="100"),),
        "nose gear: its failsafe is 100 %, but it rests at -100 %",
    ),
    (
        "rest differs in a group",
        (device("a", 5, FLAPS, "rest_pct = -100"), device("b", 6, FLAPS)),
        "a, b: they do not rest at the same place",
    ),
    (
        "soft start differs in a group",
        (device("a", 5, FLAPS, "start_ramp_s = 1"), device("b", 6, FLAPS)),
        "a, b: they differ in start_ramp_s: 1, 0",
    ),
    (
        "two controls in a group",
        (device("a", 5, FLAPS, 'control = "lever"'), device("b", 6, FLAPS)),
        "a, b: they differ in control: lever, not stated",
    ),
    (
        "travel differs between left and right",
        (device("Left aileron", 1), device("right aileron", 2, "travel_pct = 80")),
        "Left aileron, right aileron: they differ in travel_pct: 100, 80",
    ),
    (
        "failsafe differs between left and right",
        (device("left aileron", 1), device("right aileron", 2, failsafe="20")),
        "left aileron, right aileron: they differ in failsafe: 0 %, 20 %",
    ),
    ("metres or centimetres", (device("x", 1, "lead = {length_m = 80, awg = 4}"),), "x: a lead of more than 5 m"),
    (
        "a long way",
        (hub("h", "lead = {length_m = 4, awg = 12}"), device("x", 1, 'on = "h"', "lead = {length_m = 3, awg = 18}")),
        "x: 7.0 m of leads lie between the receiver and it",
    ),
    ("amperes or milliamperes", (device("x", 1, "current_a = {idle = 1.2}"),), "x: it draws 1.2 A at rest"),
    ("speed in milliseconds", (device("x", 1, "speed_s_per_60deg = 150"),), "x: 60 degrees in 150 s is unusual"),
    ("a coarse device", (device("x", 1, "dead_band_us = 40"),), "x: its dead band is 40 µs"),
    ("little travel", (device("x", 1, "travel_pct = 30"),), "x: its travel is 30 % only"),
    (
        "arm longer than horn",
        (device("x", 1, "geometry = {arm_mm = 12, horn_mm = 10}"),),
        "x: its arm of 12 mm is longer than the horn of 10 mm",
    ),
    ("nothing in it", (), "rig: no device is stated"),
]


@pytest.mark.parametrize(("tables", "said"), [case[1:] for case in FAULTS], ids=[case[0] for case in FAULTS])
def test_a_fault_is_found_and_nothing_else(tables: tuple[str, ...], said: str) -> None:
    faults = [finding for finding in check_rig(rig(*tables)) if finding.severity == "fault"]
    assert [f"{finding.where}: {finding.what}" for finding in faults] == [said]
    assert faults[0].effect
    assert faults[0].advice


@pytest.mark.parametrize(("tables", "said"), [case[1:] for case in HINTS], ids=[case[0] for case in HINTS])
def test_a_hint_is_given_and_nothing_else(tables: tuple[str, ...], said: str) -> None:
    findings = check_rig(rig(*tables))
    assert [f"{finding.severity}: {finding.where}: {finding.what}" for finding in findings] == [f"hint: {said}"]


GOOD = [
    (device("a", 5, FLAPS), device("b", 5, FLAPS, MIRRORED, REVERSED)),
    (device("a", 5, FLAPS, REVERSED), device("b", 5, FLAPS, MIRRORED)),
    (device("left aileron", 1), device("right aileron", 2, MIRRORED)),
    (device("motor", 3, "motor = true", 'kind = "off-bus"', failsafe="-100"),),
    (device("motor", 3, "motor = true", 'kind = "off-bus"', failsafe='"silence"'),),
    (device("promotor flap", 3),),
    (device("door", 18, failsafe="100"),),
    (device("gear", 7, "rest_pct = -100", failsafe='"hold"'),),
    (device("x", 1, failsafe='"silence"'), device("y", 2, 'kind = "off-bus"', "motor = false")),
    (device("motor cooling flap", 2, "motor = false"),),
    (device("motor", 3, "motor = true", "when_silent = -100", failsafe='"silence"'),),
    (device("x", 1, "travel_pct = 121"),),
]


@pytest.mark.parametrize("tables", GOOD)
def test_good_plans_are_not_nagged(tables: tuple[str, ...]) -> None:
    assert check_rig(rig(*tables)) == []


def test_two_sensors_in_one_slot_talk_at_once() -> None:
    tables = [device(name, None, 'kind = "sensor"', "slot = 3", failsafe=None) for name in "st"]
    assert [f.what for f in check_rig(rig(*tables, head=SLOTS))] == ["they answer in the same slot 3"]
    unsaid = [device("s", None, 'kind = "sensor"', failsafe=None)]
    assert [f.what for f in check_rig(rig(*unsaid, head=SLOTS))] == ["no slot is stated"]


def test_the_plan_itself() -> None:
    short = check_rig(rig(device("x", 1), head=HEAD.replace("period_ms = 14", "period_ms = 2")))
    assert [f.what for f in short] == ["period_ms is 2, but one frame takes 3 ms on the line"]
    odd = check_rig(rig(device("x", 1), head=HEAD.replace("period_ms = 14", "period_ms = 4.5")))
    assert [(f.severity, f.what) for f in odd] == [("hint", "period_ms is 4.5, which is unusual")]
    flat = check_rig(rig(device("x", 1), head=HEAD.replace("minimum_v = 5", "minimum_v = 7.4")))
    assert flat[0].what == "voltage_v 7.4 is not above minimum_v 7.4"
    high = check_rig(rig(device("x", 1), head=HEAD + "maximum_v = 6\n"))
    assert [(f.severity, f.what) for f in high] == [("fault", "voltage_v 7.4 is above maximum_v 6")]
    cells = check_rig(rig("[supply.pack]\ncells = 1\ncapacity_mah = 2000\n", device("x", 1)))
    assert [(f.severity, f.what) for f in cells] == [("hint", "voltage_v 7.4 is more than 1 cells give")]
    scale = check_rig(rig("[scale]\nus_per_count = 0.0625\n", device("x", 1)))
    assert [f.what for f in scale] == ["it is unusual: 1500 µs at 992 counts, 0.0625 µs a count"]
    unsaid = check_rig(rig(device("x", 1), head=HEAD.replace("minimum_v = 5\n", "")))
    assert [(f.severity, f.where, f.what) for f in unsaid] == [("hint", "supply", "minimum_v is not stated")]


def test_an_overloaded_lead_is_told_what_helps_it() -> None:
    hungry = "current_a = {idle = 0, moving = 6}"
    thick = check_rig(rig(device("x", 1, "lead = {length_m = 0.2, awg = 16}", hungry)))
    assert [f.advice for f in thick if f.where == "lead to x"] == [
        "fit connectors that carry it and state limit_a, or add a second feed: thicker wire does not help"
    ]
    thin = check_rig(rig(device("x", 1, "lead = {length_m = 0.2, awg = 26}", hungry)))
    assert [f.advice for f in thin if f.where == "lead to x"] == [
        "see `busbench rig power` for the lead that needs thicker wire, or a second feed"
    ]


def test_faults_come_before_hints() -> None:
    findings = check_rig(rig(device("x", 1, failsafe=None), device("y", 40)))
    assert [f.severity for f in findings] == ["fault", "hint"]


def test_shipped_plans_are_clean() -> None:
    assert check_rig(read_rig(HERON)) == []
    assert check_rig(parse_rig(STARTER)) == []


def test_the_starter_shows_every_key_with_what_it_means() -> None:
    for table in (Plan, Supply, Pack, Hub, SupplyFeed, Device, ScaleTable, VerifyLimits):
        for one in msgspec.structs.fields(table):
            if one.encode_name == "pack":
                continue  # a table of its own below
            assert re.search(rf"(?m)^(?:# )?{one.encode_name} = .+  ?# \w*", STARTER), (table, one.encode_name)
    assert 'kind = "servo"           # "servo" on the bus, "off-bus" for a PWM device' in STARTER
    assert "# jitter_ms = 0.5        # period jitter, rms\n" in STARTER
    uncommented = re.sub(r"(?m)^# (?=(\w+ = |\[))", "", STARTER.split("\n# A second supply lead")[0])
    assert parse_rig(uncommented).supply.maximum_v == 8.4


def test_a_finding_in_words() -> None:
    finding = check_rig(rig(device("a", 5), device("b", 5)))[0]
    assert str(finding) == (
        "fault: a, b: all on channel 5 and not in one group\n"
        "  on the aircraft: they move together whenever one of them is meant to\n"
        "  what to do: give them channels of their own (free: 1, 2, 3, 4, 6, 7, 8, 9, 10, 11, 12, 13, 14, 15, 16), "
        "or one group if they must move together"
    )
