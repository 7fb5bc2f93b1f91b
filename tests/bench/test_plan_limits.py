"""The strictest word wins: whatever plan, options and program say together, none of them is exceeded."""

from __future__ import annotations

import ast
import pickle
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

import busbench
from busbench.bench.plan_limits import NO_SOURCES, LimitSources, MotorOption, PlanFaultError
from busbench.drive.frame_generator import FrameGenerator
from busbench.drive.frame_source import DriveSource
from busbench.drive.limits import Limits
from busbench.drive.locked_program import LockedProgram
from busbench.drive.program import Program
from busbench.errors import DriveError
from busbench.rig.check import motion_faults
from busbench.rig.model import Rig
from busbench.rig.motors import motor_rests
from busbench.rig.travel import endpoints_of
from busbench.wire.frame_spec import ALL_CHANNELS, CHANNELS
from tests.drive.helpers import make
from tests.rig.rigs import device, rig

OFF_BUS = 'kind = "off-bus"'
MOTOR = ("motor = true", OFF_BUS)
SINE = {"channel": 1, "shape": "sine", "low": -60, "high": 60, "period": 4, "unit": "%"}
LIMITS: dict[str, object] = {}


def program(*parts: dict[str, object], **top: object) -> Program:
    return make(*(parts or (SINE,)), unit="%", **{"limits": LIMITS, **top})


def plan(*tables: str) -> tuple[tuple[str, Rig], ...]:
    return (("heron.toml", rig(*tables)),)


def rest_of(made: Program, channel: int) -> tuple[int, bool]:
    """Where it rests, and whether it is locked."""
    if channel > CHANNELS:
        at = channel - CHANNELS - 1
        return int(made.limits.switches_rest[at]), made.limits.switches_locked[at]
    limit = made.limits.channels[channel - 1]
    return limit.rest, limit.is_locked


def locked(sources: LimitSources, made: Program | None = None) -> Program:
    return sources.lock(made or program()).program


def refusal(sources: LimitSources, made: Program | None = None) -> str:
    with pytest.raises(DriveError) as caught:
        sources.lock(made or program())
    return str(caught.value)


def channel(number: int, **keys: object) -> dict[str, object]:
    return {"channel": [{"number": number, **keys}]}


AT_FULL = channel(8, locked=True, rest=100)
AT_REST = channel(8, locked=True, rest=-100)
PLAN = LimitSources(plan(device("sustainer", 8, *MOTOR, failsafe="-100")))


def test_a_motor_of_the_plan_is_locked_where_it_is_off() -> None:
    made = locked(PLAN)
    assert rest_of(made, 8) == (173, True)
    assert made.named(7) == "channel 8 (sustainer)"
    assert rest_of(locked(PLAN, program(**AT_REST)), 8) == (173, True)
    assert rest_of(locked(replace(PLAN, motors=(MotorOption(7),)), program(**AT_REST)), 8) == (173, True)
    assert rest_of(locked(replace(PLAN, locks=(7,))), 8) == (173, True)


