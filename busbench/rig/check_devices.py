"""Checks of single devices: channel, rest, failsafe, endpoints and linkage."""

from __future__ import annotations

import re
from collections.abc import Iterator

import numpy as np

from busbench.rig.finding import Finding, fault, hint, listed
from busbench.rig.linkage import has_linkage, surface_deg
from busbench.rig.model import Device, Rig
from busbench.rig.travel import endpoints_of
from busbench.wire.frame_spec import ALL_CHANNELS, CHANNELS, COUNTS_MAX

SURFACE_WORDS = re.compile(r"\b(ailerons?|elevators?|rudders?|flaps?|elevons?|ruddervators?|spoilers?)\b", re.I)
FLIGHT_WORDS = re.compile(r"\b(gears?|retracts?|undercarriage|release|hook)\b", re.I)
NEUTRAL_FAR_US = 60.0
THROW_APART_DEG = 2.0


def check_channels(rig: Rig) -> Iterator[Finding]:
    """Channels that are missing or not in the frame."""
    free = free_channels(rig)
    for device in rig.driven:
        if device.channel is None:
            yield fault(
                device.name,
                "no channel is stated",
                "it obeys whatever channel it was set to before",
                f"state its channel, 1-{ALL_CHANNELS}",
            )
        elif not 1 <= device.channel <= ALL_CHANNELS:
            yield fault(
                device.name,
                f"channel {device.channel} is not in the frame, which has channels 1-{ALL_CHANNELS}",
                "it never moves",
                "give it a free channel: " + free,
            )
        elif device.channel > CHANNELS:
            yield from _on_off_channel(device)


def _on_off_channel(device: Device) -> Iterator[Finding]:
    """An on/off channel used for a proportional device."""
    for key, value in (("failsafe", device.failsafe), ("rest_pct", device.rest_pct)):
        if isinstance(value, float) and abs(value) != 100:
            yield fault(
                device.name,
                f"{key} {value:g} % on channel {device.channel}, which is on or off",
                "the receiver can send only one end or the other",
                "state -100 or 100, or use one of the channels 1-16",
            )
    if SURFACE_WORDS.search(device.name):
        yield hint(
            device.name,
            f"by its name it is a surface, but channel {device.channel} is on or off",
            "it jumps from one end to the other and stops nowhere between",
            "use one of the channels 1-16, unless it is meant to jump",
        )


def free_channels(rig: Rig, *, is_on_off: bool = False) -> str:
    """Free channels, as a list for people; on/off channels only for on/off devices."""
    used = {device.channel for device in rig.devices}
    last = ALL_CHANNELS if is_on_off else CHANNELS
    return listed(str(channel) for channel in range(1, last + 1) if channel not in used) or "none is left"


def failsafe_text(failsafe: object) -> str:
    """A failsafe in short."""
    if failsafe is None:
        return "not stated"
    return f"{failsafe:g} %" if isinstance(failsafe, float) else str(failsafe)


def check_failsafe(rig: Rig) -> Iterator[Finding]:
    """Failsafes that are missing, and positions that cannot be reached."""
    silent = [d.name for d in rig.driven if d.failsafe is None and not d.motor_kind]
    if silent:
        yield hint(
            listed(silent),
            "no failsafe is stated",
            "it is not known where they go when the link is lost, and verify cannot test it",
            'decide: "hold", "silence" or a position in percent; set the receiver so and state it',
        )
    for device in rig.driven:
        for key, value in (("failsafe", device.failsafe), ("rest_pct", device.rest_pct)):
            if isinstance(value, float) and abs(value) > device.travel_pct:
                yield fault(
                    device.name,
                    f"{key} {value:g} % is beyond its travel of {device.travel_pct:g} %",
                    "it is held at its end, or drives its surface into the stop",
                    f"state a {key} within the travel",
                )


def check_in_flight(rig: Rig) -> Iterator[Finding]:
    """Motions that a loss of link must not cause."""
    for device in rig.driven:
        rest = device.rest_pct
        if rest is None and (device.channel or 0) > CHANNELS:
            rest = -100.0
        if rest is None:
            continue  # unknown
        if FLIGHT_WORDS.search(device.name) and isinstance(device.failsafe, float) and device.failsafe != rest:
            yield hint(
                device.name,
                f"its failsafe is {device.failsafe:g} %, but it rests at {rest:g} %",
                "a short loss of link in flight sets it in motion, at any speed and height",
                'state "hold" unless you mean it, or rest_pct where it rests elsewhere',
            )


def check_travel(rig: Rig) -> Iterator[Finding]:
    """Endpoints outside the range of the frame."""
    for device in rig.driven:
        if device.channel is not None and device.channel > CHANNELS:
            continue
        ends = endpoints_of(device, rig.scale)
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
                "one side has less travel left than the other",
                "set the arm again on its spline, or the linkage, so that neutral comes near the centre",
            )


def check_geometry(rig: Rig) -> Iterator[Finding]:
    """Linkages that lock or do not give the planned throw."""
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
