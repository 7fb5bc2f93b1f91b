"""What a plan makes of its walk."""

from __future__ import annotations

import pytest

from busbench.bench.surface_session import hold_of, plan_walk, program_of
from busbench.errors import DriveError
from busbench.rig.load import parse_rig
from busbench.verify.inputs import channel_plans

RIG = """
[rig]
name = "Egret"
period_ms = 14
[supply]
voltage_v = 6
[[device]]
name = "rudder"
channel = 6
[[device]]
name = "brake lock"
channel = 17
rest_pct = 100
[[device]]
name = "gear"
kind = "off-bus"
motor = false
channel = 7
rest_pct = -100
"""


def test_what_is_not_moved_stands_where_the_plan_has_it_rest() -> None:
    head, stops, _ = plan_walk(parse_rig(RIG), rig_path="egret.toml", port="virtual:", is_rehearsal=True)
    assert head.limits.channels[6].rest == 173
    assert head.limits.switches_rest == (True, False)
    brake = stops[1]
    assert (brake.announced, brake.low, brake.neutral, brake.high) == ("brake lock, channel 17, off first", 0, 1, 1)


def test_a_reversed_motor_on_a_channel_of_two_states_rests_where_it_is_off() -> None:
    motor = '[[device]]\nname = "motor"\nchannel = 18\nmotor = true\nreversed = true\nrest_pct = 100\nfailsafe = 100\n'
    rig = parse_rig(RIG + motor)
    assert [mapped.rest_counts for mapped in channel_plans(rig) if mapped.channel == 18] == [1811]
    head, _, _ = plan_walk(rig, rig_path="egret.toml", port="virtual:", is_rehearsal=True)
    assert head.limits.switches_rest == (True, True)


ENGINE = """
[[device]]
name = "throttle"
channel = 3
motor = "engine"
reversed = true
idle_pct = 80
ignition_kill = "kill switch"
failsafe = 80
[[device]]
name = "kill switch"
channel = 18
failsafe = "hold"
"""


def test_a_walk_holds_an_engine_at_idle_and_its_ignition_off() -> None:
    head, stops, sources = plan_walk(parse_rig(RIG + ENGINE), rig_path="egret.toml", port="virtual:", is_rehearsal=True)
    assert head.not_walked[-2:] == (
        ("throttle", "can turn a propeller, so its channel is locked"),
        ("kill switch", "kills the ignition, so its channel is locked"),
    )
    assert sources.cautions == ("  - throttle: ignition held off on channel 18 (kill switch); see that it is dead",)
    for made in (program_of(stops[0], head, sources), hold_of(head, sources)):
        limits = made.program.limits
        assert (limits.channels[2].rest, limits.channels[2].is_locked) == (1647, True)
        assert (limits.switches_rest[1], limits.switches_locked[1]) == (False, True)


def test_a_walk_on_another_aircraft_does_not_move_what_is_a_motor_there() -> None:
    motor = '[[device]]\nname = "motor"\nkind = "off-bus"\nchannel = 6\nmotor = true\nfailsafe = -100\n'
    other = parse_rig(RIG.partition("[[device]]")[0] + motor)
    with pytest.raises(DriveError) as caught:
        plan_walk(
            parse_rig(RIG), rig_path="egret.toml", port="virtual:", is_rehearsal=True, aircraft=("other.toml", other)
        )
    assert str(caught.value) == (
        "egret.toml: rudder is on channel 6, where other.toml has a motor: make the two plans agree"
    )
