"""Motors and engines: where they rest, what their failsafe may be, and plans that contradict themselves."""

from __future__ import annotations

import itertools

import pytest

from busbench.rig.check import check_rig, motion_faults
from busbench.rig.model import Rig
from busbench.rig.motors import MotorRest, kill_rest_pct, motor_rests
from busbench.rig.rest import rest_counts, rest_sent
from tests.rig.rigs import device, rig

OFF_BUS = 'kind = "off-bus"'
ELECTRIC = ("motor = true", OFF_BUS)
ENGINE = ('motor = "engine"', "idle_pct = -80", 'ignition_kill = "kill switch"')
REVERSED = "reversed = true"


def rest_of(*more: str, channel: int = 3, failsafe: str | None = "-100") -> int | None:
    (rest,) = motor_rests(rig(device("m", channel, *more, failsafe=failsafe)))
    return rest.rest


def faults_of(*tables: str) -> list[str]:
    return [f"{finding.where}: {finding.what}" for finding in motion_faults(rig(*tables))]


def test_a_motor_rests_at_the_low_end_and_true_reads_as_electric() -> None:
    for said in ("true", '"electric"'):
        assert rest_of(f"motor = {said}", OFF_BUS) == 173, said
    assert rest_of(*ELECTRIC, "travel_pct = 80") == 337  # its low end, not -100 % that it never sends
    assert rest_of(*ELECTRIC, "neutral_us = 1600") == 333  # as its control left alone sends it
    assert rest_of(*ELECTRIC, "rest_pct = -95") == 214
    assert rest_of(*ELECTRIC, channel=17) == 0
    assert motor_rests(rig(device("m", 3, "motor = false", OFF_BUS))) == ()


def test_reversed_says_nothing_of_the_wire() -> None:
    assert rest_of(*ELECTRIC, REVERSED) is None
    assert rest_of(*ELECTRIC, REVERSED, failsafe="100") is None
    assert rest_of(*ELECTRIC, REVERSED, "rest_pct = 100", failsafe="100") == 1811
    assert rest_of(*ELECTRIC, REVERSED, "rest_pct = -100") == 173
    assert rest_of(*ELECTRIC, REVERSED, channel=18) is None
    assert rest_of(*ELECTRIC, REVERSED, "rest_pct = 100", channel=18) == 1
    assert faults_of(device("m", 3, *ELECTRIC, REVERSED, failsafe="-100")) == [
        "m: it is reversed, and the plan does not state what goes on the wire while it is off"
    ]
    assert faults_of(device("m", 3, *ELECTRIC, REVERSED, "rest_pct = 100", failsafe="100")) == []
    assert faults_of(device("m", 3, *ELECTRIC, REVERSED, "rest_pct = -100", failsafe="-100")) == []


def test_a_rest_at_which_it_may_turn_is_no_rest() -> None:
    for rest_pct in ("0", "-80", "100"):
        assert rest_of(*ELECTRIC, f"rest_pct = {rest_pct}") is None, rest_pct


@pytest.mark.parametrize(
    ("more", "failsafe", "low", "high"),
    [
        (ELECTRIC, "-100", 0, 255),  # 992 - 0.9 x 819
        ((*ELECTRIC, REVERSED, "rest_pct = 100"), "100", 1729, 2047),
        ((*ENGINE, OFF_BUS), "-80", 0, 337),  # at idle or below
        ((*ENGINE, OFF_BUS, REVERSED, "idle_pct = 70"), "70", 1565, 2047),
    ],
)
def test_what_failsafe_may_be(more: tuple[str, ...], failsafe: str, low: int, high: int) -> None:
    more = more[:1] + tuple(line for line in more[1:] if not (line == ENGINE[1] and "idle_pct = 70" in more))
    (rest,) = motor_rests(rig(device("m", 3, *more, failsafe=failsafe)))
    assert rest.failsafe == (low, high)


def test_an_engine_rests_at_idle_and_what_kills_its_ignition_rests_where_it_does() -> None:
    kill = device("kill switch", 17, "motor = false", failsafe='"hold"')
    plan = rig(device("petrol", 3, *ENGINE, OFF_BUS, failsafe="-80"), kill)
    assert motor_rests(plan) == (
        MotorRest("petrol", 2, "engine", 337, (0, 337)),
        MotorRest("kill switch", 16, "kill", 0, (0, 0)),
    )
    assert [(rest_sent(one, plan.scale), round(rest_counts(one, plan.scale))) for one in plan.devices] == [
        (337, 337),
        (0, 173),
    ]
    assert [finding.what for finding in check_rig(plan)] == []
    closed = rig(device("petrol", 3, *ENGINE, OFF_BUS, "rest_pct = -100", failsafe="-80"), kill)
    assert [rest.rest for rest in motor_rests(closed)] == [173, 0]


