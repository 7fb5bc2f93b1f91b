"""Checks of devices against one another: shared channels, groups, left and right."""

from __future__ import annotations

import difflib
import re
from collections.abc import Callable, Hashable, Iterable, Iterator
from typing import TypeVar

from busbench.rig.check_devices import free_channels
from busbench.rig.finding import Finding, fault, hint, listed
from busbench.rig.model import Device, Rig
from busbench.rig.rest import rest_counts
from busbench.rig.travel import endpoints_of
from busbench.wire.frame_spec import CHANNELS

K = TypeVar("K", bound=Hashable)
_GROUPS_COMPARED = 40  # with more groups than channels, group names are no hint
_PART = "the surfaces part on the way or at the ends; two devices on one surface work against each other"
_LEVEL = "make the values equal, or level the surfaces at the linkage"
_ROLLS = "without a link the aircraft rolls or yaws of its own accord"
_UNEVEN, _EQUAL = "the aircraft answers unevenly to left and right", "make them equal unless you mean it"
_LEFT = re.compile(r"\bleft\b", re.I)


def check_shared(rig: Rig) -> Iterator[Finding]:
    """Two devices on one channel outside a group."""
    free = {is_on_off: free_channels(rig, is_on_off=is_on_off) for is_on_off in (False, True)}
    for channel, devices in _by(rig, lambda device: device.channel).items():
        if len(devices) > 1 and (len({d.group for d in devices}) > 1 or devices[0].group is None):
            yield fault(
                listed(d.name for d in devices),
                f"all on channel {channel} and not in one group",
                "they move together whenever one of them is meant to",
                f"give them channels of their own (free: {free[channel > CHANNELS]}), "
                "or one group if they must move together",
            )
        controls = sorted({d.control for d in devices if d.control is not None})
        if len(controls) > 1:
            yield fault(
                listed(d.name for d in devices),
                f"channel {channel} is said to be moved by {listed(controls)}",
                "one channel has one control: you would look at a surface that another stick moves",
                "state the control that really moves it for all of them",
            )


def check_gimbals(rig: Rig) -> Iterator[Finding]:
    """A control that the plan puts on two gimbals."""
    on_gimbals = _by(rig, lambda device: device.control if device.gimbal is not None else None)
    for control, devices in on_gimbals.items():
        gimbals = sorted({device.gimbal for device in devices if device.gimbal is not None})
        if len(gimbals) > 1:
            yield fault(
                listed(device.name for device in devices),
                f'"{control}" is stated on {listed(gimbals)}',
                "a control is on one gimbal: `verify` would let the wrong channels move with it",
                "state the same gimbal for all devices of this control",
            )


def _by(rig: Rig, key: Callable[[Device], K | None]) -> dict[K, list[Device]]:
    """Driven devices grouped by a key; those without it are left out."""
    found: dict[K, list[Device]] = {}
    for device in rig.driven:
        if (value := key(device)) is not None:
            found.setdefault(value, []).append(device)
    return found


def check_groups(rig: Rig) -> Iterator[Finding]:
    """Members of a group that would not move alike."""
    groups = _by(rig, lambda device: device.group)
    for name, members in groups.items():
        who = listed(d.name for d in members)
        if len(members) == 1:
            others = [other for other in groups if other != name] if len(groups) <= _GROUPS_COMPARED else []
            near = difflib.get_close_matches(name, others, n=1)
            meant = f'did you mean "{near[0]}"? ' if near else ""
            yield hint(
                who,
                f'it is alone in the group "{name}"',
                "its partner is not held against it",
                f"{meant}Give the partner the same group, or leave the group out",
            )
            continue
        yield from _directions(members)
        for make, key, values, effect, advice in (
            (hint, "travel_pct", [d.travel_pct for d in members], _PART, _LEVEL),
            (hint, "neutral_us", [endpoints_of(d, rig.scale).neutral_us for d in members], _PART, _LEVEL),
            (hint, "speed_s_per_60deg", [d.speed_s_per_60deg for d in members], _PART, _LEVEL),
            (hint, "start_ramp_s", [d.start_ramp_s for d in members], _PART, _LEVEL),
            (hint, "control", [d.control for d in members],
             "one surface goes without the other; `busbench verify` asks for each control by itself",
             "state one control, or take them out of the group"),
            (fault, "when_silent", [d.when_silent for d in members],
             "when frames stop their surfaces part, and the aircraft rolls or yaws of its own accord",
             "set them alike, and state it"),
            (fault, "failsafe", [d.failsafe for d in members], _ROLLS,
             "state one failsafe for the whole group and set the receiver so"),
        ):  # fmt: skip
            if len(set(values)) > 1:
                yield make(who, _differ(key, values), effect, advice)
        if len({rest_counts(d, rig.scale) - endpoints_of(d, rig.scale).neutral_counts for d in members}) > 1:
            yield hint(
                who,
                "they do not rest at the same place",
                "with the control left alone their surfaces differ",
                "give them the same rest_pct",
            )


def _differ(key: str, values: Iterable[float | str | None]) -> str:
    """The values of a key for several devices."""
    unit = " %" if key in ("failsafe", "when_silent") else ""
    stated = ("not stated" if v is None else v if isinstance(v, str) else f"{v:g}{unit}" for v in values)
    return f"they differ in {key}: {listed(stated)}"


def _directions(members: list[Device]) -> Iterator[Finding]:
    """All members must turn their surfaces the same way for the same command."""
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


def check_sides(rig: Rig) -> Iterator[Finding]:
    """Differences of left and right devices, paired by name, that are in no group."""
    by_name = {device.name.casefold(): device for device in rig.driven}
    for left in rig.driven:
        right = by_name.get(_LEFT.sub("right", left.name.casefold()))
        if right is None or right is left or left.group is not None or right.group is not None:
            continue
        who = listed((left.name, right.name))
        for key, effect, advice in (
            ("failsafe", _ROLLS, "state one failsafe for both unless you mean it, and set the receiver so"),
            ("travel_pct", _UNEVEN, _EQUAL),
            ("speed_s_per_60deg", _UNEVEN, _EQUAL),
            ("control", _UNEVEN, _EQUAL),
        ):
            values = [getattr(side, key) for side in (left, right)]
            if values[0] != values[1] and None not in values:
                yield hint(who, _differ(key, values), effect, advice)


def check_silence(rig: Rig) -> Iterator[Finding]:
    """A bus that falls silent is silent for all."""
    on_bus = [device for device in rig.driven if device.kind == "servo" and device.failsafe is not None]
    silent = [device.name for device in on_bus if device.failsafe == "silence"]
    if silent and len(silent) < len(on_bus):
        yield fault(
            listed(silent),
            "their failsafe is silence, but other devices on the bus have another",
            "one line carries all channels: if it falls silent every device on it goes by its own when_silent",
            "state silence for all devices on the bus, or a position or hold for all",
        )