@pytest.mark.parametrize(
    ("sources", "made", "said"),
    [
        (
            PLAN,
            program(**AT_FULL),
            "channel 8 (sustainer): it is locked, but heron.toml (sustainer) has it rest at -100.0 % (173 counts)"
            ' and the program "Heron" at +100.0 % (1811 counts): make the two agree',
        ),
        (
            PLAN,
            program(**channel(8, rest=50)),
            "channel 8 (sustainer): it is locked, but heron.toml (sustainer) has it rest at -100.0 % (173 counts)"
            ' and the program "Heron" at +50.1 % (1402 counts): make the two agree',
        ),
        (
            replace(PLAN, motors=(MotorOption(7, 100.0),)),
            program(),
            "channel 8 (sustainer): it is locked, but heron.toml (sustainer) has it rest at -100.0 % (173 counts)"
            " and --motor 8=100 at +100.0 % (1811 counts): make the two agree",
        ),
        (
            PLAN,
            program(**channel(8, low=-50, high=50)),
            'channel 8 (sustainer): it is locked at -100.0 % (173 counts), but the program "Heron" limits it to'
            " 582 to 1402 counts: make the two agree",
        ),
        (
            LimitSources(motors=(MotorOption(7),)),
            program(**AT_FULL),
            "channel 8 (motor): it is locked, but --motor 8 has it rest at -100.0 % (173 counts)"
            ' and the program "Heron" at +100.0 % (1811 counts): make the two agree',
        ),
        (
            LimitSources(plan(device("flap", 3, "rest_pct = -100", failsafe="-100")), locks=(2,)),
            program(**channel(3, rest=100)),
            'channel 3 (flap): it is locked, but the program "Heron" has it rest at +100.0 % (1811 counts)'
            " and heron.toml (flap) at -100.0 % (173 counts): make the two agree",
        ),
        (
            LimitSources(plan(device("flap", 3, "travel_pct = 50"))),
            program(**channel(3, low=60, high=100, rest=80)),
            "channel 3 (flap): no travel is left between 1483 to 1811 counts of the program and 1483 to 1811 counts"
            ' of the program "Heron" and 582 to 1402 counts of heron.toml (flap): make the limits meet',
        ),
        (
            LimitSources(plan(device("flap", 3)), motors=(MotorOption(2),), aircraft=("other.toml", PLAN.plans[0][1])),
            program(**channel(8, locked=True, rest=0)),
            "channel 8: it is locked, but other.toml (sustainer) has it rest at -100.0 % (173 counts)"
            ' and the program "Heron" at 0.0 % (992 counts): make the two agree',
        ),
        (
            LimitSources(plan(device("kill", 17, failsafe='"hold"'),
                              device("e", 3, 'motor = "engine"', "idle_pct = -80", 'ignition_kill = "kill"', OFF_BUS,
                                     failsafe="-80"))),
            program(**channel(17, rest="on")),
            "channel 17 (kill): it is locked, but heron.toml (kill) has it rest at off"
            ' and the program "Heron" at on: make the two agree',
        ),
    ],
)  # fmt: skip
def test_two_places_of_rest_are_refused_naming_both(sources: LimitSources, made: Program, said: str) -> None:
    assert refusal(sources, made) == said


def test_motor_options_that_contradict() -> None:
    with pytest.raises(DriveError, match="--motor 8=0: a motor may turn there: give where it is off as sent"):
        MotorOption(7, 0.0)
    with pytest.raises(DriveError, match="--no-motor: contradicts --motor"):
        LimitSources(motors=(MotorOption(2),), has_no_motor=True)
    with pytest.raises(
        DriveError, match=r'--no-motor: heron\.toml has the motor "sustainer": give the one that is true'
    ):
        replace(PLAN, has_no_motor=True)
    flap = plan(device("motor flap", 3, "motor = false"))
    with pytest.raises(DriveError, match=r'--motor 3: heron\.toml says that "motor flap" on that channel is no motor'):
        LimitSources(flap, motors=(MotorOption(2),))
    assert refusal(LimitSources(motors=(MotorOption(2, 150.0),))) == (
        "--motor 3=150: 150 % does not fit a frame: give percent, as in --motor 3=-100"
    )


def test_what_a_motor_option_holds() -> None:
    assert rest_of(locked(LimitSources(motors=(MotorOption(2),))), 3) == (173, True)
    assert rest_of(locked(LimitSources(motors=(MotorOption(2, 100.0),))), 3) == (1811, True)
    assert rest_of(locked(LimitSources(motors=(MotorOption(16),))), 17) == (0, True)
    assert rest_of(locked(LimitSources(motors=(MotorOption(16, 100.0),))), 17) == (1, True)
    # What the program knows goes before the usual place, where a motor is off there.
    made = program(**channel(3, locked=True, rest=-95))
    assert rest_of(locked(LimitSources(motors=(MotorOption(2),)), made), 3) == (214, True)
    # A travel without a rest, and the neutral of a device whose rest is not stated, do not say where it is off.
    made = program(**channel(3, low=-100, high=40))
    assert rest_of(locked(LimitSources(motors=(MotorOption(2),)), made), 3) == (173, True)
    trimmed = plan(device("winch", 3, "neutral_us = 1000"))
    assert rest_of(locked(LimitSources(trimmed, motors=(MotorOption(2),))), 3) == (173, True)