@pytest.mark.parametrize(
    ("tables", "whats"),
    [
        ((device("e", 3, *ENGINE, OFF_BUS, failsafe="-80"),), []),
        ((device("e", 3, *ENGINE, OFF_BUS, failsafe="-100"),), []),
        (
            (device("e", 3, *ENGINE, OFF_BUS, failsafe="-60"),),
            ["e: the engine's failsafe is -60 %, which is above idle"],
        ),
        ((device("e", 3, *ENGINE, OFF_BUS, failsafe='"hold"'),), ["e: the engine's failsafe is to hold"]),
        ((device("e", 3, *ENGINE, OFF_BUS, failsafe=None),), ["e: an engine without a stated failsafe"]),
        (
            (device("e", 3, *ENGINE, OFF_BUS, "rest_pct = -60", failsafe="-80"),),
            ["e: the engine rests at -60 %, which is above idle"],
        ),
        ((device("e", 3, ENGINE[0], ENGINE[2], OFF_BUS, failsafe="-80"),), ["e: an engine without idle_pct"]),
        (
            (device("e", 3, ENGINE[0], "idle_pct = 80", ENGINE[2], OFF_BUS, failsafe="80"),),
            ["e: idle_pct 80 % is not near the end at which the engine is closed"],
        ),
        (
            (device("e", 3, *ENGINE[:2], OFF_BUS, failsafe="-80"),),
            ["e: what kills its ignition is not stated"],
        ),
        (
            (device("e", 3, *ENGINE, OFF_BUS, REVERSED, failsafe="-80"),),
            [],  # its idle_pct says which end it is
        ),
        (
            (device("e", 3, ENGINE[0], ENGINE[2], OFF_BUS, REVERSED, failsafe="-80"),),
            [
                "e: an engine without idle_pct",
                "e: it is reversed, and the plan does not state what goes on the wire while it idles",
            ],
        ),
        (
            (device("e", 3, *ENGINE, OFF_BUS, failsafe="-80"), device("kill switch", 4)),
            ["e: its ignition_kill kill switch does not state rest_pct, where it kills the ignition"],
        ),
        (
            (
                device("e", 3, *ENGINE, OFF_BUS, failsafe="-80"),
                device("kill swicth", 4, "rest_pct = -100", failsafe="-100"),
            ),
            ['e: its ignition_kill "kill switch" names no device, but is close to kill swicth'],
        ),
        ((device("e", 3, *ENGINE, OFF_BUS, failsafe="-80"), device("kill light", 4)), []),
        (
            (
                device("e", 3, *ENGINE, OFF_BUS, failsafe="-80"),
                device("kill switch", 4, "rest_pct = -100", failsafe="-50"),
            ),
            ["kill switch: without a link the ignition kill goes to -50 %, and it kills the ignition at -100 %"],
        ),
        (
            (
                device("e", 3, *ENGINE, OFF_BUS, failsafe="-80"),
                device("kill switch", 17, failsafe="-100"),
                device("lights", 17, failsafe="-100"),
            ),
            [
                "kill switch, lights: all on channel 17 and not in one group",
                "kill switch: the ignition kill shares channel 17 with lights",
            ],
        ),
        (
            (device("m", 3, *ELECTRIC, "idle_pct = -80", failsafe="-80"),),
            ["m: an electric motor with idle_pct", "m: the motor's failsafe is -80 %, which is not off"],
        ),
        ((device("flap", 3, "idle_pct = -80"),), ["flap: idle_pct is stated, but no engine"]),
        (
            (device("m", 3, *ELECTRIC, 'high_when = "off"', failsafe="-100"),),
            ['m: high_when is "off", but it stops at the low end of its channel'],
        ),
        (
            (device("m", 3, *ELECTRIC, REVERSED, "rest_pct = 100", 'high_when = "full"', failsafe="100"),),
            ['m: high_when is "full", but it stops at the high end of its channel'],
        ),
        (
            (
                device("m", 3, *ELECTRIC, 'group = "twin"', failsafe="-100"),
                device("n", 3, *ELECTRIC, REVERSED, "rest_pct = 100", 'group = "twin"', failsafe="-100"),
            ),
            [
                "m, n: not all of the group turn their surface the same way",
                "n: the motor's failsafe is -100 %, which is not off",
                "m, n: they share channel 3 and rest at different places: 173, 1811",
            ],
        ),
        (
            (device("flap", 3, "rest_pct = -90", "travel_pct = 80"),),
            ["flap: rest_pct -90 % is beyond its travel of 80 %"],
        ),
    ],
)
def test_what_is_wrong_with_motors_engines_and_rests(tables: tuple[str, ...], whats: list[str]) -> None:
    assert faults_of(*tables) == whats
    assert [finding.what for finding in check_rig(rig(*tables)) if finding.severity == "fault"] == [
        what.split(": ", 1)[1] for what in whats
    ]


def plans() -> list[Rig]:
    """Every way in which the keys of a motor can be stated."""
    kinds = ("motor = true", 'motor = "engine"')
    rests = ("", "rest_pct = -100", "rest_pct = -80", "rest_pct = 0", "rest_pct = 100")
    idles = ("", "idle_pct = -80", "idle_pct = 0", "idle_pct = 80")
    failsafes = ("-100", "-80", "0", "100", '"hold"', '"silence"', None)
    return [
        rig(
            device("m", 3, *filter(None, (kind, OFF_BUS, turned, rest, idle, 'ignition_kill = "x"')), failsafe=failsafe)
        )
        for kind, turned, rest, idle, failsafe in itertools.product(kinds, ("", REVERSED), rests, idles, failsafes)
    ]


def test_where_no_rest_is_known_the_plan_has_a_fault_and_a_sound_plan_rests_where_it_may_in_failsafe() -> None:
    sound = 0
    for plan in plans():
        (rest,) = motor_rests(plan)
        faults = motion_faults(plan)
        if rest.rest is None:
            assert faults, plan.devices[0]
        if not faults:
            sound += 1
            assert rest.rest is not None
            assert rest.failsafe is not None
            assert rest.failsafe[0] <= rest.rest <= rest.failsafe[1], plan.devices[0]
            assert rest.rest <= 337 or rest.rest >= 1647  # never where an engine runs up or a motor turns
    assert sound > 10


def test_a_kill_without_a_rest_is_known_for_on_off_channels_alone() -> None:
    plan = rig(*(device(name, channel) for name, channel in (("a", 16), ("b", 17))), device("c", 18, "reversed = true"))
    assert [kill_rest_pct(one) for one in plan.devices] == [None, -100.0, None]
