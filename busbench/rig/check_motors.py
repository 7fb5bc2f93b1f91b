"""Checks of everything that can turn a propeller: electric motors, engines, and ignition kills."""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterator, Mapping

from busbench.rig.check_devices import failsafe_text, free_channels
from busbench.rig.finding import Finding, fault, hint, listed
from busbench.rig.model import Device, Rig
from busbench.rig.motors import (
    MotorRest,
    failsafe_most_pct,
    is_idle,
    is_unstated,
    kill_names,
    kill_rest_pct,
    may_run,
    motor_rests,
    off_sign,
    says_motor,
)
from busbench.rig.travel import level_sent
from busbench.wire.frame_spec import CHANNELS

_NAMES_COMPARED = 200  # keeps long plans fast
_FULL_WORDS = re.compile(r"\b(full|max|maximum|open|run|running|power)\b", re.I)
_OFF_WORDS = re.compile(r"\b(off|stop|stopped|closed|cut|idle|min|minimum)\b", re.I)


def check_motors(rig: Rig) -> Iterator[Finding]:
    """Check everything that can turn a propeller."""
    by_name = {device.name: device for device in reversed(rig.devices)}
    free = free_channels(rig)
    unlike: dict[int | None, list[str]] = {}  # devices other than motors, by channel
    for device in rig.driven:
        if not device.motor_kind:
            unlike.setdefault(device.channel, []).append(device.name)
    for device in rig.driven:
        if not device.motor_kind:
            yield from _no_motor(device)
            continue
        if device.motor_kind == "engine":
            yield from _engine(device, by_name)
        elif device.idle_pct is not None or device.ignition_kill is not None:
            yield fault(
                device.name,
                f"an electric motor with {'idle_pct' if device.idle_pct is not None else 'ignition_kill'}",
                "an electric motor that idles turns the propeller, and has no ignition to kill",
                'state motor = "engine" if it is one, or leave the key out',
            )
        yield from _ends(device)
        if off_sign(device) is not None:
            yield from _rest(device)
            yield from _failsafe(device)
        if device.channel is not None and device.channel in unlike:
            yield _shared(device, unlike[device.channel], free)
    kills = kill_names(rig)
    for rest in motor_rests(rig):
        if rest.kind == "kill":
            others = [name for name in unlike.get(rest.channel + 1, ()) if name not in kills]
            yield from _kill(by_name[rest.name], rest, others, rig)
    yield from _apart(rig)


def _kill(device: Device, rest: MotorRest, others: list[str], rig: Rig) -> Iterator[Finding]:
    """Check the ignition kill, and what else is on its channel."""
    if others:
        yield fault(
            device.name,
            f"the ignition kill shares channel {device.channel} with {listed(others)}",
            "moving that device turns the ignition on",
            f"give the ignition kill a channel of its own: {free_channels(rig)}",
        )
    said = device.when_silent if device.failsafe == "silence" and device.kind == "servo" else device.failsafe
    if rest.failsafe is None or not isinstance(said, float):
        return
    low, high = rest.failsafe
    if not low <= level_sent(device, said, rig.scale) <= high:
        pct = kill_rest_pct(device)
        yield fault(
            device.name,
            f"without a link the ignition kill goes to {said:g} %, and it kills the ignition at {pct:g} %",
            "the ignition is on, and the engine may start or run on",
            f"set it to {pct:g} %, and state that",
        )


def _no_motor(device: Device) -> Iterator[Finding]:
    if is_unstated(device):
        by_words = says_motor(device)
        yield (fault if by_words else hint)(
            device.name,
            "its name or control speaks of a motor, but the key motor is missing"
            if by_words
            else "it is a PWM device, and whether it can turn a propeller is not stated",
            "it is not locked, and a propeller may start on the bench: drive and walk send nothing to a port",
            'state motor = "electric" or "engine" if it can turn a propeller, motor = false if it cannot',
        )
    if device.idle_pct is not None or device.ignition_kill is not None:
        yield fault(
            device.name,
            f"{'idle_pct' if device.idle_pct is not None else 'ignition_kill'} is stated, but no engine",
            "it is not locked, and an engine may start on the bench",
            'state motor = "engine", or leave the key out',
        )


def _ends(device: Device) -> Iterator[Finding]:
    """Check which end of the channel is off."""
    sign = off_sign(device)
    if sign is None:
        key, word = ("idle_pct", "idles") if device.motor_kind == "engine" else ("rest_pct", "is off")
        yield fault(
            device.name,
            f"it is reversed, and the plan does not state what goes on the wire while it {word}",
            "either end may be the one where it stops; held at the other it runs at full",
            f"measure it with the propeller off, and state {key} as sent, such as -100 or 100",
        )
        return
    words = device.high_when or ""
    meant = _OFF_WORDS if sign < 0 else _FULL_WORDS
    other = _FULL_WORDS if sign < 0 else _OFF_WORDS
    if meant.search(words) and not other.search(words):
        yield fault(
            device.name,
            f'high_when is "{words}", but it stops at the {"low" if sign < 0 else "high"} end of its channel',
            "one of the two is wrong, and the motor runs at full where it is held to be off",
            "measure it with the propeller off; state reversed and rest_pct, or correct high_when",
        )


