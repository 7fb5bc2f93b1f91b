"""What a plan says of the walk: its halts, what is not walked and why, and what a virtual aircraft shows."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from busbench.drive.limits import ALL_CHANNELS
from busbench.drive.walk import Stop
from busbench.rig.ends import ends_of, rest_sent
from busbench.rig.model import Device, Rig
from busbench.rig.motors import motor_locks
from busbench.rig.virtual_rig import DeviceState
from busbench.rig.ways import SECOND, sign_of, ways_of
from busbench.wire.bulk import CHANNELS
from busbench.wire.scale import whole

_ASSUMED = (
    "above neutral, a device neither reversed nor mirrored is taken to move its surface up, a rudder to the right."
)
LATE_DEG = 4.0  # farther from rest at the end, it has not followed
SEEN_DEG = 1.0  # less is not seen from beside the aircraft


def direction_words(rig: Rig) -> str:
    """Where the directions asked for come from."""
    assumed = [device.name for stop in stops_of(rig)[0] for device in map(rig.device, stop.members)
               if not ways_of(device).is_stated and device.channel in range(1, CHANNELS + 1)]  # fmt: skip
    if not assumed:
        return "Directions are the plan's, as its above_neutral states them."
    return f"The plan does not state above_neutral of {', '.join(assumed)}: {_ASSUMED}"


def stops_of(rig: Rig) -> tuple[tuple[Stop, ...], tuple[tuple[str, str], ...]]:
    """The halts of the walk in the order of the file, and what is not walked.

    Devices on one channel are one halt, since no frame can move them apart.

    Args:
        rig: the plan.

    Returns:
        The halts, and names with reasons.
    """
    locked = motor_locks(rig)
    walked: dict[int, list[Device]] = {}
    left_out: list[tuple[str, str]] = []
    for device in rig.devices:
        if why := _why_not(device, locked, rig):
            left_out.append((device.name, why))
        elif device.channel is not None:
            walked.setdefault(device.channel - 1, []).append(device)
    return tuple(_stop(channel, devices, rig) for channel, devices in walked.items()), tuple(left_out)


def _why_not(device: Device, locked: dict[int, int], rig: Rig) -> str:
    if device.kind == "sensor":
        return "a sensor"
    if device.motor:
        return "can turn a propeller, so its channel is locked"
    if device.kind == "off-bus":
        return "not on the bus"
    if device.channel is None or not 1 <= device.channel <= ALL_CHANNELS:
        return "has no channel of the frame"
    if device.channel - 1 in locked:
        return "shares its channel with a motor, so it is locked"
    low, _, high = _counts([device], rig)
    return "" if low < high else "its ends lie beyond what a frame can say"


def _counts(devices: Sequence[Device], rig: Rig) -> tuple[int, int, int]:
    """Low end, rest and high end in counts: the inner ends, so that none is driven past its own."""
    ends = [ends_of(device, rig.scale) for device in devices]
    low = whole(max(end.low_counts for end in ends), clip=True)
    high = whole(min(end.high_counts for end in ends), clip=True)
    return low, min(max(rest_sent(devices[0], rig.scale), low), high), high


def _stop(channel: int, devices: list[Device], rig: Rig) -> Stop:
    is_high_first = not all(ways_of(device).above in SECOND for device in devices)
    low, neutral, high = (0, rest_sent(devices[0], rig.scale), 1) if channel >= CHANNELS else _counts(devices, rig)
    if low == neutral or neutral == high:  # from where it rests there is one way only
        is_high_first = low == neutral
    first, then = (_ways(devices, is_high=is_high) for is_high in (is_high_first, not is_high_first))
    names = tuple(device.name for device in devices)
    return Stop(" + ".join(names), channel, names, first, then, is_high_first, low, neutral, high, _remark(devices))


def _ways(devices: list[Device], *, is_high: bool) -> str:
    ways = [ways_of(device).of(is_high=is_high) for device in devices]
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


class Watch:
    """What somebody beside a virtual aircraft sees of one motion.

    Args:
        plan: names and the plan's directions.
        states: of the aircraft before the motion.
    """

    def __init__(self, plan: Rig, states: Sequence[DeviceState]) -> None:
        self._plan = {device.name: device for device in plan.driven}
        self._rest = {state.name: state.surface_deg for state in states}
        self._far: dict[str, dict[bool, float]] = {name: {} for name in self._rest}  # first way seen comes first
        self._had_power = {state.name for state in states if state.is_powered}
        self._weak: list[str] = []
        self._late: list[str] = []

    def look(self, states: Sequence[DeviceState]) -> None:
        """Look once, often enough not to miss the ends."""
        self._late = []
        for state in states:
            way = state.surface_deg - self._rest[state.name]
            far = self._far[state.name]
            if abs(way) >= SEEN_DEG:
                far[way > 0] = max(far.get(way > 0, 0.0), abs(way))
            if state.is_moving and abs(way) >= LATE_DEG:
                self._late.append(state.name)
            if not state.is_powered and state.name in self._had_power and state.name not in self._weak:
                self._weak.append(state.name)

    def words(self) -> Iterator[str]:
        """As in "rudder moved 33° right, then 33° left"."""
        for name, far in self._far.items():
            if far:
                told = (f"{deg:.0f}° {self._told(name, is_plus=is_plus)}" for is_plus, deg in far.items())
                yield f"{name} moved {', then '.join(told)}"
        if not any(self._far.values()):
            yield "nothing moved"
        for name in self._late:
            yield f"{name} is still moving, though it should be back at rest"
        if self._weak:
            is_all = len(self._weak) == len(self._rest) > 1
            yield f"{'every device' if is_all else ', '.join(self._weak)} lost power for a while"

    def _told(self, name: str, *, is_plus: bool) -> str:
        device = self._plan.get(name)
        if device is None:
            return "plus" if is_plus else "minus"
        return ways_of(device).of(is_high=is_plus == (sign_of(device) > 0))
