"""Motors and engines: where their channels must rest, and which failsafe is allowed.

An electric motor is off at one end of its channel. An engine idles near that end, and its ignition kill
is a separate device or a hand switch. Percentages are as sent: `reversed` says how a device is
set and does not invert them, so a plan must state where a reversed motor is off.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import Literal

from busbench.rig.model import Device, Rig
from busbench.rig.travel import level_sent
from busbench.wire.frame_spec import ALL_CHANNELS, CHANNELS, COUNTS_MAX
from busbench.wire.scale import Scale

OFF_SHARE = 0.9  # of the travel: nearer to neutral than this, an electric motor may turn; common practice, no source
IDLE_SHARE = 0.3  # of the travel: nearer to neutral than this is no idle; common practice, no source
_IDLE_ROUND_PCT = 0.5  # smaller differences are rounding

_WORDS = re.compile(
    r"(?<![^\W\d_])(motors?|engines?|throttles?|esc|props?|propell?ers?|turbines?|sustainer|speed controllers?)"
    r"(?![^\W\d_])",
    re.IGNORECASE,
)


MotorKind = Literal["electric", "engine", "kill"]


@dataclass(frozen=True, slots=True)
class MotorRest:
    """The required rest of the channel of a motor, engine or ignition kill."""

    name: str
    channel: int  # 0-17
    kind: MotorKind  # "electric", "engine", or "kill" for an ignition kill
    # as sent, counts, or 0 and 1 on channels 17 and 18; None if the plan does not state it or
    # contradicts itself
    rest: int | None
    # min and max value allowed in failsafe, in the same unit; None if unknown
    failsafe: tuple[int, int] | None


def motor_rests(rig: Rig) -> tuple[MotorRest, ...]:
    """The required rest of each motor, engine and ignition kill.

    Returns:
        One per such device on a channel of the frame, in the order of the file; several may share a channel.
    """
    kills = kill_names(rig)
    return tuple(
        _rest_of(device, rig.scale)
        for device in rig.driven
        if (device.motor_kind or device.name in kills) and device.channel in range(1, ALL_CHANNELS + 1)
    )


def _rest_of(device: Device, scale: Scale) -> MotorRest:
    channel = device.channel or 0
    top = 1 if channel > CHANNELS else COUNTS_MAX
    pct = motor_rest_pct(device) if device.motor_kind else kill_rest_pct(device)
    rest = None if pct is None else level_sent(device, pct, scale)
    if not device.motor_kind:
        return MotorRest(device.name, channel - 1, "kill", rest, _killing(device, rest, top))
    sign, most_pct = off_sign(device), failsafe_most_pct(device)
    if sign is None or most_pct is None:
        return MotorRest(device.name, channel - 1, device.motor_kind, rest, None)
    most = level_sent(device, most_pct, scale)
    return MotorRest(device.name, channel - 1, device.motor_kind, rest, (0, most) if sign < 0 else (most, top))


def _killing(device: Device, rest: int | None, top: int) -> tuple[int, int] | None:
    """The range in which an ignition is off: from the stated position to the end."""
    pct = kill_rest_pct(device)
    if rest is None or pct is None:
        return None
    return (0 if pct < 0 else rest, top if pct > 0 else rest)


def says_motor(device: Device) -> bool:
    """True if a device's name or control suggests a motor or engine."""
    return any(_WORDS.search(text) for text in (device.name, device.control) if text)


def is_unstated(device: Device) -> bool:
    """True if the plan must say whether a device can turn a propeller before anything is driven."""
    return device.motor is None and (device.kind == "off-bus" or says_motor(device))


def unstated_motors(rig: Rig) -> tuple[str, ...]:
    """Names of the devices for which the plan must still say so."""
    return tuple(device.name for device in rig.driven if is_unstated(device))


def kill_names(rig: Rig) -> frozenset[str]:
    """The ignition kills named in the plan: devices of the plan, or hand switches."""
    return frozenset(d.ignition_kill for d in rig.driven if d.motor_kind == "engine" and d.ignition_kill is not None)


def off_sign(device: Device) -> int | None:
    """The end of the channel at which a motor is off or an engine closed: -1 low, 1 high.

    It is the low end unless the device is reversed; then only rest_pct, or idle_pct of an engine, states it.

    Returns:
        None if the plan does not state it.
    """
    if not device.reversed:
        return -1
    stated = device.idle_pct if device.rest_pct is None else device.rest_pct
    return int(math.copysign(1, stated)) if stated else None


def motor_rest_pct(device: Device) -> float | None:
    """The required rest of a motor's or engine's channel, in percent as sent; None if unknown."""
    sign = off_sign(device)
    if sign is None:
        return None
    if device.motor_kind == "engine":
        pct = device.idle_pct if device.rest_pct is None else device.rest_pct
    else:
        pct = sign * travel_of(device) if device.rest_pct is None else device.rest_pct
    return pct if pct is not None and not may_run(device, pct) else None


def failsafe_most_pct(device: Device) -> float | None:
    """The failsafe limit: idle for an engine, just off for an electric motor."""
    sign = off_sign(device)
    if sign is None:
        return None
    if device.motor_kind == "engine":
        return device.idle_pct if is_idle(device) else None
    return sign * OFF_SHARE * travel_of(device)


def kill_rest_pct(device: Device) -> float | None:
    """The position at which an ignition kill acts: its rest_pct; low for an unreversed on/off channel."""
    if device.rest_pct is not None:
        return device.rest_pct
    return -100.0 if (device.channel or 0) > CHANNELS and not device.reversed else None


def may_run(device: Device, position: float | str) -> bool:
    """True if a motor may run, or an engine run above idle, at a position in percent, held or released."""
    most_pct, sign = failsafe_most_pct(device), off_sign(device)
    if not isinstance(position, float) or most_pct is None or sign is None:
        return True
    return position * sign < most_pct * sign - (_IDLE_ROUND_PCT if device.motor_kind == "engine" else 1e-9)


def is_idle(device: Device) -> bool:
    """True if an engine's idle_pct is plausible: near the closed end."""
    sign, idle = off_sign(device), device.idle_pct
    return sign is not None and idle is not None and IDLE_SHARE * travel_of(device) <= idle * sign <= travel_of(device)


def travel_of(device: Device) -> float:
    """Percent from neutral to the endpoints of its channel."""
    return 100.0 if (device.channel or 0) > CHANNELS else device.travel_pct
