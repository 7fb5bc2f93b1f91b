"""The rounds of test_odd_rounds.py: what goes wrong in one test sequence, each at its limit and just beyond it.

The good round: all is left alone until 3 s; then each control moves for 2.8 s from 3.0, 7.1, 11.2, 15.3, 19.4, 23.5
and 27.6 s on (aileron, flap, elevator, rudder, gear, release, motor), with its annotation 0.2 s earlier; all are held
away from 31.7 s on; the transmitter is off from 33.2 s to 36.8 s, failsafe begins at 33.8 s; all are let go at
38.8 s; the end is at 40.3 s.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence

import msgspec

from busbench.rig.model import Rig
from busbench.wire.frame_spec import FLAG_FAILSAFE, FLAG_LOST
from tests.verify.changed_rounds import (
    Case,
    Change,
    add,
    clockless,
    damage,
    flag,
    note,
    put,
    set_back,
    shake,
    shift_note,
    silent,
    splice,
    stay,
    turn,
    unflag,
    unnote,
)
from tests.verify.rounds import RIG

OFF = 173  # counts of -100 %
DOWN = FLAG_LOST | FLAG_FAILSAFE
ALL = (1, 2, 3, 4, 5, 6, 7, 17, 8)
END_S = 40.32


def limited(*, period_ms: float = RIG.plan.period_ms, **limits: float) -> Rig:
    """The Heron with another period or other limits."""
    plan = msgspec.structs.replace(RIG.plan, period_ms=period_ms)
    return msgspec.structs.replace(RIG, plan=plan, limits=msgspec.structs.replace(RIG.limits, **limits))


def planned(name: str, rig: Rig = RIG, **values: object) -> Rig:
    """The Heron with other values of one device, or of all."""
    devices = tuple(msgspec.structs.replace(d, **values) if name in (d.name, "*") else d for d in rig.devices)
    return msgspec.structs.replace(rig, devices=devices)


def ignited(channel: int) -> Rig:
    """The Heron with an engine that idles at -80 %, whose ignition a switch on a channel of its own kills."""
    engine = planned("sustainer", motor="engine", ignition_kill="kill switch", idle_pct=-80.0, failsafe=-80.0)
    release = next(d for d in RIG.devices if d.name == "tow release")
    kill = msgspec.structs.replace(
        release, name="kill switch", control="ignition switch", channel=channel, rest_pct=-100.0, failsafe=-100.0
    )
    return msgspec.structs.replace(engine, devices=(*engine.devices, kill))


def both(title: str, *changes: Change, rig: Rig = RIG, base: tuple[Change, ...] = ()) -> Sequence[Case]:
    """With annotations and without."""
    return [Case(title, changes, rig, has_marks, base) for has_marks in (True, False)]


def one(title: str, *changes: Change, rig: Rig = RIG, base: tuple[Change, ...] = ()) -> Sequence[Case]:
    """With annotations."""
    return [Case(title, changes, rig, True, base)]


def bare(title: str, *changes: Change, rig: Rig = RIG, base: tuple[Change, ...] = ()) -> Sequence[Case]:
    """Without annotations."""
    return [Case(title, changes, rig, False, base)]


# At 40.3 s the receiver is switched off for two seconds, then on at 42.33 s with the transmitter off, which is
# switched on at 43.6 s; the link is there from 44.3 s on.
POWERED = (
    splice((0, END_S), (0, 2.0), (34.0, 36.0), (0.75, 2.75)), silent(40.32, 42.33), put(17, 0, 40.32, 46.32),
    put(7, OFF, 42.0, 44.32), note("receiver on", 42.4), note("transmitter on after the receiver", 43.6),
)  # fmt: skip
POWERED_FIRST = (splice((34.0, 36.0), (0, END_S)), put(17, 0, 0.0, 5.0), put(7, OFF, 0.0, 2.0))
# The controls are held away once more at 40.3 s, off at 41.8 s, failsafe at 42.4 s, on at 45.4 s, let go at 47.4 s.
REPEATED = (splice((0, END_S), (31.7, END_S)),)
CLOCKLESS = (clockless,)
HELD = (put(6, 1024, 31.6, END_S),)
SHORT = (splice((0, 8.0)),)


def powered(title: str, *changes: Change, rig: Rig = RIG) -> Sequence[Case]:
    """With the receiver switched on after all else."""
    return [Case(title, changes, rig, True, POWERED)]


def engine(title: str, channel: int, *changes: Change) -> Sequence[Case]:
    """With an engine, whose ignition is cut on a channel."""
    rig = ignited(channel)
    return [Case(title, changes, rig, beside=rig)]


REST = [
    *one("the rest at its limit", add(6, 8), put(6, 1016, 0.0), add(1, -8)),
    *one("the rest beyond its limit", add(6, 9), add(1, -9)),
    *one("frames at the limit of rest", put(6, 1032, 1.0, 1.5), put(1, 984, 1.0), put(8, 181, 1.0)),
    *both("frames beyond the limit of rest", put(6, 1032, 0.9), put(6, 1033, 1.0), put(1, 984, 0.9),
          put(1, 983, 1.0, 1.03), put(8, 181, 0.9), put(8, 182, 1.0)),
    *one("both sides of the rest", put(6, 1030, 1.0, 1.3), put(6, 1019, 1.3, 1.6)),
    *both("beyond the limit of rest between two moves", put(6, 1033, 10.5), put(3, 182, 6.5)),
    *one("motor away before its move", put(8, 300, 26.0, 27.9), note("done", 30.6)),
    *one("motor away after its move", put(8, 300, 30.0, 31.9), note("done", 30.0)),
    *one("a motor in motion just before its move", put(8, 178, 27.525)),
    *one("a motor beside its rest before its move", put(8, 178, 27.51)),
    *one("motor without a move of its own", put(8, 173, 27.0, 31.0), put(8, 700, 30.65, 31.7)),
    *both("a channel that never rests", *(add(6, step % 60 * 8, step * 0.6, step * 0.6 + 0.6) for step in range(55))),
    *both("motor damaged", damage(1.0, 1.05), put(8, 1811, 1.0, 1.05), damage(28.0), damage(34.0), put(8, 1811, 34.0)),
    *both("rest of a motor elsewhere", add(8, 9)),
    *one("others move before their step", turn(6, 14.5, 1900, 17.0), turn(5, 10.0, 1200, 10.5)),
    *bare("moved twice", turn(6, 5.0, 1500, 5.5)),
    *bare("a motor and others twice", turn(8, 5.0, 1500, 5.5), turn(6, 5.0, 1500, 5.5), turn(7, 5.0, 1500, 5.5),
          turn(5, 5.0, 1500, 5.5), turn(3, 5.0, 1500, 5.5)),
]  # fmt: skip


ENDS = [
    *one("ends at their limits", add(5, 24, 12.0, 12.1), add(5, -24, 13.5, 13.6), add(1, -24, 3.0, 6.5)),
    *one("ends beyond their limits", add(5, 25, 12.0, 12.1), add(5, -25, 13.5, 13.6), add(1, -25, 3.0, 6.5)),
    *both("a control that did not move, though others did", stay((2,), 2.0, 6.8), stay((5,), 11.0, 15.0),
          turn(7, 11.3, 600, 13.0), turn(4, 11.3, 250, 13.0)),
    *both("moved by no more than is a move", stay((6,), 15.0, 19.0), turn(6, 15.4, 1064, 17.0)),
    *both("moved by just more than is no move", stay((6,), 15.0, 19.0), turn(6, 15.4, 1065, 17.0)),
    *both("moved to less than shows a direction", stay((6,), 15.0, 19.0), turn(6, 15.4, 1474, 17.0)),
    *one("one frame of a move shows its direction", stay((6,), 15.0, 19.0), turn(6, 15.4, 1474, 17.0),
         put(6, 1475, 16.5)),
    *both("moved to just what shows a direction", stay((6,), 15.0, 19.0), turn(6, 15.4, 573, 17.0)),
    *both("a lever half way to its end", stay((3,), 0, 31.5), put(3, 582, 0, 31.5)),
    *both("a lever not quite half way to its end", stay((3,), 0, 31.5), put(3, 583, 0, 31.5)),
    *one("levers without an end planned", rig=planned("gear", planned("rudder", high_when=None), high_when=None)),
    *one("a motor that rests high", rig=planned("sustainer", reversed=True, rest_pct=100.0, failsafe=100.0)),
    *one("one frame of a move damaged", damage(12.0), put(5, 2000, 12.0), flag(FLAG_LOST, 16.0), put(6, 2000, 16.0)),
    *one("every frame of a move lost", flag(FLAG_LOST, 15.0, 19.2)),
    *both("a glitch in a move", put(5, 2000, 12.0), put(6, 50, 18.6), put(6, 1060, 2.0)),
]  # fmt: skip

ALONE = [
    *both("others at their limit", turn(6, 11.4, 1032, 13.0), turn(7, 3.4, 181, 5.0), turn(9, 3.4, 1000, 5.0)),
    *both("others beyond their limit", turn(6, 11.4, 1033, 13.0), turn(7, 3.4, 182, 5.0), turn(9, 3.4, 1001, 5.0)),
    *both("an unplanned channel that moves with another", turn(12, 3.4, 1400, 4.0), put(18, 1, 3.5, 4.0)),
    *both("an unplanned channel moved no farther than noise", turn(12, 9.4, 1032, 11.0)),
    *both("unplanned channels that move alone", turn(12, 9.4, 1033, 11.0), turn(13, 9.0, 900, 11.0)),
    *one("one unplanned channel", put(15, 1033, 1.0, 1.1)),
    *both("four others at once", *(turn(channel, 11.4, 1100, 12.0) for channel in (1, 2, 6)), turn(3, 11.4, 400, 12)),
    *both("three others at once", *(turn(channel, 11.4, 1100, 12.0) for channel in (1, 6)), turn(3, 11.4, 400, 12.0)),
    *both("a companion at its share", turn(1, 11.4, 1073, 13.0), turn(2, 12.0, 990, 13.0)),
    *both("a companion beyond its share", turn(1, 11.4, 1074, 13.0)),
    *both("a companion that is no axis", turn(8, 11.4, 200, 13.0), put(17, 1, 12.0, 12.5),
          rig=planned("sustainer", planned("tow release", gimbal="right stick"), gimbal="right stick")),
    *one("no gimbals in the plan", turn(1, 11.4, 1010, 13.0), rig=planned("*", gimbal=None)),
    *both("noise at its limit", shake(5, 2, 0.9, 2.1), shake(3, 5, 0.9, 2.1)),
    *one("others that are noisy", shake(4, 9, 0.0, 13.5), shake(6, 2, 0, 15), turn(6, 11.4, 1036, 13.0)),
]  # fmt: skip

HANDS = [
    *both("hands before and after a step", turn(6, 14.3, 1100, 14.5, via_s=0.1), turn(6, 19.3, 1100, 19.5, via_s=0.1)),
    *one("hands in time before their step", note("done", 14.0), note("done", 18.5), turn(6, 14.2, 1500, 15.4),
         turn(1, 14.2, 1050, 14.6), turn(5, 19.0, 1050, 19.1, via_s=0.1)),
    *one("hands too early before their step", note("done", 13.0), note("done", 18.5), turn(6, 13.9, 1500, 15.4),
         turn(6, 19.6, 1100, 19.8), turn(5, 14.6, 1080, 14.7)),
    *one("a stick that springs back", note("done", 18.0), note("done", 10.0), put(6, 1104, 18.7, 18.9),
         put(6, 1107, 19.05, 19.07), put(3, 300, 10.3, 10.5), put(3, 240, 10.8, 10.9)),
    *one("a hand at its whole share", note("done", 10.2), note("done", 14.0), put(6, 1843, 14.3, 14.33),
         put(1, 1811, 10.5, 10.53), put(2, 173, 12.0, 12.03), rig=limited(hands_pct=100.0)),
    *one("a hand beyond its whole share", note("done", 10.2), note("done", 14.0), put(6, 1844, 14.3, 14.33),
         put(1, 1812, 10.5, 10.53), put(2, 172, 12.0, 12.03), rig=limited(hands_pct=100.0)),
    *both("a pause in a move", put(6, 1024, 15.7, 16.45), put(3, 173, 7.4, 8.3)),
    *both("a pause in the move of a motor", put(8, OFF, 28.1, 28.22), put(8, 1811, 28.9, 29.1),
          put(8, OFF, 29.1, 29.3)),
    *one("a motor that runs as its step is done", note("done", 30.0), put(8, OFF, 27.0, 30.0),
         put(8, 1811, 30.0, 30.1)),
    *bare("a run at the begin", turn(6, 0.0, 1300, 0.5), stay((6,), 15, 19)),
    *bare("a run after a loss", flag(DOWN, 14.8, 15.45), put(6, 1024, 14.8, 15.0)),
    *one("words for nothing", note("an unplugged adapter", 9.0), note("done", 1.0), note("rest", 0.5)),
    *one("words of a control after the end", note("rudder stick", 41.0)),
    *one("words of a control twice at once", note("rudder stick", 15.1), note("rudder stick", 15.1)),
    *one("words of a control twice", note("rudder stick", 15.0), note("Rudder Stick", 15.2)),
    *one("words only for motors", unnote("aileron stick", "flap lever", "elevator stick", "rudder stick",
                                       "gear switch", "release switch")),
    *one("words for all but motors", unnote("motor slider")),
    *one("words for all but motors, twice", unnote("motor slider"), turn(8, 20.0, 1811, 21.3)),
    *one("words for all but two", unnote("rudder stick", "flap lever")),
    *one("words for the loss alone", unnote("aileron stick", "flap lever", "elevator stick", "rudder stick",
                                          "gear switch", "release switch", "motor slider")),
]  # fmt: skip

LOSS = [
    *one("failsafe values at their limit", put(1, 1000, 34.0, 34.1), put(3, 165, 35.0), put(7, 1803, 36.0),
         put(8, 181, 36.0)),
    *one("failsafe values beyond their limit", put(1, 1000, 33.9), put(1, 1001, 34.0, 34.1), put(3, 165, 34.9),
         put(3, 164, 35.0), put(7, 1803, 35.9), put(7, 1802, 36.0), put(8, 181, 35.9), put(8, 182, 36.0),
         put(17, 0, 35.0)),
    *one("held at the limit while lost", put(1, 1410, 33.3), put(7, 1803, 33.4), put(8, 184, 33.5)),
    *one("not held while lost", put(1, 1410, 33.25), put(1, 1411, 33.3), put(7, 1803, 33.35), put(7, 1802, 33.4),
         put(8, 1394, 33.45), put(8, 1000, 33.5, 33.6), put(17, 0, 33.5)),
    *one("a lost frame elsewhere", flag(FLAG_LOST, 20.0), put(7, 1811, 20.0), flag(FLAG_LOST, 5.0, 5.1),
         put(1, 400, 5.0, 5.1)),
    *one("damaged just before it was lost", damage(19.985), put(1, 400, 19.985), flag(FLAG_LOST, 20.0)),
    *one("damaged just before failsafe", damage(19.985), put(7, 400, 19.985), flag(DOWN, 20.0)),
    *one("lost after a damaged frame at first", damage(0.0), flag(FLAG_LOST, 0.015, 0.5), put(6, 1500, 0.2)),
    *one("lost alone from the begin", flag(FLAG_LOST, 0.0, 0.5), put(8, 400, 0.2), put(3, 400, 0.3)),
    *one("held away from the begin", splice((31.7, END_S)), shift_note("controls held away", -0.02)),
    *bare("a control moved after the loss alone", splice((0, END_S), (0, 19.5)), stay((6,), 15.0, 19.0)),
    *one("lost from the second frame on", flag(FLAG_LOST, 0.015, 0.5), put(8, 400, 0.2)),
    *one("in failsafe from the second frame on", flag(DOWN, 0.015, 0.5), put(7, 1000, 0.2)),
    *one("lost in failsafe", unflag(FLAG_FAILSAFE, 35.0, 35.1), put(3, 1000, 35.0, 35.1)),
    *one("the flag down for some frames", unflag(DOWN, 35.0, 35.1), put(1, 1402, 35.0, 35.1),
         unflag(DOWN, 36.7, 36.8)),
    *one("the failsafe flag late", unflag(FLAG_FAILSAFE, 33.0, 34.69)),
    *one("the failsafe flag too late", unflag(FLAG_FAILSAFE, 33.0, 34.71)),
    *both("the failsafe flag never", unflag(FLAG_FAILSAFE, 33.0, 37.0), put(5, 500, 35.0, 35.2), put(1, 1000, 35.0),
          put(6, 1033, 36.0)),
    *one("no flag at all", unflag(DOWN, 33.0, 37.0)),
    *both("no flag and held", unflag(DOWN, 33.0, 37.0), stay(ALL, 33.0, 37.0)),
    *one("failsafe of half the round, then silence", silent(34.5, 36.81)),
    *both("silence at first", silent(33.2, 34.6), unflag(FLAG_FAILSAFE, 30.0, 34.6)),
    *both("silence all along", silent(33.2, 36.81)),
    *one("silence all along, as planned", silent(33.2, 36.81), rig=planned("*", failsafe="silence")),
    *one("no silence, though planned", rig=planned("*", failsafe="silence")),
    *one("silence after a damaged frame", silent(33.2, 36.81), damage(33.18), put(6, 400, 33.18), stay((6,), 36.9)),
    *one("silence of some planned", silent(33.2, 36.81), rig=planned("rudder", failsafe="silence")),
    *both("all hold", stay(ALL, 33.0, 38.0), rig=planned("*", failsafe="hold")),
    *one("none planned", rig=planned("*", failsafe=None)),
    *one("on and off planned", rig=planned("tow release", failsafe=100.0)),
    *one("off planned", put(17, 0, 33.8, 36.8), rig=planned("tow release", failsafe=-100.0)),
    *one("a value near the one before", rig=planned("rudder", failsafe=54.0)),
    *one("held where it was", put(1, 1402, 33.8, 36.8), put(8, 992, 33.8, 36.8)),
    *one("held near where it was", put(1, 1394, 33.8, 36.8), put(2, 1393, 33.8, 36.8)),
    *one("lost again at once", flag(FLAG_LOST, 37.0, 37.1)),
    *one("lost again at once for longer", flag(FLAG_LOST, 37.0, 37.12)),
    *one("the end soon after", splice((0, 37.2))),
    *one("the end at last", splice((0, 37.35))),
    *both("the end before", splice((0, 36.0))),
    *one("the end just after", splice((0, 36.83))),
    *one("switched off earlier", shift_note("transmitter off", -0.95)),
    *one("switched off too early", shift_note("transmitter off", -0.95), unflag(FLAG_FAILSAFE, 33, 34.6)),
    *one("switched off far too early", shift_note("transmitter off", -1.05), unflag(FLAG_FAILSAFE, 33, 34.6)),
    *one("switched off later", shift_note("transmitter off", 0.9)),
    *one("switched off at a late time", shift_note("transmitter off", 1.9)),
    *one("switched on earlier", shift_note("transmitter on", -1.9)),
    *one("switched on too early", shift_note("transmitter on", -2.1)),
    *one("switched on far too early", shift_note("transmitter on", -3.1)),
    *one("switched on later", shift_note("transmitter on", 0.9)),
    *one("switched on too late", shift_note("transmitter on", 1.2)),
    *one("silence after switching off", silent(33.2, 36.81), shift_note("transmitter off", -0.9)),
    *one("silence late after switching off", silent(34.9, 36.81), unflag(DOWN, 33.0, 36.81)),
    *both("two losses", flag(DOWN, 1.0, 2.5)),
    *both("a long loss at first", flag(DOWN, 0.0, 2.5)),
    *both("lost from the begin", flag(DOWN, 0.0, 0.5), put(8, 400, 0.2), put(6, 1500, 0.1)),
    *both("damaged without link", damage(33.5), put(1, 400, 33.5), damage(35.0), put(1, 400, 35.0), damage(36.81)),
    *bare("damaged before all is lost", damage(0.0), flag(DOWN, 0.015, 2.5), put(7, 1000, 1.0, 1.1), base=SHORT),
    *one("held away for a while only", unnote("controls held away")),
    *one("switched off without words", unnote("transmitter off", "transmitter on")),
    *one("switched on without words", unnote("transmitter on", "controls let go")),
    *one("held too late", shift_note("controls held away", 1.0)),
    *one("a short limit of outages", silent(35.0, 35.075), rig=limited(outage_s=0.05)),
    *one("a pause in failsafe", silent(35.0, 35.09)),
    *one("a longer pause in failsafe", silent(35.0, 35.105)),
]  # fmt: skip

BACK = [
    *one("back at the limit of a hand", put(6, 1555, 37.2, 38.9), put(5, 1280, 37.2, 38.9)),
    *one("back beyond the limit of a hand", put(6, 1556, 37.2, 38.9), put(5, 1279, 37.2, 38.9)),
    *one("on its way back as far as a hand may be", put(6, 1555, 36.9), put(5, 911, 36.9), put(3, 92, 36.9)),
    *one("on its way back farther", put(6, 1557, 36.9), put(5, 909, 36.9), put(3, 90, 36.9), put(17, 0, 36.9)),
    *both("stuck in failsafe", put(6, 1024, 36.8, END_S), put(3, 173, 36.8, END_S), put(7, 1811, 36.8, END_S)),
    *one("stuck after another value in the last good frame", put(6, 1400, 33.2), put(6, 1024, 36.8, END_S)),
    *one("stuck in failsafe that is not its rest", put(6, 700, 33.81, END_S),
          rig=planned("rudder", failsafe=-39.6)),
    *one("stuck near failsafe that is not its rest", put(6, 700, 33.81, 36.81), put(6, 708, 36.81, END_S),
          rig=planned("rudder", failsafe=-39.6)),
    *one("stuck beside failsafe that is not its rest", put(6, 700, 33.81, 36.81), put(6, 709, 36.81, END_S),
          rig=planned("rudder", failsafe=-39.6)),
    *one("stuck in failsafe as near to its rest as a rest is", put(6, 1032, 33.81, END_S)),
    *one("stuck in failsafe beside its rest", put(6, 1033, 33.81, END_S), rig=planned("rudder", failsafe=1.1)),
    *one("stuck in failsafe for a while", put(6, 700, 33.81, 37.9), rig=planned("rudder", failsafe=-39.6)),
    *both("back at rest at once", put(6, 1032, 37.2, END_S), put(3, 181, 37.2, END_S)),
    *one("back at rest at once, not quite", put(6, 1033, 37.2, END_S), put(3, 182, 37.2, END_S)),
    *one("away for long when let go", put(6, 1300, 38.8, END_S), put(5, 1200, 38.8, 40.2)),
    *one("away for a while when let go", put(6, 1100, 38.8, 40.2), put(5, 1100, 37.5, 38.9)),
    *one("away for too long when let go", put(6, 1200, 38.6, 40.2), put(5, 1100, 38.6, 40.2)),
    *both("never let go", stay((1, 2, 3, 4, 5, 6, 7, 17), 36.9)),
    *one("held where failsafe is", *HELD),
    *one("held as near to its rest as noise", put(6, 1064, 31.6, END_S)),
    *one("held farther from its rest than noise", put(6, 1065, 31.6, END_S)),
    *one("held where failsafe is, moved as far as noise", *HELD, put(6, 1064, 39.2, 39.5)),
    *one("held where failsafe is, moved farther", *HELD, put(6, 1065, 39.2, 39.5)),
    *one("held where failsafe is and not let go", stay((1,), 33.0), rig=planned("left aileron", failsafe=50.06)),
    *one("a motor at its limit when back", put(8, 181, 37.0), put(8, 165, 38.0)),
    *one("a motor beyond its limit when back", put(8, 181, 36.9), put(8, 182, 37.0), put(8, 164, 38.0)),
    *one("a motor on until after the link is back", put(8, 992, 36.5, 37.4)),
    *one("a rest elsewhere when back", add(6, 20)),
    *one("beside a rest at its limit when back", add(6, 8), put(6, 700, 33.8, 36.81), put(6, 1040, 37.2, END_S),
         rig=planned("rudder", failsafe=-39.6)),
    *one("still on its way when it should be back", put(6, 1250, 37.0, 37.6), put(6, 1024, 37.6, END_S)),
    *one("back at the whole share of a hand", put(6, 205, 36.9), put(6, 655, 37.2, 38.9), put(3, 500, 31.7, 33.8),
         put(3, 500, 36.81, 38.8), put(3, 1319, 36.9), rig=limited(hands_pct=100.0)),
    *one("back beyond the whole share of a hand", put(6, 654, 37.2, 38.9), rig=limited(hands_pct=100.0)),
    *one("repeated, but stuck, and as far away as noise", put(6, 1024, 36.8, 60.0), put(6, 1064, 47.6, 47.8),
         base=REPEATED),
    *one("a step after the link is back", note("rudder stick", 39.2)),
    *one("repeated from the controls on", *REPEATED),
    *one("repeated, with a motor that ran", put(8, 1000, 34.0), put(8, 1000, 39.5), put(8, 1000, 33.5),
         put(6, 1500, 34.0), put(6, 400, 33.4), put(6, 700, 39.9), base=REPEATED),
    *one("repeated, but stuck the first time", put(6, 1024, 36.8, END_S), base=REPEATED),
    *one("repeated, but stuck", put(6, 1024, 36.8, 60.0), base=REPEATED),
    *one("repeated, but not held away the second time", put(6, 1024, 40.2, 60.0), base=REPEATED),
    *one("repeated, but never moved", stay((6,), 0.0), base=REPEATED),
    *one("repeated without flags the first time", unflag(DOWN, 33.0, 37.0), base=REPEATED),
    *one("repeated, switching on only", splice((0, END_S), (36.8, END_S))),
    *one("a control repeated", splice((0, 6.8), (2.8, END_S)), put(5, 1100, 4.0), put(1, 1001, 6.7),
         put(3, 400, 6.7), put(8, 182, 4.0)),
    *one("a control repeated at last", splice((0, END_S), (15.1, 19.2))),
]  # fmt: skip

POWER = [
    *one("powered up", *POWERED),
    *one("powered up without a clock", clockless, base=POWERED),
    *powered("powered up, the values at their limit", put(1, 1000, 42.5), put(3, 181, 42.5), put(8, 165, 42.6),
             put(6, 1032, 45.0)),
    *powered("powered up, the values beyond their limit", put(1, 1000, 42.45), put(1, 1001, 42.5), put(3, 181, 42.45),
             put(3, 182, 42.5), put(8, 165, 42.55), put(8, 164, 42.6), put(6, 1032, 44.95), put(6, 1033, 45.0),
             put(17, 1, 42.7), put(7, 1000, 43.0), put(4, 992, 43.0)),
    *powered("powered up, a channel that holds in the middle", put(7, 1001, 43.0)),
    *powered("powered up, the motor on after the link", put(8, 182, 45.0), put(5, 1001, 44.9)),
    *powered("powered up on its way", put(6, 1500, 44.4, 44.9), put(5, 1500, 44.4, 44.8)),
    *powered("powered up without flags", unflag(DOWN, 42.5, 42.55), unflag(DOWN, 43.0)),
    *powered("powered up without flags just before the link", unflag(DOWN, 44.0, 44.05), unflag(DOWN, 42.65)),
    *powered("powered up before the words", shift_note("receiver on", 0.9)),
    *powered("powered up long before the words", shift_note("receiver on", 1.1)),
    *powered("powered up after the words", shift_note("receiver on", -0.9)),
    *powered("powered up and never linked", flag(DOWN, 44.3, 60.0)),
    *powered("powered up with the transmitter on later", shift_note("transmitter on after the receiver", 1.5)),
    *powered("powered up without the last words", unnote("transmitter on after the receiver")),
    *powered("powered up, then a control", note("rudder stick", 45.4), put(6, 1500, 45.6, 45.9)),
    *powered("powered up after a short silence", stay(range(1, 9), 40.2, 42.4), put(17, 0, 40.2, 42.4)),
    *powered("powered up, damaged", damage(42.6), put(1, 1500, 42.6), damage(45.0), put(6, 1500, 45.0)),
    *powered("powered up at other values", put(6, 1400, 42.3, 43.0), put(17, 1, 42.3, 43.0), put(7, 992, 42.3, 43.0),
             put(5, 1300, 42.3, 42.7), rig=planned("rudder", planned("tow release", failsafe=100.0), failsafe=45.9)),
    *powered("powered up, twice", splice((0, 46.32), (40.32, 46.32)), put(8, 1000, 43.0), put(6, 1500, 43.0)),
    *bare("powered up at first", *POWERED_FIRST),
    *both("powered up at first, with wrong values", put(6, 1500, 0.5), put(8, 182, 0.6), put(3, 200, 2.6, 2.9),
          base=POWERED_FIRST),
    *one("powered up at first, by the words", note("receiver on", 0.1), note("transmitter on after the receiver", 1.0),
         base=POWERED_FIRST),
    *bare("powered up and never linked at all", splice((34.0, 36.0))),
]  # fmt: skip

PLANS = [
    *engine("an engine at its limit", 9, put(9, 181, 5.0), put(8, 345, 5.5), put(8, 329, 6.0)),
    *engine("an engine beyond its limit", 9, put(9, 182, 5.0), put(9, 1811, 39.0), put(8, 346, 5.5), put(8, 328, 42.0)),
    *engine("an engine cut by a flag", 18, put(18, 1, 5.0), put(18, 1, 39.0), put(18, 1, 42.5)),
    *one("a shared channel", rig=planned("right aileron", channel=1, control=None, group="ailerons")),
    *one("channels out of the frame", rig=planned("rudder", planned("gear", channel=0), channel=19)),
    *one("without a clock", clockless),
    *one("without a clock, beside the plan", put(6, 1033, 1.0), turn(7, 11.3, 600, 13.0), put(8, 1000, 35.0, 35.1),
         put(8, 182, 37.5), unflag(DOWN, 35.0), silent(16.0, 16.2), base=CLOCKLESS),
    *one("without a clock, the end before", splice((0, 36.0)), base=CLOCKLESS),
    *both("a clock that goes back", set_back(20.0, 3.0), put(6, 1033, 1.0), put(8, 1000, 35.0)),
    *one("few frames", splice((0, 7.48))),
    *one("just enough frames", splice((0, 7.51))),
    *one("a rest of two seconds", splice((0, 2.01))),
    *one("a rest of less than two seconds", splice((0, 1.99))),
    *one("another period", rig=limited(period_ms=15.15)),
    *one("another period, too far", rig=limited(period_ms=15.16)),
    *one("silent for a moment", silent(40.0, 40.095)),
    *one("silent for too long", silent(40.0, 40.11)),
    *one("some lost", *(flag(FLAG_LOST, 20.0 + 0.3 * part) for part in range(16))),
    *one("some more lost", *(flag(FLAG_LOST, 20.0 + 0.3 * part) for part in range(40))),
    *one("two frames lost together", flag(FLAG_LOST, 20.0, 20.03)),
    *one("as many lost as may be", *(flag(FLAG_LOST, 5.0 + 0.2 * part) for part in range(122)),
         rig=limited(loss_pct=5.0)),
    *one("some damaged", *(damage(20.0 + 0.3 * part) for part in range(16))),
    *one("flagged failsafe for a frame", flag(DOWN, 20.0)),
]  # fmt: skip

CASES: list[Case] = [
    *(dataclasses.replace(case, has_line=False) for case in (*REST, *ENDS, *ALONE, *HANDS, *BACK)),
    *LOSS, *POWER, *PLANS,
]  # fmt: skip
