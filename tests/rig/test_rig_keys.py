"""The keys of a rig file: what each may hold at its ends, and what it is where it is not given."""

from __future__ import annotations

from typing import Any

import pytest

from busbench.errors import RigError
from busbench.rig.model import Current, Device, Geometry, Hub, Lead, Pack, Plan, Rig, Supply, VerifyLimits
from busbench.schema import TableReader

LEAD = {"length_m": 1, "awg": 20}
NEEDED: dict[str, Any] = {"rig": {"name": "Heron", "period_ms": 14}, "supply": {"voltage_v": 7.4}}


def read(**tables: Any) -> Rig:
    def raises(key: str, what: str, hint: str) -> RigError:
        return RigError("rig.toml", key, what, hint=hint)

    return TableReader({**NEEDED, **tables}, Rig, raises=raises).read()


def with_value(where: str, value: object) -> dict[str, Any]:
    """The tables of a plan with one key, written as table.key."""
    table, _, key = where.rpartition(".")
    match table:
        case "rig" | "supply":
            return {table: {**NEEDED[table], key: value}}
        case "pack":
            return {"supply": {"voltage_v": 7.4, "pack": {"cells": 2, "capacity_mah": 3000, key: value}}}
        case "lead":
            rest = LEAD if key not in ("awg", "area_mm2", "resistance_ohm") else {"length_m": 1}
            return {"supply": {"voltage_v": 7.4, "lead": {**rest, key: value}}}
        case "hub":
            return {"hub": [{"name": "h", key: value}]}
        case "device":
            return {"device": [{"name": "d", key: value}]}
        case "current_a" | "geometry":
            return {"device": [{"name": "d", table: {key: value}}]}
    return {table: {key: value}}


ABOVE_0: tuple[list[float], list[float]] = ([1e-6, 1, 1e6], [0, -1, 1e-7, 1.1e6])
AT_LEAST_0: tuple[list[float], list[float]] = ([0, 1e-6, 1e6], [-1e-6, -1, 1.1e6])
PERCENT: tuple[list[float], list[float]] = ([-200, 0, 200], [-200.1, 200.1])
BOUNDS: dict[str, tuple[list[float], list[float]]] = {
    **dict.fromkeys(
        (
            "rig.period_ms", "supply.voltage_v", "supply.minimum_v", "supply.maximum_v", "supply.limit_a",
            "pack.capacity_mah", "lead.length_m", "lead.area_mm2", "lead.limit_a", "hub.limit_a", "device.neutral_us",
            "device.speed_s_per_60deg", "current_a.hold_lowered_after_s", "geometry.arm_mm", "geometry.horn_mm",
            "geometry.base_mm", "geometry.chord_mm", "verify.period_pct", "verify.jitter_ms", "verify.loss_pct",
            "verify.outage_s", "verify.noise_counts", "verify.rest_counts", "verify.end_pct", "verify.others_counts",
            "verify.failsafe_after_s", "verify.failsafe_counts", "verify.hands_pct", "verify.recovery_s",
            "verify.return_s", "verify.pulse_us",
        ),
        ABOVE_0,
    ),
    **dict.fromkeys(
        (
            "supply.resistance_ohm", "lead.resistance_ohm", "lead.connector_ohm", "device.start_ramp_s",
            "device.dead_band_us", "current_a.idle", "current_a.moving", "current_a.stall", "current_a.holding",
        ),
        AT_LEAST_0,
    ),
    **dict.fromkeys(("device.idle_pct", "device.rest_pct", "device.failsafe", "device.when_silent"), PERCENT),
    "pack.cells": ([1, 1000], [0, -1]),
    "pack.usable_pct": ([0.1, 100], [0, 100.1]),
    "lead.awg": ([0, 40], [-1, 41]),
    "device.slot": ([0, 31], [-1, 32]),
    "device.travel_pct": ([0.1, 200], [0, 200.1]),
    "geometry.throw_deg": ([0.1, 120], [0, 120.1]),
    "geometry.arm_deg": ([0.1, 120], [0, 120.1]),
    "verify.frames_least": ([1, 1e6], [0]),
    "verify.glitches": ([0, 1e6], [-1]),
    "scale.centre_counts": ([0, 2047], [-1, 2048]),
    "scale.centre_us": ([500, 2500], [499, 2501]),
    "scale.us_per_count": ([0.01, 10], [0.009, 10.1]),
}  # fmt: skip


@pytest.mark.parametrize("where", BOUNDS)
def test_a_number_may_be_at_its_ends_and_no_further(where: str) -> None:
    good, bad = BOUNDS[where]
    for value in good:
        read(**with_value(where, value))
    for value in bad:
        with pytest.raises(RigError, match=r"is out of range|is far too"):
            read(**with_value(where, value))


@pytest.mark.parametrize(
    "where",
    ["rig.name", "hub.name", "hub.from", "device.name", "device.on", "device.control", "device.gimbal", "device.group",
     "device.high_when", "device.ignition_kill"],
)  # fmt: skip
def test_a_name_has_1_to_60_characters(where: str) -> None:
    for text in ("x", "x" * 60):
        read(**with_value(where, text))
    for text in ("", "x" * 61):
        with pytest.raises(RigError, match=r"give 1 to 60$"):
            read(**with_value(where, text))