def test_every_other_channel_rests_where_the_plan_has_it() -> None:
    tables = (
        device("aileron", 1),
        device("gear", 7, "rest_pct = -100"),
        device("brake", 17, "rest_pct = 100", failsafe='"hold"'),
        device("rudder", 6, "neutral_us = 1520"),
        device("elevator", 5, "travel_pct = 90"),
    )
    sources = LimitSources(plan(*tables))
    made = locked(sources)
    assert [rest_of(made, number) for number in (1, 7, 17, 6, 2)] == [
        (992, False), (173, False), (1, False), (1024, False), (992, False),
    ]  # fmt: skip
    # The travel of what moves does not move what does not.
    narrow = program(limits={"low": -50, "high": 50})
    assert rest_of(locked(sources, narrow), 7) == (173, True)
    assert rest_of(locked(sources, program({**SINE, "channel": 7}, limits={"low": -50, "high": 50})), 7) == (582, False)
    limit = locked(sources, program({**SINE, "channel": 5})).limits.channels[4]
    assert (limit.low, limit.high) == (255, 1729)  # 90 % of the plan
    assert rest_of(locked(sources, program(**channel(7, rest=20))), 7) == (1156, False)  # its own word on that channel


def test_a_plan_that_contradicts_itself_moves_nothing_and_lists_its_faults() -> None:
    turned = device("m", 8, *MOTOR, "reversed = true", failsafe="-100")
    sources = LimitSources(plan(turned, device("a", 1), device("b", 1)))
    with pytest.raises(PlanFaultError) as caught:
        sources.lock(program())
    assert str(caught.value) == (
        "heron.toml: nothing moves with 2 faults in what is moved or held: correct the plan;"
        " `busbench rig check` lists them"
    )
    assert [line for line in caught.value.details if line.startswith("fault")] == [
        "fault: a, b: all on channel 1 and not in one group",
        "fault: m: it is reversed, and the plan does not state what goes on the wire while it is off",
    ]
    assert sources.faults[0][1] == tuple(motion_faults(sources.plans[0][1]))


def test_an_engine_adds_how_its_ignition_is_killed() -> None:
    engine = ('motor = "engine"', "idle_pct = -80", OFF_BUS)
    by_hand = device("petrol", 3, *engine, 'ignition_kill = "wing root switch"', failsafe="-80")
    on_bus = device("petrol", 3, *engine, 'ignition_kill = "kill"', failsafe="-80")
    (said,) = LimitSources(plan(by_hand)).lock(program()).cautions
    assert said == "  - petrol: ignition switched off by hand (wing root switch); see that it is dead"
    made = LimitSources(plan(on_bus, device("kill", 17, failsafe='"hold"'))).lock(program())
    assert made.cautions == ("  - petrol: ignition held off on channel 17 (kill); see that it is dead",)
    assert (rest_of(made.program, 3), rest_of(made.program, 17)) == ((337, True), (0, True))


def test_only_a_locked_program_can_be_transmitted_and_only_plan_limits_makes_one() -> None:
    made = program()
    with pytest.raises(TypeError, match="only a LockedProgram can be transmitted, not a Program"):
        DriveSource(made)  # type: ignore[arg-type]
    with pytest.raises(TypeError, match=r"comes from bench\.plan_limits only"):
        LockedProgram(made, key=object())
    one = NO_SOURCES.lock(made)
    with pytest.raises(AttributeError, match="read-only"):
        one.program = made
    with pytest.raises(TypeError, match="not to be pickled"):
        pickle.dumps(one)
    root = Path(busbench.__file__).parent
    users = {
        path.relative_to(root).as_posix()
        for path in root.rglob("*.py")
        if "MAKER_KEY" in (text := path.read_text(encoding="utf-8"))
        for node in ast.walk(ast.parse(text))
        if isinstance(node, ast.Name | ast.alias) and "MAKER_KEY" in ast.dump(node)
    }
    assert users == {"drive/locked_program.py", "bench/plan_limits.py"}


# --- any combination of sources ----------------------------------------------------------------------------------

SOUND_MOTORS = (
    (*MOTOR, "failsafe = -100"),
    (*MOTOR, "failsafe = -60", "travel_pct = 60"),
    (*MOTOR, "failsafe = 100", "rest_pct = 95", "reversed = true"),
    ('motor = "engine"', "idle_pct = -80", 'ignition_kill = "hand"', OFF_BUS, "failsafe = -80"),
    ('motor = "engine"', "idle_pct = 50", 'ignition_kill = "hand"', OFF_BUS, "reversed = true", "failsafe = 50"),
)
PERCENT = st.sampled_from((-100.0, -95.0, -80.0, -50.0, 0.0, 50.0, 80.0, 95.0, 100.0))


