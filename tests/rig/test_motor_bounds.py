"""Motors, engines and ignition kills at their bounds: rest, failsafe, and what is said of them."""

from __future__ import annotations

import pytest

from busbench.rig.check import check_rig, motion_faults
from busbench.rig.model import Device
from busbench.rig.motors import (
    failsafe_most_pct,
    is_idle,
    kill_names,
    kill_rest_pct,
    may_run,
    motor_rest_pct,
    motor_rests,
    off_sign,
    says_motor,
    travel_of,
    unstated_motors,
)
from busbench.rig.rest import rest_counts, rest_sent
from tests.rig.rigs import device, rig

OFF_BUS, REVERSED = 'kind = "off-bus"', "reversed = true"
MOTOR, ENGINE, KILL = "motor = true", 'motor = "engine"', 'ignition_kill = "kill"'
SWITCH = 'ignition_kill = "a switch by hand"'


def one(*more: str, channel: int | None = 3, failsafe: str | None = "-100") -> Device:
    return rig(device("m", channel, *more, failsafe=failsafe)).devices[0]


def faults(*tables: str) -> list[str]:
    return [f"{found.where}: {found.what}" for found in motion_faults(rig(*tables))]


@pytest.mark.parametrize(
    ("more", "sign"),
    [
        ((MOTOR,), -1),
        ((MOTOR, "rest_pct = 100"), -1),  # not reversed: low, whatever its rest
        ((MOTOR, REVERSED), None),
        ((MOTOR, REVERSED, "rest_pct = 0"), None),
        ((MOTOR, REVERSED, "rest_pct = 1"), 1),
        ((MOTOR, REVERSED, "rest_pct = -1"), -1),
        ((ENGINE, REVERSED, "idle_pct = 80"), 1),
        ((ENGINE, REVERSED, "idle_pct = -80"), -1),
        ((ENGINE, REVERSED, "idle_pct = -80", "rest_pct = 90"), 1),
        ((ENGINE, REVERSED), None),
    ],
    ids=str,
)
def test_the_end_at_which_it_is_off(more: tuple[str, ...], sign: int | None) -> None:
    assert off_sign(one(*more)) == sign


@pytest.mark.parametrize(
    ("more", "channel", "rest_pct"),
    [
        ((MOTOR,), 3, -100),
        ((MOTOR,), 17, -100),
        ((MOTOR, "travel_pct = 80"), 3, -80),
        ((MOTOR, "travel_pct = 80"), 17, -100),  # an on/off channel has no travel
        ((MOTOR, "travel_pct = 80"), 16, -80),
        ((MOTOR, "rest_pct = -90"), 3, -90),
        ((MOTOR, "rest_pct = -89.9"), 3, None),
        ((MOTOR, "travel_pct = 50", "rest_pct = -45"), 3, -45),
        ((MOTOR, "travel_pct = 50", "rest_pct = -44.9"), 3, None),
        ((MOTOR, REVERSED, "rest_pct = 90"), 3, 90),
        ((MOTOR, REVERSED, "rest_pct = 89"), 3, None),
        ((ENGINE, "idle_pct = -80"), 3, -80),
        ((ENGINE, "idle_pct = -80", "rest_pct = -79.5"), 3, -79.5),  # half a percent is rounding
        ((ENGINE, "idle_pct = -80", "rest_pct = -79.4"), 3, None),
        ((ENGINE, "idle_pct = -80", "rest_pct = -100"), 3, -100),
        ((ENGINE, "idle_pct = -30"), 3, -30),
        ((ENGINE, "idle_pct = -29"), 3, None),
        ((ENGINE, "idle_pct = -100"), 3, -100),
        ((ENGINE, "idle_pct = -101"), 3, None),
        ((ENGINE, "idle_pct = 30"), 3, None),
        ((ENGINE, "travel_pct = 50", "idle_pct = -15"), 3, -15),
        ((ENGINE, "travel_pct = 50", "idle_pct = -14"), 3, None),
        ((ENGINE, "travel_pct = 50", "idle_pct = -51"), 3, None),
        ((ENGINE, REVERSED, "idle_pct = 80"), 3, 80),
        ((ENGINE,), 3, None),
    ],
    ids=str,
)
def test_where_it_must_rest(more: tuple[str, ...], channel: int, rest_pct: float | None) -> None:
    plan = rig(device("m", channel, *more, failsafe="-100"))
    assert motor_rest_pct(plan.devices[0]) == rest_pct
    (rest,) = motor_rests(plan)
    if rest_pct is None:
        assert rest.rest is None
    else:
        counts = int(rest_pct >= 50) if channel > 16 else round(992 + rest_pct * 8.19)
        assert (rest.rest, rest_sent(plan.devices[0], plan.scale)) == (counts, counts)


