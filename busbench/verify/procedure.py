"""The test sequence of a guided check, step by step."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from busbench.rig.direction import directions_of
from busbench.rig.finding import listed
from busbench.rig.model import Device, Rig
from busbench.verify.inputs import ChannelPlan, channel_plans
from busbench.verify.windows import AWAY_MARK, LET_GO_MARK, LINK_MARK, OFF_MARK, ON_MARK, POWER_MARK, REST_MARK


@dataclass(frozen=True, slots=True)
class TestStep:
    """One step of the test sequence."""

    mark: str  # annotation at its start; for a control, its name
    instruction: str  # what to do, in one or two sentences
    least_s: float  # min duration
    channels: tuple[int, ...] = ()  # its channels, 1-18
    is_optional: bool = False  # True if it is optional


def round_of(rig: Rig) -> tuple[TestStep, ...]:
    """The steps of a test sequence: rest, each control in the order of the file, transmitter off and on."""
    channels = channel_plans(rig)
    steps = [TestStep(REST_MARK, "Leave all controls alone.", 4.0)]
    for control in dict.fromkeys(mapped.control for mapped in channels):
        own = [mapped for mapped in channels if mapped.control == control]
        steps.append(TestStep(control, _move(control, own), 1.0, tuple(mapped.channel for mapped in own)))
    off = _motor_off(channels)
    return (
        *steps,
        TestStep(AWAY_MARK, _hold_away(channels), 1.0),
        TestStep(OFF_MARK, "Hold on, and switch the transmitter off as you go on from here.", 4.0),
        TestStep(ON_MARK, f"{off}Hold all else as it is, and switch the transmitter on as you go on from here.", 4.0),
        TestStep(LET_GO_MARK, "When the link is back, let go of all controls; put levers and switches to rest.",
             2.0),
        TestStep(POWER_MARK, "Optional: switch the transmitter off, then the receiver. Switch the receiver on as you go"
             " on from here.", 4.0, is_optional=True),
        TestStep(LINK_MARK, "Optional: leave all controls alone, and switch the transmitter on as you go on from here.",
             4.0, is_optional=True),
    )  # fmt: skip


def _motor_off(channels: Sequence[ChannelPlan]) -> str:
    motors = dict.fromkeys(f'"{one.control}"' for one in channels if one.must_rest)
    off = " (ignition off)" if any(one.motor_kind == "kill" for one in channels) else ""
    return f"Put {listed(motors)} to rest{off} now. " if motors else ""


def _hold_away(channels: Sequence[ChannelPlan]) -> str:
    """Channels that hold must be away from rest, since a failsafe value may equal the rest."""
    holding = dict.fromkeys(f'"{one.control}"' for one in channels if one.devices[0].failsafe == "hold")
    away = f", and {listed(holding)} away from rest" if holding else ""
    return f"Push every control against an end, away from its failsafe position{away} (propeller off!), and hold it."


def _move(control: str, own: list[ChannelPlan]) -> str:
    where = own[0].devices[0].high_when
    first = f'to "{where}"' if where else "to one end"
    if own[0].rest_side:
        way = f"{first}, hold, and back to where it rests"
        if own[0].rest_side > 0:
            way = "to its other end, hold, and back to where it rests"
    else:
        way = f"{first}, hold, to the other end, hold, then let go"
    moved = ", ".join(
        f"{mapped.channel} {device.name}{_to(device, mapped)}" for mapped in own for device in mapped.devices
    )
    return f'Move "{control}" {way}. It should move {moved}, and nothing else.'


def _to(device: Device, mapped: ChannelPlan) -> str:
    """The first direction of a surface, if the plan states it."""
    if device.above_neutral is None or device.high_when is None:
        return ""
    return f" {directions_of(device).of(is_high=mapped.rest_side <= 0)}"
