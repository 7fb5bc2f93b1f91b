"""Set-up order and labels, as text and as the printable page."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from busbench.errors import SAFETY
from busbench.rig.check_devices import failsafe_text
from busbench.rig.html import html_template
from busbench.rig.model import Device, Rig
from busbench.rig.motors import kill_names, kill_rest_pct, motor_rest_pct
from busbench.rig.travel import endpoints_of
from busbench.rig.wiring_tree import branch_titles, draw_tree, layout_tree
from busbench.wire.frame_spec import CHANNELS

RULES = (
    f"{SAFETY} Nothing but its own supply powers a device while it is being set up.",
    "Plug in one device alone. A setting written while two are plugged in reaches both.",
    "Write its settings, move its channel to both ends and back, and see that it obeys no other channel.",
    "Stick its label on, unplug it, and only then take the next.",
)
INDENT = "        "


@dataclass(frozen=True, slots=True)
class SetupStep:
    """One device to set up."""

    order: int  # from 1
    label: str
    channel: int | None  # 1-18, None for a sensor
    name: str
    kind: str  # "servo", "off-bus" or "sensor"
    group: str  # its group, or ""
    plugged_into: str  # hub or receiver that it is plugged into afterwards
    above_neutral: str  # direction of its surface with the channel above neutral, "" if not stated
    note: str  # further remarks, or ""
    failsafe: str  # failsafe in short
    # low_counts, neutral_counts, high_counts: as sent, None for sensors and on/off channels
    low_counts: int | None
    neutral_counts: int | None
    high_counts: int | None
    low_us: float | None  # low_us, neutral_us, high_us: the same as pulses at the rig's scale
    neutral_us: float | None
    high_us: float | None
    reversed: bool | None  # True if it must be reversed, None for a sensor

    @property
    def reversed_text(self) -> str:
        """For example "reversed", for people."""
        return "" if self.reversed is None else "reversed" if self.reversed else "not reversed"


def setup_steps(rig: Rig) -> tuple[SetupStep, ...]:
    """The order in which to set up the devices, each plugged in alone.

    Ordered by channel; members of one group together; motors and sensors last.
    """
    first: dict[str, int] = {}
    for device in rig.driven:
        if device.group is not None:
            channel = device.channel or 0
            first[device.group] = min(first.get(device.group, channel), channel)

    def key(device: Device) -> tuple[bool, bool, int, str, int]:
        channel = device.channel or 0
        lead = first.get(device.group or "", channel)
        return device.kind == "sensor", device.motor_kind is not None, lead, device.group or "", channel

    kills = kill_names(rig)
    return tuple(_step(rig, device, order, kills) for order, device in enumerate(sorted(rig.devices, key=key), 1))


def _step(rig: Rig, device: Device, order: int, kills: frozenset[str]) -> SetupStep:
    ends = endpoints_of(device, rig.scale)
    is_sensor = device.kind == "sensor"
    has_ends = not is_sensor and device.channel is not None and 1 <= device.channel <= CHANNELS
    return SetupStep(
        order=order,
        label=device.name if device.channel is None else f"{device.channel} {device.name}",
        channel=device.channel,
        name=device.name,
        kind=device.kind,
        group=device.group or "",
        plugged_into=device.parent,
        above_neutral=device.above_neutral or "",
        note=_note(device, is_kill=device.name in kills),
        failsafe="" if is_sensor else failsafe_text(device.failsafe),
        low_counts=round(ends.low_counts) if has_ends else None,
        neutral_counts=round(ends.neutral_counts) if has_ends else None,
        high_counts=round(ends.high_counts) if has_ends else None,
        low_us=ends.low_us if has_ends else None,
        neutral_us=ends.neutral_us if has_ends else None,
        high_us=ends.high_us if has_ends else None,
        reversed=None if is_sensor else device.reversed,
    )


def _motor_note(device: Device) -> str:
    rest = motor_rest_pct(device)
    at = "a position not known" if rest is None else f"{rest:g} % as sent"
    if device.motor_kind == "electric":
        return f"motor: off at {at}"
    return f"engine: rests at {at}, ignition off by {device.ignition_kill or 'what is not stated'}"


def _note(device: Device, *, is_kill: bool) -> str:
    notes = []
    if device.motor_kind:
        notes.append(f"{_motor_note(device)}; propeller off, locked when driving")
    elif is_kill:
        pct = kill_rest_pct(device)
        at = "at a position not stated" if pct is None else f"at {pct:g} % as sent"
        notes.append(f"kills the ignition {at}: locked when driving")
    if device.kind == "off-bus":
        notes.append("on a pulse output: set the receiver's output, not the device")
    elif device.kind == "sensor" and device.slot is not None:
        notes.append(f"slot {device.slot}")
    elif device.channel is not None and device.channel > CHANNELS:
        notes.append("on or off")
    if device.mounting == "mirrored":
        notes.append("mounted mirrored")
    if device.above_neutral is not None:
        notes.append(f"goes {device.above_neutral} above neutral")
    return "; ".join(notes)


def sheet_html(rig: Rig, *, made_on: str = "") -> str:
    """The page to print (set-up order, labels, wiring tree): one A4 document without scripts, all text escaped."""
    rows = layout_tree(rig)
    wiring = [(title, row.lead) for title, row in zip(branch_titles(rows), rows, strict=True)]
    page = html_template("busbench.rig", "sheet.html")
    return page.render(rig=rig, rules=RULES, steps=setup_steps(rig), wiring=wiring, made_on=made_on)


def sheet_lines(rig: Rig, *, is_ascii: bool = False) -> Iterator[str]:
    """Rules, a few lines per device with a box to tick, and the tree; not wrapped."""
    unit = "us" if is_ascii else "µs"
    yield f"{rig.plan.name}: set-up sheet"
    yield ""
    yield from (f"{number}. {rule}" for number, rule in enumerate(RULES, 1))
    yield ""
    for step in setup_steps(rig):
        yield from _block(step, unit)
        yield ""
    yield f"Pulses at the plan's scale: {rig.scale.describe().replace('µs', unit)}."
    yield ""
    yield draw_tree(layout_tree(rig), is_ascii=is_ascii)


def _block(step: SetupStep, unit: str) -> Iterator[str]:
    channel = f"channel {step.channel}: " if step.channel is not None else f"{step.kind}: "
    yield f"[ ] {step.order:2d}  {channel}{step.name}, then into {step.plugged_into}"
    values = []
    if step.low_us is not None and step.neutral_us is not None and step.high_us is not None:
        values.append(f"low {step.low_us:4.0f}  neutral {step.neutral_us:4.0f}  high {step.high_us:4.0f} {unit}")
    if step.failsafe:
        values.append(f"failsafe {step.failsafe}")
    if step.reversed_text:
        values.append(step.reversed_text)
    for line in ("   ".join(values), step.note):
        if line:
            yield INDENT + line
