"""Load cases at their bounds: which current counts, what is above a limit, and what a program asks of the supply."""

from __future__ import annotations

import numpy as np
import pytest

from busbench.rig import power
from busbench.rig.model import Rig
from busbench.rig.power import (
    LoadCase,
    WarningKind,
    find_endurance,
    power_cases,
    run_program,
    stall_case,
    stalling,
    unlisted_stalls,
    unstated_currents,
)
from tests.rig.rigs import device, hub, rig

OHM = "lead = {resistance_ohm = 0.1}"
# 8 V; 0.1 ohm in the supply, in its lead and in each other lead.
HEAD = f'[rig]\nname = "a"\nperiod_ms = 14\n[supply]\nvoltage_v = 8\nresistance_ohm = 0.1\nminimum_v = 7\n{OHM}\n'


def one(current: str, *more: str, head: str = HEAD) -> Rig:
    return rig(device("x", 1, OHM, f"current_a = {{{current}}}", *more), head=head)


@pytest.mark.parametrize(
    ("current", "idle_a", "moving_a", "stall_a"),
    [
        ("idle = 0.1, moving = 0.2, stall = 0.3", 0.1, 0.2, 0.3),
        ("idle = 0.1, moving = 0.2", 0.1, 0.2, 0.2),
        ("idle = 0.1, stall = 0.3", 0.1, 0.1, 0.3),
        ("idle = 0.1", 0.1, 0.1, 0.1),
        ("moving = 0.2", 0.0, 0.2, 0.2),
        ("stall = 0.3", 0.0, 0.0, 0.3),
        ("moving = 0, idle = 0.1", 0.1, 0.0, 0.0),  # stated, if none
        ("stall = 0, moving = 0.2", 0.0, 0.2, 0.0),
        ("holding = 0.4", 0.0, 0.0, 0.0),
        ("", 0.0, 0.0, 0.0),
    ],
)
def test_a_current_that_is_not_stated_is_the_next_lower_one(
    current: str, idle_a: float, moving_a: float, stall_a: float
) -> None:
    plan = one(current)
    cases = {case.case: case.node("x").current_a for case in power_cases(plan)}
    assert (cases["all idle"], cases["all moving"], cases["all stalled"]) == pytest.approx((idle_a, moving_a, stall_a))
    assert (stall_case("x") in cases) == ("stall" in current)
    assert stalling(plan) == ([0] if "stall" in current else [])
    assert unstated_currents(plan) == ([] if any(key in current for key in ("idle", "moving", "stall")) else ["x"])


def warnings_of(plan: Rig, case: str = "all moving") -> list[str]:
    return [str(warning) for found in power_cases(plan) if found.case == case for warning in found.warnings]


def test_a_voltage_at_the_minimum_is_enough() -> None:
    # 0.1 ohm three times: 3.3 A leave 7.01 V at x, 3.4 A 6.98 V.
    assert warnings_of(one("moving = 3.3")) == []
    assert warnings_of(one("moving = 3.4")) == ["x: 6.98 V is below the minimum of 7 V"]
    no_minimum = HEAD.replace("minimum_v = 7\n", "")
    assert warnings_of(one("moving = 70", head=no_minimum)) == [
        "the plan asks for more than the leads can carry: a voltage falls to nothing",
        "lead to x: 70.00 A is above its limit of 5 A (connectors)",
    ]
    # Of 8 V at 26 A 0.2 V are left.
    assert [one for one in warnings_of(one("moving = 26", head=no_minimum)) if "nothing" in one] == []


@pytest.mark.parametrize(("amps", "is_more"), [(2.5, False), (2.6, True)])
def test_a_limit_may_be_reached(amps: float, is_more: bool) -> None:
    limits = [
        (one(f"moving = {amps}", head=HEAD.replace("voltage_v = 8", "voltage_v = 8\nlimit_a = 2.5")), "supply"),
        (
            one(
                f"moving = {amps}",
                head=HEAD.replace(OHM, "lead = {resistance_ohm = 0.1, limit_a = 2.5}"),
            ),
            "lead from supply to receiver",
        ),
        (
            rig(device("x", 1, "lead = {resistance_ohm = 0.1, limit_a = 2.5}", f"current_a = {{moving = {amps}}}"),
                head=HEAD),
            "lead to x",
        ),
        (
            rig(hub("w", OHM, "limit_a = 2.5"), device("x", 1, OHM, 'on = "w"', f"current_a = {{moving = {amps}}}"),
                head=HEAD),
            "hub w",
        ),
    ]  # fmt: skip
    for plan, where in limits:
        said = [f"{where}: {amps:.2f} A is above its limit of 2.5 A (stated)"] if is_more else []
        assert [text for text in warnings_of(plan) if "limit" in text] == said
    kinds = [warning.kind for case in power_cases(limits[3][0]) for warning in case.warnings if "limit" in warning.text]
    assert set(kinds) <= {WarningKind.CURRENT}


def test_hubs_are_held_to_their_own_limits() -> None:
    wings = [hub("a", OHM, "limit_a = 9"), hub("b", OHM), hub("c", OHM, "limit_a = 1")]
    devices = [device(f"d{one}", 1, OHM, f'on = "{one}"', "current_a = {moving = 1.5}") for one in "abc"]
    said = [text for text in warnings_of(rig(*wings, *devices, head=HEAD)) if text.startswith("hub")]
    assert said == ["hub c: 1.50 A is above its limit of 1 A (stated)"]