@pytest.mark.parametrize(
    ("more", "most_pct"),
    [
        ((MOTOR,), -90),
        ((MOTOR, "travel_pct = 50"), -45),
        ((MOTOR, REVERSED, "rest_pct = 100"), 90),
        ((MOTOR, REVERSED), None),
        ((ENGINE, "idle_pct = -80"), -80),
        ((ENGINE, "idle_pct = 80"), None),
        ((ENGINE, REVERSED, "idle_pct = 80"), 80),
        ((ENGINE,), None),
    ],
    ids=str,
)
def test_how_far_its_failsafe_may_be(more: tuple[str, ...], most_pct: float | None) -> None:
    assert failsafe_most_pct(one(*more)) == most_pct


@pytest.mark.parametrize("position", ["hold", "release", "silence"])
def test_what_is_no_position_may_run(position: str) -> None:
    assert may_run(one(MOTOR), position)
    assert not may_run(one(MOTOR), -100.0)
    assert may_run(one(MOTOR, REVERSED), -100.0)  # its end is not known
    assert may_run(one(ENGINE), -100.0)  # nor is its idle


def test_travel_and_idle_by_channel() -> None:
    assert [travel_of(one(MOTOR, "travel_pct = 60", channel=channel)) for channel in (16, 17, None)] == [60, 100, 60]
    assert is_idle(one(ENGINE, "idle_pct = -60", "travel_pct = 60", channel=16))
    assert not is_idle(one(ENGINE, "idle_pct = -61", "travel_pct = 60", channel=16))
    assert is_idle(one(ENGINE, "idle_pct = -61", "travel_pct = 60", channel=17))


@pytest.mark.parametrize(
    ("more", "channel", "pct"),
    [
        ((), 16, None), ((), 17, -100), ((REVERSED,), 17, None), (("rest_pct = 100",), 17, 100),
        (("rest_pct = 40",), 16, 40), (("rest_pct = 40", REVERSED), 16, 40), ((), None, None),
    ],
)  # fmt: skip
def test_where_a_kill_acts(more: tuple[str, ...], channel: int | None, pct: float | None) -> None:
    assert kill_rest_pct(one("motor = false", *more, channel=channel)) == pct


@pytest.mark.parametrize(
    ("more", "channel", "rest", "failsafe"),
    [
        ((), 17, 0, (0, 0)),
        (("rest_pct = 100",), 18, 1, (1, 1)),
        (("rest_pct = 50",), 5, 1402, (1402, 2047)),
        (("rest_pct = -50",), 5, 582, (0, 582)),
        (("rest_pct = 0",), 5, 992, (992, 992)),
        ((), 5, None, None),
    ],
    ids=str,
)
def test_a_kill_may_go_on_to_the_end_in_failsafe(
    more: tuple[str, ...], channel: int, rest: int | None, failsafe: tuple[int, int] | None
) -> None:
    engine = device("e", 3, ENGINE, "idle_pct = -80", KILL, failsafe="-80")
    found = motor_rests(rig(engine, device("kill", channel, "motor = false", *more)))[1]
    assert (found.name, found.channel, found.kind) == ("kill", channel - 1, "kill")
    assert (found.rest, found.failsafe) == (rest, failsafe)


def test_only_devices_on_a_channel_of_the_frame_have_a_rest() -> None:
    plan = rig(*(device(f"m{number}", number, MOTOR) for number in (0, 1, 18, 19)), device("n", None, MOTOR))
    assert [(rest.name, rest.channel) for rest in motor_rests(plan)] == [("m1", 0), ("m18", 17)]