@st.composite
def devices(draw: st.DrawFn) -> tuple[str, ...]:
    tables = []
    for number in draw(st.lists(st.sampled_from((1, 2, 3, 8, 17)), max_size=4, unique=True)):
        if number < 17 and draw(st.booleans()):
            tables.append(device(f"d{number}", number, *draw(st.sampled_from(SOUND_MOTORS)), failsafe=None))
            continue
        more = [draw(st.sampled_from(("motor = false", "motor = false", "motor = true", 'motor = "engine"')))]
        if "engine" in more[0]:
            more += [f"idle_pct = {draw(PERCENT)}", 'ignition_kill = "hand"']
        more += ["reversed = true"] * draw(st.booleans())
        if draw(st.booleans()):
            more.append(f"rest_pct = {100 if number > 16 else draw(PERCENT)}")
        if number < 17:
            more.append(f"travel_pct = {draw(st.sampled_from((100, 100, 60, 120)))}")
            more.append(f"neutral_us = {draw(st.sampled_from((1500, 1520, 1480)))}")
        failsafe = "-100" if number > 16 else str(draw(st.sampled_from((0, 0, -60, 60))))
        tables.append(device(f"d{number}", number, *more, failsafe=failsafe))
    return tuple(tables)


@st.composite
def programs(draw: st.DrawFn) -> Program:
    tables = []
    for number in draw(st.lists(st.sampled_from((1, 2, 3, 8, 17)), max_size=3, unique=True)):
        keys: dict[str, object] = {"number": number, "locked": draw(st.booleans())}
        if number > CHANNELS:
            keys["rest"] = draw(st.sampled_from(("on", "off")))
        else:
            low, rest, high = sorted(draw(st.tuples(PERCENT, PERCENT, PERCENT)))
            keys |= {"rest": rest, "low": low, "high": high}
        tables.append(keys)
    common = draw(st.sampled_from(({}, {"low": -50, "high": 50}, {"rate": 30})))
    parts = [{**SINE, "channel": number} for number in draw(st.sampled_from(((1,), (1, 2), (3, 8))))]
    return program(*parts, channel=tables, limits=common)


@st.composite
def all_sources(draw: st.DrawFn) -> LimitSources:
    plans = plan(*draw(devices())) if draw(st.booleans()) else ()
    aircraft = ("other.toml", plan(*draw(devices()))[0][1]) if draw(st.booleans()) else None
    numbers = draw(st.lists(st.sampled_from((0, 2, 7, 16)), max_size=2, unique=True))
    rest = st.sampled_from((None, None, -100.0, -95.0, 100.0))
    motors = tuple(MotorOption(number, draw(rest)) for number in numbers)
    locks = tuple(draw(st.lists(st.sampled_from((0, 1, 2, 7, 16)), max_size=2)))
    try:
        return LimitSources(plans, aircraft=aircraft, motors=motors, locks=locks)
    except DriveError:
        assume(False)
        raise


@settings(max_examples=400, deadline=None)
@given(sources=all_sources(), stated=programs())
def test_whatever_is_said_nothing_is_loosened_and_no_motor_moves(sources: LimitSources, stated: Program) -> None:
    try:
        made = sources.lock(stated).program
    except DriveError:
        return  # refused: nothing moves
    before, after = stated.limits, made.limits
    assert_within(before, after)
    driven = {part.channel for part in stated.parts}
    for number in sources.locks:
        assert after.is_locked(number)
    for _, one in sources.plans:
        assert not motion_faults(one)
        for dev in one.driven:
            assert dev.channel is not None
            if dev.channel <= CHANNELS and not after.is_locked(dev.channel - 1):
                ends, limit = endpoints_of(dev, one.scale), after.channels[dev.channel - 1]
                assert ends.low_counts - 0.5 <= limit.low <= limit.high <= ends.high_counts + 0.5
    known: dict[int, int] = {}
    for _, one in (*sources.plans, *([sources.aircraft] if sources.aircraft else [])):
        for rest in motor_rests(one):
            assert after.is_locked(rest.channel)
            assert rest.rest is not None
            known[rest.channel] = rest.rest
    for motor in sources.motors:
        assert after.is_locked(motor.channel)
        if motor.channel not in known:
            off = rest_of(made, motor.channel + 1)[0]
            is_high = motor.rest_pct is not None and motor.rest_pct > 0
            edge = (0 if motor.channel >= CHANNELS else 256, 1 if motor.channel >= CHANNELS else 1728)
            assert off >= edge[1] if is_high else off <= edge[0]
    for at, rest_counts in known.items():
        assert abs(rest_of(made, at + 1)[0] - rest_counts) <= 1
    # And on the wire: a locked channel says one value from the first frame to the last.
    feed = FrameGenerator(made, hold_s=0.1)
    rows = [feed.take(400).limited for _ in range(2) if not feed.is_over]
    for at in range(CHANNELS):
        values = {int(value) for block in rows for value in block.channels[:, at]}
        if after.is_locked(at) or at not in driven:
            assert values == {after.channels[at].rest}


