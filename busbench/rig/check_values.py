"""Checks of unlikely values: mistaken units, linkages that waste travel, sensor slots."""

from __future__ import annotations

from collections.abc import Iterator

from busbench.rig.finding import Finding, fault, hint, listed
from busbench.rig.model import RECEIVER, Device, Lead, Rig
from busbench.rig.topology import find_loose, hubs_downwards

# All bounds: common practice, no source.
LEAD_LONG_M, WAY_LONG_M = 5.0, 6.0
IDLE_MOST_A, STALL_MOST_A = 1.0, 20.0
SPEED_S = (0.02, 10.0)
DEAD_BAND_MOST_US = 20.0
TRAVEL_LEAST_PCT = 50.0
SCALE_US, SCALE_US_PER_COUNT = (1300.0, 1700.0), (0.4, 1.0)


def check_values(rig: Rig) -> Iterator[Finding]:
    """Values whose unit is probably wrong, and wasted travel."""
    yield from _scale(rig)
    yield from _lengths(rig)
    for device in rig.devices:
        yield from _currents(device)
    for device in rig.driven:
        yield from _motion(device)


def _scale(rig: Rig) -> Iterator[Finding]:
    scale = rig.scale
    if not (
        SCALE_US[0] <= scale.centre_us <= SCALE_US[1]
        and SCALE_US_PER_COUNT[0] <= scale.us_per_count <= SCALE_US_PER_COUNT[1]
    ):
        yield hint(
            "scale",
            f"it is unusual: {scale.describe()}",
            "ends and neutrals in microseconds are calculated with it, and would all be wrong",
            "measure it with `busbench pulses`, or leave [scale] out",
        )


def _lengths(rig: Rig) -> Iterator[Finding]:
    long = [e.name for e in rig.parts if e.lead and e.lead.length_m and e.lead.length_m > LEAD_LONG_M]
    if long:
        yield hint(
            listed(long),
            f"a lead of more than {LEAD_LONG_M:g} m",
            "if it is true, voltage and edges of the signal suffer; if not, all voltages are wrong",
            "length_m is one way and in metres: 80 cm are 0.8",
        )
        return
    if find_loose(rig):
        return
    reach_m = {RECEIVER: 0.0}
    for hub in hubs_downwards(rig):
        reach_m[hub.name] = reach_m[hub.parent] + _length_m(hub.lead)
    for entry in rig.devices:
        length_m = reach_m[entry.parent] + _length_m(entry.lead)
        if length_m > WAY_LONG_M:
            yield hint(
                entry.name,
                f"{length_m:.1f} m of leads lie between the receiver and it",
                "the signal's edges become rounded and pick up noise; frames may be damaged at its end",
                "shorten the way, or record the bus at its end and see `busbench outages`",
            )


def _length_m(lead: Lead | None) -> float:
    return 0.0 if lead is None or lead.length_m is None else lead.length_m


def _currents(device: Device) -> Iterator[Finding]:
    current = device.current_a
    rising = [a for a in (current.idle, current.moving, current.stall) if a is not None]
    if rising != sorted(rising):
        yield hint(
            device.name,
            "its currents do not rise from idle to moving to stall",
            "two values are probably swapped, and `rig power` calculates with them",
            "look the three values up again",
        )
    elif (current.idle or 0) > IDLE_MOST_A or max(rising, default=0) > STALL_MOST_A:
        yield hint(
            device.name,
            f"it draws {max(rising):g} A" if max(rising) > STALL_MOST_A else f"it draws {current.idle:g} A at rest",
            "`rig power` calculates with it, and finds every lead too thin",
            "current_a is in A: 30 mA are 0.03",
        )


def _motion(device: Device) -> Iterator[Finding]:
    speed = device.speed_s_per_60deg
    if speed is not None and not SPEED_S[0] <= speed <= SPEED_S[1]:
        yield hint(
            device.name,
            f"60 degrees in {speed:g} s is unusual",
            "rehearsals and `rig power --program` calculate with it",
            "speed_s_per_60deg is in seconds for 60 degrees: 0.15, not 150",
        )
    if device.dead_band_us > DEAD_BAND_MOST_US:
        yield hint(
            device.name,
            f"its dead band is {device.dead_band_us:g} µs",
            "small movements of the stick do nothing, and it never comes back to the same neutral",
            f"a good one has less than {DEAD_BAND_MOST_US:g} µs",
        )
    if device.kind == "servo" and device.travel_pct < TRAVEL_LEAST_PCT:
        yield hint(
            device.name,
            f"its travel is {device.travel_pct:g} % only",
            "half of its steps and of its force go unused, and its play shows the more at the surface",
            "take the rod nearer to the axis of the arm, or farther out on the horn, and use more travel",
        )
    arm, horn = device.geometry.arm_mm, device.geometry.horn_mm
    if arm is not None and horn is not None and arm > horn:
        yield hint(
            device.name,
            f"its arm of {arm:g} mm is longer than the horn of {horn:g} mm",
            "the surface turns farther than the arm: less force, more play, and play is where flutter begins",
            "take a longer horn or a shorter arm",
        )


def check_sensors(rig: Rig) -> Iterator[Finding]:
    """Sensors without a slot, or with the same slot."""
    sensors = [device for device in rig.devices if device.kind == "sensor"]
    if sensors and not rig.plan.sensor_slots:
        yield fault(
            listed(device.name for device in sensors),
            "the receiver leaves no slots for sensors",
            "a sensor that answers talks into the frames, and devices miss them; one that waits stays silent",
            "use a receiver that leaves slots and say sensor_slots = true in [rig], or take the sensor off the bus",
        )
    slots: dict[int, list[str]] = {}
    for device in sensors:
        if device.slot is not None:
            slots.setdefault(device.slot, []).append(device.name)
    unsaid = [device.name for device in sensors if device.slot is None]
    if unsaid and rig.plan.sensor_slots:
        yield hint(
            listed(unsaid),
            "no slot is stated",
            "two sensors may answer in the same slot unnoticed, and then neither is read",
            "state its slot, 0-31, and set the sensor so",
        )
    for slot, names in slots.items():
        if len(names) > 1:
            yield fault(
                listed(names),
                f"they answer in the same slot {slot}",
                "both talk at once and neither is read",
                "give each sensor a slot of its own",
            )
    for device in rig.devices:
        if device.kind == "sensor" and device.channel is not None:
            yield hint(
                device.name,
                f"a sensor does not obey channel {device.channel}",
                "nothing moves on that channel",
                "leave out its channel, or correct its kind",
            )
