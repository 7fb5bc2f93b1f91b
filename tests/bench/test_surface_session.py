"""What a plan makes of its walk."""

from __future__ import annotations

from busbench.bench.surface_session import plan_walk
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