def assert_within(before: Limits, after: Limits) -> None:
    for number in range(ALL_CHANNELS):
        assert after.is_locked(number) or not before.is_locked(number)
    for old, new in zip(before.channels, after.channels, strict=True):
        assert new.rate <= old.rate
        if not new.is_locked:
            assert old.low <= new.low <= new.rest <= new.high <= old.high
        if old.is_locked:
            assert abs(new.rest - old.rest) <= 1
    locked_before = np.array(before.switches_locked)
    assert (np.array(after.switches_rest)[locked_before] == np.array(before.switches_rest)[locked_before]).all()


@pytest.mark.parametrize(
    ("option", "text"),
    [
        (MotorOption(2), "--motor 3"), (MotorOption(15, -100.0), "--motor 16=-100"),
        (MotorOption(0, 92.5), "--motor 1=92.5"), (MotorOption(16), "--motor 17"),
        (MotorOption(16, -100.0), "--motor 17=off"), (MotorOption(17, 100.0), "--motor 18=on"),
    ],
)  # fmt: skip
def test_a_motor_option_is_named_as_it_is_given(option: MotorOption, text: str) -> None:
    assert option.text == text


@pytest.mark.parametrize(
    ("rest_pct", "counts"),
    [(-90.0, 255), (90.0, 1729), (-121.1, 0), (128.8, 2047), (-89.9, None), (89.9, None), (float("nan"), None)],
)
def test_a_motor_is_off_from_ninety_percent_on(rest_pct: float, counts: int | None) -> None:
    """On 992 counts at the centre and 819.2 for 100 %, a frame holds -121.1 to 128.8 %."""
    if counts is None:
        with pytest.raises(DriveError, match="a motor may turn there"):
            MotorOption(2, rest_pct)
    else:
        assert rest_of(locked(LimitSources(motors=(MotorOption(2, rest_pct),))), 3) == (counts, True)


@pytest.mark.parametrize("rest_pct", [-121.2, 128.9])
def test_a_rest_beyond_the_frame_is_refused(rest_pct: float) -> None:
    words = f"{rest_pct:g} % does not fit a frame: give percent, as in --motor 3=-100"
    assert refusal(LimitSources(motors=(MotorOption(2, rest_pct),))) == f"--motor 3={rest_pct:g}: {words}"


@pytest.mark.parametrize(
    ("sources", "names_motor", "unstated"),
    [
        (NO_SOURCES, False, ()),
        (LimitSources(has_no_motor=True), True, ()),
        (LimitSources(motors=(MotorOption(2),)), True, ()),
        (LimitSources(plan(device("rudder", 4))), True, ()),
        (LimitSources(plan(device("cowl", 4, OFF_BUS))), False, ("cowl",)),
        (LimitSources(plan(device("cowl", 4, OFF_BUS)), motors=(MotorOption(2),)), True, ("cowl",)),
        (LimitSources(plan(device("cowl", 4, OFF_BUS)), has_no_motor=True), True, ("cowl",)),
        (LimitSources(plan(device("rudder", 4)) + plan(device("cowl", 4, OFF_BUS))), False, ("cowl",)),
    ],
)
def test_motors_are_named_by_a_plan_that_leaves_none_open_or_by_an_option(
    sources: LimitSources, names_motor: bool, unstated: tuple[str, ...]
) -> None:
    assert (sources.names_motor, sources.unstated) == (names_motor, unstated)
    assert sources.plan is (sources.plans[0][1] if sources.plans else None)


def test_a_name_of_the_program_goes_before_that_of_the_plan_and_of_an_option() -> None:
    sources = LimitSources(
        plan(device("rudder", 4), device("flap", 5)) + plan(device("keel", 4)), motors=(MotorOption(2), MotorOption(4))
    )
    made = locked(sources, program(**channel(4, name="tail")))
    assert [made.named(number) for number in (2, 3, 4)] == [
        "channel 3 (motor)", "channel 4 (tail)", "channel 5 (flap)",
    ]  # fmt: skip
    assert locked(sources).named(3) == "channel 4 (rudder)"