@pytest.mark.parametrize(
    ("name", "says"),
    [
        ("motor", True), ("Main_Motor2", True), ("motors", True), ("promotor", False), ("motorise", False),
        ("ESC", True), ("escape hatch", False), ("prop", True), ("propeller", True), ("property", False),
        ("speed controller", True), ("throttle", True), ("turbine-1", True), ("sustainer", True), ("rudder", False),
    ],
)  # fmt: skip
def test_words_that_speak_of_a_motor(name: str, says: bool) -> None:
    assert says_motor(rig(device(name, 1)).devices[0]) == says
    assert says_motor(rig(device("x", 1, f'control = "{name}"')).devices[0]) == says
    assert unstated_motors(rig(device(name, 1))) == ((name,) if says else ())
    assert unstated_motors(rig(device(name, 1, "motor = false"))) == ()


def test_what_is_off_the_bus_must_say_whether_it_is_a_motor() -> None:
    assert unstated_motors(rig(device("x", 1, OFF_BUS), device("y", 2), device("z", 3, OFF_BUS, MOTOR))) == ("x",)


def test_only_engines_have_kills() -> None:
    tables = (device("e", 3, ENGINE, KILL), device("m", 4, MOTOR, 'ignition_kill = "other"'), device("f", 5, ENGINE))
    assert kill_names(rig(*tables)) == {"kill"}


def test_rests_of_other_devices() -> None:
    plan = rig(device("a", 1, "rest_pct = 50"), device("b", 2), device("c", 17), device("d", 18, "rest_pct = 100"))
    assert [rest_sent(one, plan.scale) for one in plan.devices] == [1402, 992, 0, 1]
    assert [round(rest_counts(one, plan.scale)) for one in plan.devices][:2] == [1402, 992]


@pytest.mark.parametrize(
    ("more", "failsafe", "said"),
    [
        ((MOTOR,), "-90", None),
        ((MOTOR,), "-89", "the motor's failsafe is -89 %, which is not off"),
        ((MOTOR, REVERSED, "rest_pct = 100"), "90", None),
        ((MOTOR, REVERSED, "rest_pct = 100"), "89", "the motor's failsafe is 89 %, which is not off"),
        ((MOTOR,), '"silence"', "without a link the bus falls silent, and when_silent is hold"),
        ((MOTOR, "when_silent = -90"), '"silence"', None),
        ((MOTOR, "when_silent = -80"), '"silence"', "without a link the bus falls silent, and when_silent is -80 %"),
        ((MOTOR, 'when_silent = "release"'), '"silence"',
         "without a link the bus falls silent, and when_silent is release"),
        ((MOTOR, OFF_BUS), '"silence"', None),
        ((MOTOR, "when_silent = 50"), "-100", None),
        ((MOTOR, "rest_pct = -90"), "-100", None),
        ((MOTOR, "rest_pct = -89"), "-100", "the motor rests at -89 %, which is not off"),
        ((ENGINE, SWITCH, "idle_pct = -80"), "-79.5", None),
        ((ENGINE, SWITCH, "idle_pct = -80"), "-79", "the engine's failsafe is -79 %, which is above idle"),
        ((ENGINE, SWITCH, "idle_pct = -80", "rest_pct = -79"), "-80", "the engine rests at -79 %, which is above idle"),
        ((ENGINE, SWITCH, "idle_pct = -80"), '"silence"',
         "without a link the bus falls silent, and when_silent is hold"),
        ((ENGINE, SWITCH, "idle_pct = -29"), "-29", "idle_pct -29 % is not near the end at which the engine is closed"),
        ((ENGINE, SWITCH, "idle_pct = -29", "rest_pct = 0"), "-29",
         "idle_pct -29 % is not near the end at which the engine is closed"),
        ((ENGINE, SWITCH), "0", "an engine without idle_pct"),
        ((MOTOR, 'high_when = "full power"'), "-100", None),
        ((MOTOR, 'high_when = "closed"'), "-100", 'high_when is "closed", but it stops at the low end of its channel'),
        ((MOTOR, 'high_when = "off, not full"'), "-100", None),  # of both words neither counts
        ((MOTOR, REVERSED, "rest_pct = 100", 'high_when = "off"'), "100", None),
        ((MOTOR, REVERSED, "rest_pct = 100", 'high_when = "open"'), "100",
         'high_when is "open", but it stops at the high end of its channel'),
        ((MOTOR, REVERSED, "rest_pct = 100", 'high_when = "full or off"'), "100", None),
        ((MOTOR, "idle_pct = -95"), "-100", "an electric motor with idle_pct"),
        ((MOTOR, SWITCH), "-100", "an electric motor with ignition_kill"),
    ],
    ids=str,
)  # fmt: skip
def test_what_is_said_of_one(more: tuple[str, ...], failsafe: str, said: str | None) -> None:
    assert faults(device("m", 3, *more, failsafe=failsafe)) == ([] if said is None else [f"m: {said}"])


