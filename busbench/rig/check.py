"""Faults of a plan: the effect of each on the aircraft, and what to do."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator

from busbench.errors import RigError
from busbench.rig.check_devices import check_channels, check_failsafe, check_geometry, check_in_flight, check_travel
from busbench.rig.check_motors import check_motors
from busbench.rig.check_pairs import check_gimbals, check_groups, check_shared, check_sides, check_silence
from busbench.rig.check_values import check_sensors, check_values
from busbench.rig.conductor import CONNECTORS
from busbench.rig.finding import Finding, fault, hint, listed
from busbench.rig.model import RESERVED_NAMES, Rig
from busbench.rig.power import ALL_STALLED, IDLE, MOVING, power_cases, unstated_currents
from busbench.rig.topology import children, find_loose, ring_text
from busbench.rig.weakest import find_weakest

FRAME_MS = 3.0  # 25 characters of 12 bits at 100 000 baud
CELL_MOST_V = 4.4  # common practice, no source: 4.2-4.35 V when full, for the chemistry with the highest voltage
PERIODS_MS = (5.0, 40.0)  # common practice, no source: 7, 14 or 15
_WIRE = "see `busbench rig power` for the lead that needs thicker wire, or a second feed"
_CONNECTORS = "fit connectors that carry it and state limit_a, or add a second feed: thicker wire does not help"


_Check = Callable[[Rig], Iterator[Finding]]
_MOTION_CHECKS: tuple[_Check, ...] = (
    check_channels,
    check_shared,
    check_groups,
    check_failsafe,
    check_silence,
    check_motors,
)


def motion_faults(rig: Rig) -> list[Finding]:
    """Faults in moved or held devices (channels, rest, failsafe, motors); with any, the plan moves nothing."""
    return [finding for check in _MOTION_CHECKS for finding in check(rig) if finding.severity == "fault"]


def check_rig(rig: Rig) -> list[Finding]:
    """The faults of a plan, then hints, each group in the order of the checks."""
    checks: tuple[_Check, ...] = (
        _names,
        _tree,
        *_MOTION_CHECKS,
        check_gimbals,
        check_sides,
        check_in_flight,
        check_travel,
        check_geometry,
        _off_bus,
        check_sensors,
        _plan,
        check_values,
        _unstated,
        _harness,
    )
    found = [finding for check in checks for finding in check(rig)]
    return sorted(found, key=lambda finding: finding.severity != "fault")


def _plain(name: str) -> str:
    """A name without case, spaces, marks and look-alike letters, to find names that are easily confused."""
    kept = "".join(letter for letter in name.casefold() if letter.isalnum())
    return kept.translate(str.maketrans("oil", "011"))


def _names(rig: Rig) -> Iterator[Finding]:
    names = [entry.name for entry in rig.parts]
    counts = Counter(names)
    for name, count in counts.items():
        if count > 1:
            yield fault(
                name,
                f"the name is there {count} times",
                "labels, reports and questions cannot distinguish them, and the wrong one gets set up",
                "give each device and hub a name of its own",
            )
        if name.casefold() in RESERVED_NAMES:
            yield fault(
                name,
                "this is the name of the root of the harness",
                "leads cannot say which of the two they go to",
                f"choose another name than {' and '.join(RESERVED_NAMES)}",
            )
    alike: dict[str, list[str]] = {}
    for name in counts:
        alike.setdefault(_plain(name), []).append(name)
    for same in alike.values():
        if len(same) > 1:
            yield hint(
                listed(same),
                "these names are easily confused",
                "a label read in a hurry sends the setting to the wrong device",
                "distinguish them by a word, such as left and right",
            )


def _tree(rig: Rig) -> Iterator[Finding]:
    loose = find_loose(rig)
    for ring in loose.rings:
        yield fault(
            listed(ring),
            f"hubs form a ring: {ring_text(ring)}",
            "no power and no signal reaches anything on them",
            'connect one of them to the receiver or to a hub that is connected (key "from")',
        )
    advice = f"name one of these: {listed(['receiver', *(hub.name for hub in rig.hubs)])}"
    for name, parent in loose.hanging:
        yield fault(
            name, f'it is connected to "{parent}", which does not exist', "it gets neither power nor signal", advice
        )
    below, hanging = children(rig), {name for name, _ in loose.hanging}
    for hub in rig.hubs:
        if not any(below[hub.name]) and hub.name not in hanging:
            yield hint(
                hub.name,
                "nothing is plugged into this hub",
                "weight and one more pair of connectors for no use, or a device was forgotten",
                "leave the hub out or add what is connected to it",
            )


def _off_bus(rig: Rig) -> Iterator[Finding]:
    hubs = {hub.name for hub in rig.hubs}
    for device in rig.devices:
        if device.kind == "off-bus" and device.parent in hubs:
            yield fault(
                device.name,
                f'an off-bus device is connected to the hub "{device.parent}", which is a bus lead',
                "it waits for pulses and hears frames: it stays dead or twitches",
                'plug it into a pulse output of the receiver (on = "receiver"), or use a device that reads the bus',
            )


def _plan(rig: Rig) -> Iterator[Finding]:
    period = rig.plan.period_ms
    if period < FRAME_MS:
        yield fault(
            "rig",
            f"period_ms is {period:g}, but one frame takes {FRAME_MS:g} ms on the line",
            "no receiver sends like that, and every check of the period would fail",
            "state the receiver's frame period, often 7, 14 or 15 ms",
        )
    elif not PERIODS_MS[0] <= period <= PERIODS_MS[1]:
        yield hint(
            "rig",
            f"period_ms is {period:g}, which is unusual",
            "the check of the period is made against this value",
            "measure it with `busbench timing` and state what you find",
        )
    if rig.supply.minimum_v is not None and rig.supply.voltage_v <= rig.supply.minimum_v:
        yield fault(
            "supply",
            f"voltage_v {rig.supply.voltage_v:g} is not above minimum_v {rig.supply.minimum_v:g}",
            "devices are short of voltage before anything moves",
            "correct the two values or use a higher voltage that all devices accept",
        )
    most = rig.supply.maximum_v
    if most is not None and rig.supply.voltage_v > most:
        yield fault(
            "supply",
            f"voltage_v {rig.supply.voltage_v:g} is above maximum_v {most:g}",
            "the weakest device burns out, at once or in flight",
            "use a regulator or a pack of fewer cells; a full pack has more than its nominal voltage",
        )
    pack = rig.supply.pack
    if pack is not None and rig.supply.voltage_v / pack.cells > CELL_MOST_V:
        yield hint(
            "supply",
            f"voltage_v {rig.supply.voltage_v:g} is more than {pack.cells} cells give",
            "one of the two is wrong, and voltages and endurance with it",
            "state the cells in series and the voltage that really reaches the receiver's lead",
        )
    if not rig.devices:
        yield hint("rig", "no device is stated", "there is nothing to check", "add a [[device]] table for each device")


def _unstated(rig: Rig) -> Iterator[Finding]:
    if rig.supply.minimum_v is None:
        yield hint(
            "supply",
            "minimum_v is not stated",
            "there is no warning before a device has too little voltage and restarts in flight",
            "state the lowest voltage at which every device and the receiver still work",
        )
    unknown = unstated_currents(rig)
    if unknown:
        yield hint(
            listed(unknown),
            "no current is stated",
            "`rig power` counts it as 0 A, so the harness looks better than it is",
            "measure or look up current_a: idle, moving, stall",
        )
    bare = [entry.name for entry in rig.parts if entry.lead is None]
    if bare:
        yield hint(
            listed(bare),
            "no lead is stated",
            "`rig power` counts its lead as without resistance, so the harness looks better than it is",
            "state the lead's length and gauge",
        )


def _harness(rig: Rig) -> Iterator[Finding]:
    """Warnings of the load cases: those without a stall are faults, the rest one hint."""
    try:
        cases = power_cases(rig)
        weakest = find_weakest(rig)
    except RigError:
        return  # reported already: the leads form no tree
    seen: set[str] = set()
    for case in cases:
        if case.case in (IDLE, MOVING):
            for warning in case.warnings:
                if warning.where in seen:
                    continue
                seen.add(warning.where)
                yield fault(
                    warning.where or "harness",
                    f"{case.case}: {warning.text}",
                    "the voltage sags or the lead grows hot in plain flying, without any fault",
                    _CONNECTORS if warning.text.endswith(CONNECTORS) else _WIRE,
                )
    if seen:
        return
    stalls = {case.case: case.warnings for case in cases if case.warnings and case.case != ALL_STALLED}
    if stalls and weakest is not None:
        first, warnings = next(iter(stalls.items()))
        more = f", and {len(stalls) - 1} more such cases" if len(stalls) > 1 else ""
        yield hint(
            listed(sorted({one.where or "harness" for warned in stalls.values() for one in warned})),
            f"{first}: {warnings[0]}{more}",
            "one jammed surface takes voltage from others or heats its lead for as long as it is stalled",
            weakest.advice[0].text if weakest.advice else "see `busbench rig power`",
        )
