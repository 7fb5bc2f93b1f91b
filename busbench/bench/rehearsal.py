"""Result of a rehearsal on a virtual aircraft with faults: which were found, and where the others would show."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator

from busbench.drive.surface_check import Entry
from busbench.errors import pluralize
from busbench.rig.model import Rig
from busbench.sim.aircraft_faults import FAULTS, AircraftFault
from busbench.verify.result import Check, Part, Verdict

_BUS_PARTS: dict[str, Part] = {"failsafe": "failsafe", "no": "failsafe", "power": "power-up"}  # by kind


def found_by_check(faults: Iterable[AircraftFault], checks: Collection[Check], rig: Rig) -> list[AircraftFault]:
    """Faults found by a check: one failed on the channel of the device, or in the faulty part."""
    failed = [check for check in checks if check.verdict is Verdict.FAIL]
    channels = {check.channel for check in failed}
    parts = {check.part for check in failed}
    channel_of = {device.name: device.channel for device in rig.devices}

    def shows(fault: AircraftFault) -> bool:
        if fault.device:
            return channel_of.get(fault.device) in channels - {None}
        return _BUS_PARTS.get(fault.kind.partition("-")[0], "line") in parts

    return [fault for fault in faults if fault.shows_on_bus and shows(fault)]


def found_by_walk(faults: Iterable[AircraftFault], entries: Iterable[Entry]) -> list[AircraftFault]:
    """Faults found by an answer: "no" at the station of the device."""
    seen = {name for entry in entries if False in entry.answers for name in entry.stop.members}
    return [
        fault for fault in faults if fault.shows_in_motion and (fault.device in seen or (seen and not fault.device))
    ]


def rehearsal_lines(faults: Collection[AircraftFault], found: Collection[AircraftFault]) -> Iterator[str]:
    """Final lines for people: that it was a rehearsal, what was found, and where the other faults would show."""
    if not faults:
        return
    count = pluralize(len(faults), "fault")
    yield f"This was a rehearsal on a virtual aircraft with {count} built in: {len(found)} found."
    for fault in faults:
        words = FAULTS[fault.kind]
        at = f"{fault.device}: " if fault.device else ""
        if fault in found:
            yield f"- found: {at}{words.what} ({fault})"
        else:
            yield f"- not found: {at}{words.what} ({fault}). It shows in {words.shows}."
