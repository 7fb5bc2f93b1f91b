"""Checks of devices against their channels, groups, ends and linkages."""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterator

import numpy as np

from busbench.rig.ends import ends_of
from busbench.rig.finding import Finding, fault, hint, listed
from busbench.rig.linkage import has_linkage, surface_deg
from busbench.rig.model import Device, Rig
from busbench.wire.bulk import CHANNELS, COUNTS_MAX

CHANNELS_ALL = CHANNELS + 2
MOTOR_WORDS = re.compile(r"\b(motors?|engines?|throttle|propell?ers?|turbines?|sustainer|speed controller)\b", re.I)
NEUTRAL_FAR_US = 60.0
THROW_APART_DEG = 2.0


def check_channels(rig: Rig) -> Iterator[Finding]:
    """Channels that are missing or not in the frame."""
    for device in rig.driven:
        if device.channel is None:
            yield fault(
                device.name,
                "no channel is stated",
                "it obeys whatever channel it was set to before",
                f"state its channel, 1-{CHANNELS_ALL}",
            )
        elif not 1 <= device.channel <= CHANNELS_ALL:
            yield fault(
                device.name,
                f"channel {device.channel} is not in the frame, which has channels 1-{CHANNELS_ALL}",
                "it never moves",
                "give it a free channel: " + _free(rig),
            )
        elif device.channel > CHANNELS and isinstance(device.failsafe, float) and abs(device.failsafe) != 100:
            yield fault(
                device.name,
                f"failsafe {device.failsafe:g} % on channel {device.channel}, which has two states only",
                "the receiver can send only one end or the other",
                "state -100 or 100, or use one of the channels 1-16",
            )


def _free(rig: Rig) -> str:
    used = {device.channel for device in rig.devices}
    return listed(str(channel) for channel in range(1, CHANNELS_ALL + 1) if channel not in used) or "none is left"


def check_shared(rig: Rig) -> Iterator[Finding]:
    """Two devices on one channel outside a group."""
    by_channel: dict[int, list[Device]] = {}
    for device in rig.driven:
        if device.channel is not None:
            by_channel.setdefault(device.channel, []).append(device)
    for channel, devices in by_channel.items():
        if len(devices) > 1 and (len({d.group for d in devices}) > 1 or devices[0].group is None):
            yield fault(
                listed(d.name for d in devices),
                f"all on channel {channel} and not in one group",
                "they move together whenever one of them is meant to",
                f"give them channels of their own (free: {_free(rig)}), or one group where they shall move together",
            )


def _groups(rig: Rig) -> dict[str, list[Device]]:
    groups: dict[str, list[Device]] = {}
    for device in rig.driven:
        if device.group is not None:
            groups.setdefault(device.group, []).append(device)
    return groups


def check_groups(rig: Rig) -> Iterator[Finding]:
    """Members of a group that would not move alike."""
    groups = _groups(rig)
    for name, members in groups.items():
        who = listed(d.name for d in members)
        if len(members) == 1:
            near = difflib.get_close_matches(name, [other for other in groups if other != name], n=1)
            meant = f'did you mean "{near[0]}"? ' if near else ""
            yield hint(
                who,
                f'it is alone in the group "{name}"',
                "its partner is not held against it",
                f"{meant}Give the partner the same group, or leave the group out",
            )
            continue
        yield from _directions(members)
        for what, values in (
            ("travel_pct", [d.travel_pct for d in members]),
            ("neutral_us", [ends_of(d, rig.scale).neutral_us for d in members]),
            ("speed_s_per_60deg", [d.speed_s_per_60deg for d in members]),
        ):
            if len(set(values)) > 1:
                yield hint(
                    who,
                    f"they differ in {what}: {listed('not stated' if v is None else f'{v:g}' for v in values)}",
                    "the surfaces part on the way or at the ends; two devices on one surface work against each other",
                    "make the values equal, or level the surfaces at the linkage",
                )
        if len({d.failsafe for d in members}) > 1:
            yield fault(
                who,
                "they differ in failsafe: "
                + listed("not stated" if d.failsafe is None else failsafe_text(d.failsafe) for d in members),
                "without a link the aircraft rolls or yaws of its own accord",
                "state one failsafe for the whole group and set the receiver so",
            )


def _directions(members: list[Device]) -> Iterator[Finding]:
    """Every member must turn its surface the same way for the same command."""
    ways = [d.reversed != (d.mounting == "mirrored") for d in members]
    if len(set(ways)) == 1:
        return
    who = listed(d.name for d in members)
    mirrored = [d for d in members if d.mounting == "mirrored"]
    turned = [d for d in members if d.reversed]
    if len(members) == 2 and len(mirrored) == 1 and len(turned) != 1:
        what = "a mirrored pair of which " + ("both are reversed" if turned else "neither is reversed")
    else:
        what = "not all of the group turn their surface the same way"
    yield fault(
        who,
        what,
        "their surfaces move against each other; two devices on one surface fight until one burns",
        "reverse the mirrored one and only that one, in the device, and state reversed = true for it",
    )


