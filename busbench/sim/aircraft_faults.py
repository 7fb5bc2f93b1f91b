"""Faults of a virtual aircraft: each kind, how it is typed, and where it shows.

Faults of devices and supply act on motion; faults of the receiver act on the bus.
"""

from __future__ import annotations

import difflib
import math
from dataclasses import dataclass

from busbench.errors import RigError, meant
from busbench.rig.model import Rig
from busbench.verify.inputs import channel_plans
from busbench.verify.return_checks import failsafe_level
from busbench.wire.frame_spec import ALL_CHANNELS, CHANNELS

_ON_OFF_PCT = 50.0  # of the way: an on/off channel that goes less far does not switch


@dataclass(frozen=True, slots=True)
class AircraftFault:
    """One fault to build in."""

    kind: str
    device: str = ""  # name of the device, "" for faults of no single device
    value: float | None = None  # see FAULTS; None for the default

    @property
    def shows_on_bus(self) -> bool:
        """True if the receiver's frames are wrong."""
        return self.kind == "brown-out" or FAULTS[self.kind].is_sent

    @property
    def shows_in_motion(self) -> bool:
        """True if a device does not move as commanded."""
        return not FAULTS[self.kind].is_sent

    def __str__(self) -> str:
        value = "" if self.value is None else f"{self.value:g}"
        return ":".join((self.kind, self.device, value)).rstrip(":")


@dataclass(frozen=True, slots=True)
class FaultWords:
    """The declaration of a kind of fault."""

    what: str
    shows: str  # where and how it shows
    has_device: bool = True  # True if it concerns one device or its channel
    value: str = ""  # meaning of VALUE with its usual, or "" if it takes none
    least: float = 0.001
    most: float = 1e6
    is_sent: bool = True  # True if the frames are wrong; False if devices or their supply are


FAULTS: dict[str, FaultWords] = {
    "wrong-channel": FaultWords("the device obeys another channel", "walk: right surface, no",
                                value="channel (the next)", least=1, most=ALL_CHANNELS, is_sent=False),
    "reversed": FaultWords("the device runs the other way", "walk: right way, no", is_sent=False),
    "dead": FaultWords("the device has no power", "walk: right surface, no: nothing moves", is_sent=False),
    "slow": FaultWords("the device is slow", "walk: full throw and smooth, no: it is still moving at the end",
                       value="times slower (6 s for 60 degrees)", is_sent=False),
    "stalled": FaultWords("the device is jammed", "walk: right surface, no; `drive`: current", is_sent=False),
    "brown-out": FaultWords("the supply sags below `minimum_v`: the receiver restarts, devices stop and come back",
                            "verify: missing frames, longest outage; walk and drive: devices lose power",
                            has_device=False, value="ohms more in the supply (1)", is_sent=False),
    "sent-on": FaultWords("its control is sent on another channel", "verify: both ends, moves alone",
                          value="channel (the first that is free)", least=1, most=CHANNELS),
    "sent-reversed": FaultWords("its control is sent the other way round", "verify: direction, or rest"),
    "sent-short": FaultWords("its channel stops short of its ends", "verify: low end, high end",
                             value="% of the way (60)", most=100),
    "sent-with": FaultWords("a second channel moves with it", "verify: moves alone",
                            value="channel (the first that is free)", least=1, most=CHANNELS),
    "no-failsafe": FaultWords("without link old values go on, with no flag", "verify: how it shows", has_device=False),
    "failsafe-held": FaultWords("failsafe is flagged, but old values are held", "verify: failsafe value",
                                has_device=False),
    "failsafe-late": FaultWords("failsafe comes too late", "verify: delay", has_device=False,
                                value="seconds (3)", most=60),
    "failsafe-value": FaultWords("failsafe sends another position", "verify: failsafe value",
                                 value="% (60 off the plan)", least=-150, most=150),
    "failsafe-silent": FaultWords("without link the bus falls silent", "verify: how it shows", has_device=False),
    "failsafe-drops": FaultWords("the failsafe flag drops while the transmitter is off", "verify: flag stays up",
                                 has_device=False, value="seconds after it came (1)", most=60),
    "failsafe-stays": FaultWords("its channel stays in its failsafe position when the link is back",
                                 "verify: after return"),
    "power-up-wild": FaultWords("its channel goes to an end before the first link", "verify: from the first frame on"),
    "pulse-at-rest": FaultWords("its channel goes to an end while all is at rest", "verify: rest",
                                value="seconds (0.3)", most=2),
    "pulse-between": FaultWords("its channel goes to an end after another control was moved",
                                "verify: moves alone; of a motor rest, too", value="seconds (0.3)", most=0.7),
    "pulse-lost": FaultWords("its channel goes to an end in frames flagged lost", "verify: while lost",
                             value="seconds (0.3)", most=60),
    "pulse-failsafe": FaultWords("its channel goes to an end in failsafe", "verify: failsafe value",
                                 value="seconds (0.3)", most=60),
    "pulse-return": FaultWords("its channel goes to an end when the link is back", "verify: after return",
                               value="seconds (0.3)", most=60),
    "lost-frames": FaultWords("frames are flagged lost at random", "verify: frames flagged lost", has_device=False,
                              value="% of all (3)", most=100),
    "missing-frames": FaultWords("frames are missing at random", "verify: missing frames", has_device=False,
                                 value="% of all (3)", most=100),
    "jitter": FaultWords("frames come unevenly", "verify: jitter", has_device=False,
                         value="ms, rms (1)", most=1.5),
    "wrong-period": FaultWords("frames come at another period", "verify: period", has_device=False,
                               value="ms (1.5 times the plan's)", least=6, most=100),
}  # fmt: skip