@pytest.mark.parametrize(("table", "most"), [("hub", 1000), ("feed", 1000), ("device", 10_000)])
def test_there_are_so_many_tables_and_no_more(table: str, most: int) -> None:
    with pytest.raises(RigError, match=rf"{most + 1:,} tables are too many: state at most {most:,}$"):
        read(**{table: [{}] * (most + 1)})
    with pytest.raises(RigError, match=rf"{table}\[1\]\.\w+: missing"):  # it looks into them
        read(**{table: [{}] * most})


def test_what_is_not_given() -> None:
    plan = read(device=[{"name": "d"}], hub=[{"name": "h"}])
    assert plan.plan == Plan(name="Heron", period_ms=14.0, sensor_slots=False)
    assert plan.supply == Supply(
        voltage_v=7.4, resistance_ohm=0.0, minimum_v=None, maximum_v=None, lead=None, limit_a=None, pack=None
    )
    assert plan.hubs == (Hub(name="h", parent="receiver", lead=None, limit_a=None),)
    assert plan.devices == (
        Device(
            name="d", kind="servo", channel=None, motor=None, idle_pct=None, ignition_kill=None, control=None,
            gimbal=None, high_when=None, above_neutral=None, rest_pct=None, failsafe=None, when_silent="hold",
            parent="receiver", lead=None, slot=None, mounting="normal", reversed=False, group=None, neutral_us=None,
            travel_pct=100.0, speed_s_per_60deg=None, start_ramp_s=0.0, dead_band_us=0.0,
            geometry=Geometry(
                arm_mm=None, horn_mm=None, base_mm=None, chord_mm=None, throw_deg=None, arm_deg=45.0
            ),
            current_a=Current(idle=None, moving=None, stall=None, holding=None, hold_lowered_after_s=None),
        ),
    )  # fmt: skip
    assert Pack(cells=1, capacity_mah=1.0).usable_pct == 80.0
    assert Lead(length_m=1.0, awg=20).connector_ohm == 0.0
    assert (plan.scale.centre_counts, plan.scale.centre_us, plan.scale.us_per_count) == (992.0, 1500.0, 0.625)
    assert plan.feeds == ()


def test_the_usual_limits_of_verify() -> None:
    assert read().limits == VerifyLimits(
        frames_least=500, period_pct=1.0, jitter_ms=0.5, loss_pct=1.0, outage_s=0.1, glitches=0, noise_counts=2.0,
        rest_counts=8.0, end_pct=3.0, others_counts=8.0, failsafe_after_s=1.5, failsafe_counts=8.0, hands_pct=10.0,
        recovery_s=2.0, return_s=0.5, pulse_us=5.0,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("lead", "said"),
    [
        ({"awg": 0, "length_m": 1}, None),
        ({"area_mm2": 1, "length_m": 1}, None),
        ({"resistance_ohm": 0}, None),
        ({"resistance_ohm": 0, "length_m": 1}, None),
        ({"length_m": 1}, "states no gauge, area or resistance"),
        ({}, "states no gauge, area or resistance"),
        ({"awg": 0, "area_mm2": 1, "length_m": 1}, "states awg and area_mm2"),
        ({"awg": 0, "resistance_ohm": 0, "length_m": 1}, "states awg and resistance_ohm"),
        ({"awg": 20, "area_mm2": 1, "resistance_ohm": 0}, "states awg and area_mm2 and resistance_ohm"),
        ({"awg": 20}, "states awg without length_m"),
        ({"area_mm2": 1}, "states area_mm2 without length_m"),
    ],
    ids=str,
)
def test_a_lead_states_one_of_gauge_area_and_resistance(lead: dict[str, float], said: str | None) -> None:
    if said is None:
        read(supply={"voltage_v": 7.4, "lead": lead})
        return
    with pytest.raises(RigError, match=rf"supply\.lead: {said}: give "):
        read(supply={"voltage_v": 7.4, "lead": lead})


@pytest.mark.parametrize(
    ("motor", "kind"), [(True, "electric"), ("electric", "electric"), ("engine", "engine"), (False, None), (None, None)]
)
def test_what_turns_a_propeller(motor: object, kind: str | None) -> None:
    given = {} if motor is None else {"motor": motor}
    assert read(device=[{"name": "d", **given}]).devices[0].motor_kind == kind


def test_devices_are_found_by_name_and_sensors_are_not_driven() -> None:
    plan = read(device=[{"name": "a"}, {"name": "s", "kind": "sensor"}, {"name": "p", "kind": "off-bus"}])
    assert [one.name for one in plan.driven] == ["a", "p"]
    assert plan.device("s").kind == "sensor"
    with pytest.raises(KeyError):
        plan.device("b")
    assert [one.name for one in read(hub=[{"name": "h"}], device=[{"name": "a"}]).parts] == ["h", "a"]