def _engine(device: Device, by_name: Mapping[str, Device]) -> Iterator[Finding]:
    if device.idle_pct is None:
        yield fault(
            device.name,
            "an engine without idle_pct",
            "where it idles is not known, so neither its rest nor its failsafe can be checked",
            "state idle_pct, the position of its channel at idle as sent, such as -85",
        )
    elif off_sign(device) is not None and not is_idle(device):
        yield fault(
            device.name,
            f"idle_pct {device.idle_pct:g} % is not near the end at which the engine is closed",
            "the engine runs up where it is held to idle",
            "correct idle_pct; if its channel is high at idle, state reversed = true and the idle_pct as sent",
        )
    if device.ignition_kill is None:
        yield fault(
            device.name,
            "what kills its ignition is not stated",
            "a throttle at idle does not stop an engine, on the bench or without a link",
            "state ignition_kill: the name of the device on a channel of its own, or of the switch by hand",
        )
        return
    kill = by_name.get(device.ignition_kill)
    if kill is None:  # a hand switch, unless it is a misspelled device name
        others = [name for name in by_name if name != device.name][:_NAMES_COMPARED]
        for near in difflib.get_close_matches(device.ignition_kill, others, n=1, cutoff=0.8):
            yield fault(
                device.name,
                f'its ignition_kill "{device.ignition_kill}" names no device, but is close to {near}',
                f"if {near} is meant, it is not locked, and the engine may start on the bench",
                f'write "{near}", or give a switch by hand another name',
            )
        return
    what = ""
    if kill.kind == "sensor" or kill.motor_kind:
        what = "is a sensor" if kill.kind == "sensor" else "can turn a propeller itself"
    elif kill.channel == device.channel:
        what = f"is on channel {kill.channel} with the throttle"
    elif kill_rest_pct(kill) is None:
        what = "does not state rest_pct, where it kills the ignition"
    if what:
        yield fault(
            device.name,
            f"its ignition_kill {kill.name} {what}",
            "nothing keeps the engine from starting on the bench",
            "name a device on a channel of its own, with rest_pct where the ignition is off, or a switch by hand",
        )


def _rest(device: Device) -> Iterator[Finding]:
    if device.rest_pct is not None and may_run(device, device.rest_pct):
        if device.motor_kind == "engine" and failsafe_most_pct(device) is None:
            return  # its idle is not known, and that is reported
        not_what = "which is above idle" if device.motor_kind == "engine" else "which is not off"
        yield fault(
            device.name,
            f"the {_word(device)} rests at {device.rest_pct:g} %, {not_what}",
            "it runs as soon as it has power, with no hand on the control",
            f"state rest_pct = {_safe_pct(device):g}, or leave it out",
        )


def _failsafe(device: Device) -> Iterator[Finding]:
    word, said = _word(device), device.failsafe
    if device.motor_kind == "engine" and failsafe_most_pct(device) is None and isinstance(said, float):
        return  # its idle is not known, and that is reported
    if said != "silence" and (said is None or may_run(device, said)):
        not_what = "is above idle" if word == "engine" else "is not off"
        what, effect = (
            (f"{'an' if word == 'engine' else 'a'} {word} without a stated failsafe", f"the {word} may go on running")
            if said is None
            else (f"the {word}'s failsafe is to hold", f"the {word} goes on as it ran last")
            if said == "hold"
            else (f"the {word}'s failsafe is {said:g} %, which {not_what}", f"the {word} runs")
        )
        advice = f"set the receiver to {_safe_pct(device):g} % or to silence for it, and state it"
        yield fault(device.name, what, f"without a link {effect}", advice)
    if said == "silence" and device.kind == "servo" and may_run(device, device.when_silent):
        yield fault(
            device.name,
            f"without a link the bus falls silent, and when_silent is {failsafe_text(device.when_silent)}",
            f"the throttle stays as it was, and the {word} goes on",
            f"set the device to {_safe_pct(device):g} % when frames stop, or the receiver's failsafe, and state it",
        )


def _word(device: Device) -> str:
    return "engine" if device.motor_kind == "engine" else "motor"


def _safe_pct(device: Device) -> float:
    """The right failsafe: idle for an engine, the off end for a motor."""
    if device.motor_kind == "engine" and device.idle_pct is not None:
        return device.idle_pct
    return 100.0 * (off_sign(device) or -1)


def _shared(device: Device, others: list[str], free: str) -> Finding:
    return fault(
        device.name,
        f"the {_word(device)} shares channel {device.channel} with {listed(others)}",
        "moving that device starts the motor",
        f"give the {_word(device)} a channel of its own: {free}",
    )


def _apart(rig: Rig) -> Iterator[Finding]:
    """Check motors on one channel for different rests."""
    by_channel: dict[int, dict[str, int | None]] = {}
    for rest in motor_rests(rig):
        by_channel.setdefault(rest.channel, {})[rest.name] = rest.rest
    for channel, rests in by_channel.items():
        if len(set(rests.values()) - {None}) > 1:
            states = ("off", "on")
            words = (
                f"{'not known' if at is None else states[at] if channel >= CHANNELS else at}" for at in rests.values()
            )
            yield fault(
                listed(rests),
                f"they share channel {channel + 1} and rest at different places: {listed(words)}",
                "where one of them is off, the other runs",
                "give each a channel of its own, or the same rest_pct",
            )