def motion_faults() -> str:
    """The kinds that a walk shows, as in "reversed, dead"."""
    return ", ".join(kind for kind, words in FAULTS.items() if not words.is_sent)


def parse_fault(text: str) -> AircraftFault:
    """Parse a fault: KIND, KIND:DEVICE, KIND:DEVICE:VALUE or KIND::VALUE.

    Args:
        text: for example "reversed:left flap", "wrong-channel:rudder:5" or "brown-out::0.8".

    Raises:
        RigError: unknown kind, or invalid value.
    """
    word, _, rest = text.partition(":")
    device, has_value, number = rest.rpartition(":") if ":" in rest else (rest, "", "")
    word = word.strip()
    kind, words = word, FAULTS.get(word)
    if words is None:
        hint = meant(word, FAULTS, otherwise=f"give one of {', '.join(FAULTS)}")
        raise RigError("--fault", "", f'"{word}" is not known', hint=hint)
    if not has_value:
        return AircraftFault(kind, device.strip())
    if not words.value:
        raise RigError("--fault", kind, "takes no value", hint=f"leave :{number} out")
    try:
        value = float(number)
    except ValueError:
        value = math.nan
    if not words.least <= value <= words.most:
        what = f'"{number}" is {"not a number" if math.isnan(value) else "out of range"}'
        raise RigError("--fault", kind, what, hint=f"give {words.least:g} to {words.most:g}; VALUE is {words.value}")
    return AircraftFault(kind, device.strip(), value)


def check_fault(fault: AircraftFault, rig: Rig) -> None:
    """Refuse a fault that cannot be built in (raises RigError: no such driven device, or it cannot show)."""
    words = FAULTS[fault.kind]
    if fault.kind == "brown-out" and rig.supply.minimum_v is None:
        raise RigError("--fault", fault.kind, "the plan states no minimum_v", hint="state it in [supply]")
    names = [device.name for device in rig.driven if words.is_sent is False or device.channel is not None]
    if not words.has_device:
        if fault.device:
            what = f'applies to no single device, but "{fault.device}" is given'
            raise RigError("--fault", fault.kind, what, hint=f"give {fault.kind}" + "::VALUE" * bool(words.value))
    elif not fault.device:
        raise RigError("--fault", fault.kind, "DEVICE is missing", hint=f"give one of {', '.join(names)}")
    elif fault.device not in names:
        near = difflib.get_close_matches(fault.device, names, n=1)
        hint = f'did you mean "{near[0]}"?' if near else f"give one of {', '.join(names)}"
        raise RigError("--fault", fault.kind, f'no device is named "{fault.device}"', hint=hint)
    for mapped in channel_plans(rig) if fault.kind in ("sent-short", "failsafe-stays") else ():
        if fault.device not in {device.name for device in mapped.devices}:
            continue
        level = failsafe_level(mapped)
        if fault.kind == "sent-short" and mapped.is_on_off and (fault.value is None or fault.value >= _ON_OFF_PCT):
            what, hint = "does not show on an on/off channel", f"give a VALUE below {_ON_OFF_PCT:g}, or another device"
            raise RigError("--fault", fault.kind, what, hint=hint)
        is_rest = level is not None and abs(level - mapped.rest_counts) <= rig.limits.rest_counts
        if fault.kind == "failsafe-stays" and mapped.must_rest and is_rest:
            what = f'does not show on "{fault.device}", at rest in failsafe as when the link is back'
            raise RigError("--fault", fault.kind, what, hint="give another device")