@pytest.mark.parametrize(
    ("more", "failsafe", "advice"),
    [
        ((MOTOR,), "0", "set the receiver to -100 % or to silence for it, and state it"),
        ((MOTOR, REVERSED, "rest_pct = 100"), "0", "set the receiver to 100 % or to silence for it, and state it"),
        ((ENGINE, SWITCH, "idle_pct = -80"), "0", "set the receiver to -80 % or to silence for it, and state it"),
        ((MOTOR, "rest_pct = 0"), "-100", "state rest_pct = -100, or leave it out"),
        ((ENGINE, SWITCH, "idle_pct = -80", "rest_pct = 0"), "-80", "state rest_pct = -80, or leave it out"),
    ],
    ids=str,
)
def test_what_it_should_be(more: tuple[str, ...], failsafe: str, advice: str) -> None:
    assert [one.advice for one in motion_faults(rig(device("m", 3, *more, failsafe=failsafe)))] == [advice]


def test_an_engine_without_a_known_idle_is_told_that_alone() -> None:
    tables = device("m", 3, ENGINE, SWITCH, REVERSED, "rest_pct = 50", failsafe="20")
    assert faults(tables) == ["m: an engine without idle_pct"]
    assert faults(device("m", 3, ENGINE, SWITCH, failsafe='"hold"')) == [
        "m: an engine without idle_pct", "m: the engine's failsafe is to hold",
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("kill", "said"),
    [
        (device("kill", 17, "motor = false", failsafe="-100"), None),
        (device("kill", None, 'kind = "sensor"', failsafe=None), "is a sensor"),
        (device("kill", 5, MOTOR), "can turn a propeller itself"),
        (device("kill", 3, "motor = false", "rest_pct = -100", 'group = "g"', failsafe="-80"),
         "is on channel 3 with the throttle"),
        (device("kill", 5, "motor = false"), "does not state rest_pct, where it kills the ignition"),
    ],
)  # fmt: skip
def test_what_an_ignition_kill_must_be(kill: str, said: str | None) -> None:
    engine = device("e", 3, ENGINE, "idle_pct = -80", KILL, 'group = "g"', failsafe="-80")
    found = [one for one in faults(engine, kill) if "its ignition_kill" in one]
    assert found == ([] if said is None else [f"e: its ignition_kill kill {said}"])


@pytest.mark.parametrize(
    ("more", "failsafe", "said"),
    [
        (("rest_pct = -50",), "-50", None),
        (("rest_pct = -50",), "-100", None),
        (("rest_pct = -50",), "-49",
         "without a link the ignition kill goes to -49 %, and it kills the ignition at -50 %"),
        (("rest_pct = 50",), "100", None),
        (("rest_pct = 50",), "49", "without a link the ignition kill goes to 49 %, and it kills the ignition at 50 %"),
        (("rest_pct = 50",), '"hold"', None),
        (("rest_pct = 50",), '"silence"', None),
        (("rest_pct = 50", "when_silent = 40"), '"silence"',
         "without a link the ignition kill goes to 40 %, and it kills the ignition at 50 %"),
        (("rest_pct = 50", "when_silent = 60"), '"silence"', None),
        (("rest_pct = 50", "when_silent = 40", OFF_BUS), '"silence"', None),
        (("rest_pct = 50", "when_silent = 40"), "60", None),
    ],
    ids=str,
)  # fmt: skip
def test_where_an_ignition_kill_goes_without_a_link(more: tuple[str, ...], failsafe: str, said: str | None) -> None:
    engine = device("e", 3, ENGINE, "idle_pct = -80", KILL, OFF_BUS, failsafe="-80")
    kill = device("kill", 5, "motor = false", *more, failsafe=failsafe)
    assert faults(engine, kill) == ([] if said is None else [f"kill: {said}"])