def test_only_cases_of_one_stalled_device_are_left_out() -> None:
    plan = rig(*(device(f"d{n}", 1, OHM, f"current_a = {{moving = 0.1, stall = {n}}}") for n in (1, 2, 3)), head=HEAD)
    cases = power_cases(plan)
    assert unlisted_stalls(plan, cases) == 0
    assert unlisted_stalls(plan, cases[:3]) == 2
    assert unlisted_stalls(plan, [*cases[:3], LoadCase("program", 1.0, (), ())]) == 2


def test_at_least_ten_stalls_are_listed(monkeypatch: pytest.MonkeyPatch) -> None:
    plan = rig(*(device(f"d{n}", 1, OHM, f"current_a = {{stall = {0.1 + n / 100}}}") for n in range(12)), head=HEAD)
    monkeypatch.setattr(power, "CELLS_MAX", 14 * 11 + 13)  # 14 nodes
    assert unlisted_stalls(plan, power_cases(plan)) == 1
    monkeypatch.setattr(power, "CELLS_MAX", 14)
    assert unlisted_stalls(plan, power_cases(plan)) == 2
    assert [case.case for case in power_cases(plan)][2] == "d2 stalled, rest moving"


def run(plan: Rig, counts: list[int], *, flags: object = 0, period_s: float = 0.1) -> power.ProgramRun:
    rows = np.full((len(counts), 16), 992, np.uint16)
    rows[:, 0] = counts
    return run_program(plan, rows, period_s=period_s, flags=flags)  # type: ignore[arg-type]


SLOW = "speed_s_per_60deg = 0.33"  # 45 degrees in a quarter of a second
PACK = "[supply.pack]\ncells = 2\ncapacity_mah = 1000\nusable_pct = 50\n"


def test_a_program_takes_its_worst_moment_and_its_mean() -> None:
    plan = rig(PACK, device("x", 1, OHM, SLOW, "current_a = {idle = 0.5, moving = 2}"), head=HEAD)
    found = run(plan, [992, 992, 1811, 1811, 1811, 1811, 1811])
    # The frame of row 2 is obeyed in the steps before rows 3, 4 and 5; one more step follows the last row.
    assert found.worst_s == pytest.approx(0.3)
    assert found.mean_a == pytest.approx((5 * 0.5 + 3 * 2) / 8)
    assert found.hours == pytest.approx(0.5 / found.mean_a)
    assert found.case.case == "program"
    assert (found.case.supply_a, found.case.node("x").voltage_v) == pytest.approx((2.0, 8 - 0.3 * 2))
    assert run(plan, [992]).mean_a == pytest.approx(0.5)
    still = run(rig(PACK, device("x", 1, OHM, "current_a = {}"), head=HEAD), [992])
    assert (still.hours, still.mean_a) == (None, 0.0)


def test_sensors_draw_what_they_draw_at_rest_in_a_program() -> None:
    sensor = device("s", None, OHM, 'kind = "sensor"', "current_a = {idle = 0.25, moving = 9}", failsafe=None)
    plan = rig(sensor, device("x", 1, OHM, "current_a = {idle = 0.5}"), head=HEAD)
    found = run(plan, [992, 1811])
    assert found.mean_a == pytest.approx(0.75)
    assert found.case.node("s").current_a == pytest.approx(0.25)


def test_a_program_with_on_off_channels() -> None:
    gear = device("g", 17, OHM, SLOW, "current_a = {idle = 0, moving = 1}", failsafe="100")
    plan = rig(gear, head=HEAD)
    assert run(plan, [992] * 4, flags=[0, 0, 1, 1]).case.supply_a == pytest.approx(1)
    assert run(plan, [992] * 4, flags=[0, 0, 2, 2]).case.supply_a == pytest.approx(0)  # of channel 18
    assert run(plan, [992] * 4, flags=1).case.supply_a == pytest.approx(0)  # it is there from the start


def test_a_program_without_devices_or_frames() -> None:
    empty = rig(head=HEAD)
    found = run(empty, [992, 992])
    assert (found.mean_a, found.worst_s) == (0.0, 0.0)
    assert [node.name for node in found.case.nodes] == ["supply", "receiver"]
    assert run(one("idle = 0.5"), []).mean_a == pytest.approx(0.5)


def test_how_long_a_pack_lasts() -> None:
    lowered = "idle = 0.1, moving = 1, holding = 0.6, hold_lowered_after_s = 5"
    for current, rest_a in (
        ("idle = 0.1, moving = 1", 0.1),
        ("idle = 0.1, moving = 1, holding = 0.6", 0.6),
        (lowered, 0.1),
    ):
        plan = rig(PACK, device("x", 1, OHM, f"current_a = {{{current}}}"), head=HEAD)
        found = find_endurance(plan, moving_pct=40)
        assert found is not None
        assert found.mean_a == pytest.approx(0.6 * rest_a + 0.4 * 1)
        assert found.usable_mah == 500
        assert found.hours == pytest.approx(0.5 / found.mean_a)
    nothing = find_endurance(rig(PACK, head=HEAD), moving_pct=40)
    assert nothing is not None
    assert (nothing.mean_a, nothing.hours) == (0.0, None)
