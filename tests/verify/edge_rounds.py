"""More rounds of test_odd_rounds.py: what touches the very frame at which a step, a move or the loss begins or ends.

The rows of the good round, 15 ms each: the step of the rudder from 1007, of the gear from 1280, of the motor from
1827; the motor runs from 1842 to 1957; all are held away from 2114 on; the link is lost from 2214 on, and back at 2454.
"""

from __future__ import annotations

import dataclasses

from tests.verify.changed_rounds import (
    PERIOD_S,
    Case,
    Change,
    add,
    damage,
    flag,
    note,
    put,
    shift_note,
    splice,
    stay,
    turn,
    unflag,
    unnote,
)
from tests.verify.odd_rounds import DOWN, OFF, POWERED_FIRST, bare, both, limited, one, planned, powered


def rows(channel: int, level: float, first: int, stop: int) -> Change:
    """A channel at a level in some rows."""
    return put(channel, level, first * PERIOD_S, stop * PERIOD_S)


TWO = (unnote("rudder stick", "flap lever", "motor slider"), note("done", 26.0))

MOTORS = [
    *one("a motor on until its step", rows(8, 1811, 1800, 1827)),
    *one("a motor on in the first frame of its step", rows(8, 1811, 1800, 1828)),
    *one("a motor on in the first frame of another step", rows(8, 300, 1280, 1281)),
    *one("a motor on in the first frame of a repeated step", put(8, 182, 2.805),
         base=(splice((0, 6.8), (2.79, 40.32)),)),
    *bare("a motor on in the first frame of a move", rows(8, 300, 1008, 1009)),
    *bare("a motor still moved at the end", splice((0, 29.28))),
    *both("a motor that pauses at its limit", rows(8, 181, 1890, 1905)),
    *both("a motor that pauses beyond its limit", rows(8, 182, 1890, 1905)),
    *one("a motor damaged at its limit", damage(1.0), put(8, 181, 1.0)),
    *one("a motor damaged beyond its limit", damage(1.0), put(8, 182, 1.0)),
    *one("a motor let go just before the loss", rows(8, OFF, 2199, 2214)),
    *one("a motor let go in the last moment before the loss", rows(8, OFF, 2200, 2214)),
    *one("a motor at rest for a moment only", splice((31.65, 40.32))),
    *bare("a motor beside two others", turn(8, 4.0, 1500, 4.5), turn(6, 3.8, 1500, 5.0)),
    *bare("a motor beside three others", turn(8, 4.0, 1500, 4.5), turn(6, 3.8, 1500, 5.0), turn(7, 3.8, 1500, 5.0)),
    *bare("a stick beside the motor at its whole share", turn(6, 28.0, 1843, 28.5),
          rig=planned("sustainer", gimbal="left stick", rig=limited(hands_pct=100.0))),
    *bare("a stick beside the motor beyond its whole share", turn(6, 28.0, 1844, 28.5),
          rig=planned("sustainer", gimbal="left stick", rig=limited(hands_pct=100.0))),
    *bare("another just long enough before the motor", rows(17, 1, 1770, 1786)),
    *bare("another not quite long enough before the motor", rows(17, 1, 1770, 1787)),
    *bare("another just long enough after the motor", rows(17, 1, 2014, 2030)),
    *bare("another not quite long enough after the motor", rows(17, 1, 2013, 2030)),
    *one("a step that begins as the motor ends", *TWO, note("gear switch", 1958 * PERIOD_S - 0.003)),
    *one("a step that begins before the motor ends", *TWO, note("gear switch", 1957 * PERIOD_S - 0.003)),
]  # fmt: skip

LEFT = (stay((6,), 14.0, 21.0), note("done", 14.0), note("done", 18.5))

IDLE = stay((5,), 10.5, 15.0)

OTHERS = [
    *bare("alone and as wide as a move", stay((6,), 15.0, 19.0), turn(6, 15.4, 1184, 17.0), turn(6, 4.0, 1600, 5.0)),
    *bare("alone and wider than a move", stay((6,), 15.0, 19.0), turn(6, 15.4, 1185, 17.0), turn(6, 4.0, 1600, 5.0)),
    *one("in its place, as wide as a move", IDLE, turn(6, 11.4, 1184, 13.0)),
    *one("in its place, wider than a move", IDLE, turn(6, 11.4, 1185, 13.0)),
    *one("in its place, moved itself as noise", IDLE, rows(5, 1032, 800, 900), turn(6, 11.4, 1600, 13)),
    *one("in its place, moved itself farther", IDLE, rows(5, 1033, 800, 900), turn(6, 11.4, 1600, 13)),
    *one("moved until its step", *LEFT, rows(6, 1500, 950, 1004)),
    *one("moved into its step", *LEFT, rows(6, 1500, 950, 1005)),
    *one("moved from the end of its step on", *LEFT, rows(6, 1500, 1237, 1260)),
    *one("moved from before the end of its step on", *LEFT, rows(6, 1500, 1236, 1260)),
]  # fmt: skip

LINK = [
    *one("held away from the last good frame on", shift_note("controls held away", 1.498)),
    *one("held away as it is switched off", shift_note("controls held away", 1.5)),
    *one("switched on as it is switched off", shift_note("transmitter on", -3.6)),
    *one("a step as the link is back", note("rudder stick", 36.81)),
    *one("to be held away again after the last frame", splice((0, 36.0)), note("controls held away", 36.5)),
    *one("a step before the first good frame", damage(36.81, 36.9), note("rudder stick", 36.85)),
    *one("at failsafe in the first frame without link", unflag(DOWN, 33.0, 37.0), put(6, 1016, 33.21, 36.81),
         put(5, 1000, 33.21, 36.81), put(1, 1001, 33.21, 36.81)),
    *one("held as near to its rest as failsafe is", put(6, 1032, 31.7, 36.81), rig=planned("rudder", failsafe="hold")),
    *one("held farther from its rest", put(6, 1033, 31.7, 36.81), rig=planned("rudder", failsafe="hold")),
    *one("held as near to failsafe as may be", put(6, 1835, 31.7, 33.81), put(6, 1843, 33.81, 36.81),
         rig=planned("rudder", failsafe=100.0)),
    *one("held farther from failsafe", put(6, 1834, 31.7, 33.81), put(6, 1843, 33.81, 36.81),
         rig=planned("rudder", failsafe=100.0)),
    *one("lost from the begin, then a step", flag(DOWN, 0.0, 2.7), note("rest", 2.694)),
    *one("lost from the begin, then a step a frame later", flag(DOWN, 0.0, 2.7), note("rest", 2.709)),
    *one("powered up at first, a step at the link", note("rest", 2.0), base=POWERED_FIRST),
    *powered("powered up, a rest at its limit", add(6, 8), put(6, 1041, 45.0)),
    *powered("powered up, a rest beyond its limit", add(6, 9), put(6, 1042, 45.0)),
]  # fmt: skip

EDGES: list[Case] = [dataclasses.replace(case, has_line=False) for case in (*MOTORS, *OTHERS, *LINK)]