def test_a_misspelled_kill_is_found_among_the_other_names() -> None:
    engine = device("kil swich", 3, ENGINE, "idle_pct = -80", 'ignition_kill = "kill switch"', failsafe="-80")
    assert faults(engine) == []  # its own name is none
    others = [device(f"d{number}", 4, 'group = "g"') for number in range(200)]
    near = device("kill swich", 17, failsafe="-100")
    for count, is_told in ((199, True), (200, False)):  # from the end of the file, keeps long plans fast
        told = [one for one in faults(engine, near, *others[:count]) if "is close to kill swich" in one]
        assert bool(told) == is_told, count


def test_who_shares_a_channel_with_what_can_turn_a_propeller() -> None:
    grouped = 'group = "g"'
    tables = (device("m", 3, MOTOR, grouped), device("a", 3, grouped), device("b", 3, grouped), device("c", 4))
    assert [one for one in faults(*tables) if "shares" in one] == ["m: the motor shares channel 3 with a, b"]
    advice = [one.advice for one in motion_faults(rig(*tables)) if "shares" in one.what]
    assert advice[0].startswith("give the motor a channel of its own: 1, 2, 5, 6")
    two = (device(name, 3, MOTOR, grouped, failsafe="-100") for name in "mn")
    assert faults(*two) == []
    nowhere = (device("m", None, MOTOR), device("a", None))
    assert [one for one in faults(*nowhere) if "shares" in one] == []


@pytest.mark.parametrize(
    ("first", "second", "channel", "said"),
    [
        (("rest_pct = -95",), ("rest_pct = -95",), 3, None),
        (("rest_pct = -95",), ("rest_pct = -96",), 3, "they share channel 3 and rest at different places: 214, 206"),
        ((REVERSED, "rest_pct = 100"), (REVERSED,), 3, None),  # one is not known, and that is reported
        ((REVERSED, "rest_pct = 100"), (), 17, "they share channel 17 and rest at different places: on, off"),
        ((REVERSED, "rest_pct = 100"), (), 16, "they share channel 16 and rest at different places: 1811, 173"),
    ],
    ids=str,
)
def test_motors_on_one_channel_rest_at_one_place(
    first: tuple[str, ...], second: tuple[str, ...], channel: int, said: str | None
) -> None:
    tables = (device("m", channel, MOTOR, *first), device("n", channel, MOTOR, *second))
    found = [one for one in faults(*tables) if "rest at different places" in one]
    assert found == ([] if said is None else [f"m, n: {said}"])


def test_an_unknown_rest_is_named_beside_two_that_differ() -> None:
    tables = (
        device("m", 3, MOTOR), device("n", 3, MOTOR, REVERSED, "rest_pct = 100"), device("o", 3, MOTOR, REVERSED),
    )  # fmt: skip
    said = "m, n, o: they share channel 3 and rest at different places: 173, 1811, not known"
    assert said in faults(*tables)


def test_keys_of_an_engine_on_something_else() -> None:
    assert faults(device("x", 3, "idle_pct = -80", "motor = false")) == ["x: idle_pct is stated, but no engine"]
    assert faults(device("x", 3, SWITCH, "motor = false")) == ["x: ignition_kill is stated, but no engine"]
    assert faults(device("x", 3, SWITCH, "idle_pct = 0")) == ["x: idle_pct is stated, but no engine"]
    found = check_rig(rig(device("x", 3, OFF_BUS)))
    assert [(one.severity, one.what) for one in found] == [
        ("hint", "it is a PWM device, and whether it can turn a propeller is not stated")
    ]