def failsafe_text(failsafe: object) -> str:
    """A failsafe in a word or two."""
    if failsafe is None:
        return "not stated"
    return f"{failsafe:g} %" if isinstance(failsafe, float) else str(failsafe)


def check_failsafe(rig: Rig) -> Iterator[Finding]:
    """Failsafes that are missing or cannot be reached."""
    silent = [d.name for d in rig.driven if d.failsafe is None and not d.motor]
    if silent:
        yield hint(
            listed(silent),
            "no failsafe is stated",
            "nobody knows where they go when the link is lost, and verify cannot test it",
            'decide: "hold", "silence" or a position in percent; set the receiver so and state it',
        )
    for device in rig.driven:
        if isinstance(device.failsafe, float) and abs(device.failsafe) > device.travel_pct:
            yield fault(
                device.name,
                f"failsafe {device.failsafe:g} % lies beyond its travel of {device.travel_pct:g} %",
                "it stops at its end, or runs the surface into its stop",
                "state a failsafe within the travel",
            )


def check_motor(rig: Rig) -> Iterator[Finding]:
    """Whatever can turn a propeller."""
    for device in rig.driven:
        if not device.motor:
            if MOTOR_WORDS.search(device.name):
                yield hint(
                    device.name,
                    "its name says motor, but motor = true is not stated",
                    "it is not locked when driving, and a propeller may start on the bench",
                    "state motor = true if it can turn a propeller",
                )
            continue
        off = 100.0 if device.reversed else -100.0
        if device.failsafe is None:
            yield fault(
                device.name,
                "a motor without a stated failsafe",
                "without a link the motor may go on running",
                f"set the receiver to {off:g} % or to silence for it, and state it",
            )
        elif device.failsafe == "hold":
            yield fault(
                device.name,
                "the motor's failsafe is to hold",
                "without a link the motor goes on as it ran last",
                f"set the receiver to {off:g} % or to silence for it, and state it",
            )
        elif isinstance(device.failsafe, float) and device.failsafe * off < 90 * 100:
            yield fault(
                device.name,
                f"the motor's failsafe is {device.failsafe:g} %, which is not off",
                "without a link the motor runs",
                f"set the receiver to {off:g} % or to silence for it, and state it",
            )
        others = [d.name for d in rig.driven if d.channel == device.channel and not d.motor]
        if others and device.channel is not None:
            yield fault(
                device.name,
                f"the motor shares channel {device.channel} with {listed(others)}",
                "whoever moves that device starts the motor",
                "give the motor a channel of its own: " + _free(rig),
            )


def check_travel(rig: Rig) -> Iterator[Finding]:
    """Ends that no frame can say."""
    for device in rig.driven:
        if device.channel is not None and device.channel > CHANNELS:
            continue
        ends = ends_of(device, rig.scale)
        if not ends.fits_frame:
            yield fault(
                device.name,
                f"its ends lie at {ends.low_counts:.0f} and {ends.high_counts:.0f} counts, "
                f"but the frame holds 0-{COUNTS_MAX}",
                "it never reaches its end, and stops short on one side or both",
                "lessen travel_pct, or correct neutral_us and [scale]",
            )
        elif abs(ends.neutral_us - rig.scale.centre_us) > NEUTRAL_FAR_US:
            yield hint(
                device.name,
                f"its neutral {ends.neutral_us:g} µs lies far from the scale's centre {rig.scale.centre_us:g} µs",
                "one side has less way left than the other",
                "set the arm anew on its spline, or the linkage, so that neutral comes near the centre",
            )


def check_geometry(rig: Rig) -> Iterator[Finding]:
    """Linkages that lock or give another throw than planned."""
    for device in rig.driven:
        if not has_linkage(device):
            continue
        reach = device.geometry.arm_deg * device.travel_pct / 100
        swing = surface_deg(device, np.linspace(-reach, reach, 101))
        if np.isnan(swing).any():
            yield fault(
                device.name,
                f"the linkage locks before the arm has turned {reach:.0f}°",
                "the device stalls at the lock, or the surface snaps over and stays",
                "take a longer horn, a shorter arm or less travel",
            )
            continue
        planned = device.geometry.throw_deg
        low, high = sorted((float(swing[0]), float(swing[-1])))
        got = min(-low, high) * 100 / device.travel_pct
        if planned is not None and abs(got - planned) > THROW_APART_DEG:
            yield hint(
                device.name,
                f"arm and horn turn the surface {low:.1f}° and {high:+.1f}°, but throw_deg says {planned:g}°",
                "it moves more or less than planned",
                "correct the geometry, or change arm or horn",
            )
