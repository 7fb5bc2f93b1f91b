"""The commented rig file to start from: an example with comments from the declared keys."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

import msgspec

from busbench.rig.model import Device, Hub, Pack, Plan, Supply, SupplyFeed, VerifyLimits
from busbench.schema import Table, default_text, key_texts
from busbench.wire.scale_table import ScaleTable

_COMMENT_AT, _COLUMNS = 25, 110


@dataclass(frozen=True, slots=True)
class _Example:
    """One table of the file."""

    heading: str  # for example "[rig]"
    table: type[Table]  # its keys
    values: Mapping[str, str]  # stated values; other keys are commented out
    likely: Mapping[str, str] = field(default_factory=dict)  # example values of commented keys without a default
    about: str = ""  # comment above it
    is_brief: bool = False  # True for a repeated table, without comments and further keys
    is_off: bool = False  # True if all of it is commented out

    def lines(self) -> Iterator[str]:
        """The lines of the file."""
        yield from ("", *textwrap.wrap(self.about, 88, initial_indent="# ", subsequent_indent="# "))
        yield "# " * self.is_off + self.heading
        texts = key_texts(self.table)
        for one in msgspec.structs.fields(self.table):
            key = one.encode_name
            value = self.values.get(key) or self.likely.get(key) or default_text(one)
            if not value or (self.is_brief and key not in self.values):
                continue
            line = "# " * (self.is_off or key not in self.values) + f"{key} = {value}"
            yield from [line] if self.is_brief else _commented(line, texts[one.name])


def _commented(line: str, text: str) -> Iterator[str]:
    at = max(_COMMENT_AT, len(line) + 2)
    first, *more = textwrap.wrap(text, _COLUMNS - _COMMENT_AT, break_on_hyphens=False)
    yield f"{line:<{at}}# {first}"
    yield from (f"#{'':<{_COMMENT_AT - 1}}# {part}" for part in more)


_LEAD = "{ length_m = 0.3, awg = 24 }"
_WING = {"from": '"receiver"', "lead": "{ length_m = 0.8, awg = 20, connector_ohm = 0.01 }", "limit_a": "5"}
_AILERON = {
    "control": '"aileron stick"', "high_when": '"right"', "failsafe": "0", "lead": _LEAD, "speed_s_per_60deg": "0.15",
    "dead_band_us": "3", "current_a": "{ idle = 0.02, moving = 0.5, stall = 2.0 }",
}  # fmt: skip
_LEFT = {"name": '"left aileron"', "kind": '"servo"', "channel": "1", "above_neutral": '"down"', "on": '"left wing"'}
_RIGHT = {"name": '"right aileron"', "channel": "2", "above_neutral": '"up"', "on": '"right wing"'}
_LIKELY = {
    "motor": "false", "idle_pct": "-85", "ignition_kill": '"kill switch"', "gimbal": '"right stick"',
    "rest_pct": "0", "slot": "0", "group": '"flaps"', "neutral_us": "1500",
    "geometry": "{ arm_mm = 12, horn_mm = 20, base_mm = 80, chord_mm = 50, arm_deg = 45 }",
}  # fmt: skip
_MOTOR = {
    "name": '"motor"', "kind": '"off-bus"', "channel": "3", "motor": '"electric"', "control": '"motor slider"',
    "rest_pct": "-100", "failsafe": "-100", "lead": "{ length_m = 0.2, awg = 22 }", "current_a": "{ idle = 0 }",
}  # fmt: skip
_EXAMPLES = (
    _Example("[rig]", Plan, {"name": '"My aircraft"', "period_ms": "14.0"}),
    _Example(
        "[supply]", Supply,
        {"voltage_v": "7.4", "resistance_ohm": "0.05", "minimum_v": "5.0", "lead": "{ length_m = 0.2, awg = 18 }"},
        {"maximum_v": "8.4", "limit_a": "10"},
    ),
    _Example("[supply.pack]", Pack, {"cells": "2", "capacity_mah": "3000"}),
    _Example("[[hub]]", Hub, {"name": '"left wing"', **_WING},
             about="A hub is where the bus branches. Lengths are one way. A lead states its gauge (awg), its copper"
             " area (area_mm2) or its measured resistance out and back (resistance_ohm)."),
    _Example("[[hub]]", Hub, {"name": '"right wing"', **_WING}, is_brief=True),
    _Example("[[feed]]", SupplyFeed, {"to": '"left wing"', "lead": "{ length_m = 1.0, awg = 18 }"}, is_off=True,
             about="A second supply lead straight to a hub."),
    _Example("[[device]]", Device, _LEFT | _AILERON, _LIKELY, about="One table for each device. If you leave a key out,"
             " it is as shown after the #."),
    _Example("[[device]]", Device, _RIGHT | _AILERON | {"mounting": '"mirrored"'}, is_brief=True),
    _Example("[[device]]", Device, _MOTOR, is_brief=True, is_off=True,
             about="A speed controller is connected to an ordinary pulse lead of the receiver."
             " An engine also needs idle_pct and ignition_kill."),
    _Example("[scale]", ScaleTable, {"centre_counts": "992", "centre_us": "1500.0", "us_per_count": "0.625"},
             about="Pulse width from counts: measure it if you can, with `busbench pulses`."),
    _Example("[verify]", VerifyLimits, {}, about="What passes `busbench verify`: these are the defaults.", is_off=True),
)  # fmt: skip
STARTER = """\
# The plan of an aircraft. Check it with `busbench rig check`, then see
# `busbench rig power` (voltage and current) and `busbench rig sheet` (set-up and labels).
# The program ignores lines that begin with #: remove the # to use a key.
""" + "".join(f"{line}\n" for example in _EXAMPLES for line in example.lines())
