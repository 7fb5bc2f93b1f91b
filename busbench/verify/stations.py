"""The walk of a plan: its stations, devices not walked with reasons, and what a virtual aircraft shows."""

from __future__ import annotations

from collections.abc import Sequence

from busbench.drive.surface_check import Station
from busbench.rig.direction import SECOND, directions_of
from busbench.rig.model import Device, Rig
from busbench.rig.motors import kill_names, motor_rests
from busbench.rig.rest import rest_sent
from busbench.rig.travel import endpoints_of
from busbench.wire.frame_spec import ALL_CHANNELS, CHANNELS
from busbench.wire.scale import whole

_ASSUMED = (
    "above neutral, a device neither reversed nor mirrored is taken to move its surface up, a rudder to the right."
)
LATE_DEG = 4.0  # farther from rest than this at the end: it did not follow
SEEN_DEG = 1.0  # smaller motion is not visible from beside the aircraft


def direction_words(rig: Rig) -> str:
    """The source of the directions, for people."""
    assumed = [device.name for stop in stations_of(rig)[0] for device in map(rig.device, stop.members)
               if not directions_of(device).is_stated and device.channel in range(1, CHANNELS + 1)]  # fmt: skip
    if not assumed:
        return "Directions are the plan's, as its above_neutral states them."
    return f"The plan does not state above_neutral of {', '.join(assumed)}: {_ASSUMED}"


def stations_of(rig: Rig) -> tuple[tuple[Station, ...], tuple[tuple[str, str], ...]]:
    """The stations of the walk, one per channel with devices, and the devices not walked, with reasons."""
    locked, kills = {rest.channel for rest in motor_rests(rig)}, kill_names(rig)
    walked: dict[int, list[Device]] = {}
    left_out: list[tuple[str, str]] = []
    for device in rig.devices:
        if why := _why_not(device, locked, kills, rig):
            left_out.append((device.name, why))
        elif device.channel is not None:
            walked.setdefault(device.channel - 1, []).append(device)
    return tuple(_stop(channel, devices, rig) for channel, devices in walked.items()), tuple(left_out)


def _why_not(device: Device, locked: set[int], kills: frozenset[str], rig: Rig) -> str:
    if device.kind == "sensor":
        return "a sensor"
    if device.motor_kind:
        return "can turn a propeller, so its channel is locked"
    if device.name in kills:
        return "kills the ignition, so its channel is locked"
    if device.kind == "off-bus":
        return "not on the bus"
    if device.channel is None or not 1 <= device.channel <= ALL_CHANNELS:
        return "has no channel of the frame"
    if device.channel - 1 in locked:
        return "shares its channel with a motor, so it is locked"
    low, _, high = _counts([device], rig)
    return "" if low < high else "its ends lie beyond what a frame can say"


def _counts(devices: Sequence[Device], rig: Rig) -> tuple[int, int, int]:
    """Low end, rest and high end in counts: the inner endpoints, so that no device exceeds its own."""
    ends = [endpoints_of(device, rig.scale) for device in devices]
    low = whole(max(end.low_counts for end in ends), clip=True)
    high = whole(min(end.high_counts for end in ends), clip=True)
    return low, min(max(rest_sent(devices[0], rig.scale), low), high), high


def _stop(channel: int, devices: list[Device], rig: Rig) -> Station:
    is_high_first = not all(directions_of(device).above in SECOND for device in devices)
    low, neutral, high = (0, rest_sent(devices[0], rig.scale), 1) if channel >= CHANNELS else _counts(devices, rig)
    if low == neutral or neutral == high:  # from its rest there is only one direction
        is_high_first = low == neutral
    first, then = (_ways(devices, is_high=is_high) for is_high in (is_high_first, not is_high_first))
    names = tuple(device.name for device in devices)
    return Station(" + ".join(names), channel, names, first, then, is_high_first, low, neutral, high, _remark(devices))


def _ways(devices: list[Device], *, is_high: bool) -> str:
    ways = [directions_of(device).of(is_high=is_high) for device in devices]
    if len(set(ways)) == 1:
        return ways[0]
    return ", ".join(f"{device.name} {way}" for device, way in zip(devices, ways, strict=True))


def _remark(devices: list[Device]) -> str:
    said = []
    for device in devices:
        words = ["reversed"] * device.reversed + ["mounted mirrored"] * (device.mounting == "mirrored")
        if words:
            who = f"{device.name} " if len(devices) > 1 else ""
            said.append(who + " and ".join(words))
    if len(devices) > 1 and len({device.group for device in devices} - {None}) != 1:
        said.append("on one channel, though the plan does not group them")
    return "; ".join(said)
