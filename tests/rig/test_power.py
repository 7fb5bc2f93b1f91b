"""voltage and current of a plan: hand-worked cases, limits, advice with its gain, endurance."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from busbench.errors import RigError
from busbench.rig.conductor import is_above, lead_ohm
from busbench.rig.harness import Branch, Network, Solver, build_network
from busbench.rig.model import Lead
from busbench.rig.power import (
    LoadCase,
    WarningKind,
    find_endurance,
    holding_more_a,
    power_cases,
    run_program,
    unstated_currents,
)
from busbench.rig.power_text import power_lines
from busbench.rig.weakest import find_weakest
from tests.rig.rigs import device, hub, rig

OHM = "lead = {resistance_ohm = 0.1}"
# 8 V after 0.1 ohm, supply lead 0.1 ohm, hub lead 0.1 ohm, device leads 0.1 ohm.
HEAD_OHM = (
    '[rig]\nname = "a"\nperiod_ms = 14\n[supply]\nvoltage_v = 8\nresistance_ohm = 0.1\nminimum_v = 7\n' + OHM + "\n"
)
ONE = device("one", 1, OHM, 'on = "wing"', "current_a = {idle = 0, moving = 1, stall = 3}")
TWO = device("two", 2, OHM, "current_a = {idle = 0.5, moving = 1, stall = 2}")
WING = hub("wing", OHM)


def by_name(cases: list[LoadCase]) -> dict[str, LoadCase]:
    return {case.case: case for case in cases}


def test_cases_worked_by_hand() -> None:
    cases = by_name(power_cases(rig(WING, ONE, TWO, head=HEAD_OHM)))
    assert list(cases) == [
        "all idle",
        "all moving",
        "one stalled, rest moving",
        "two stalled, rest moving",
        "all stalled",
    ]
    moving = cases["all moving"]  # 2 A in all: 0.2 V in the supply, 0.2 V to the receiver, 0.1 V each further lead
    assert moving.supply_a == pytest.approx(2)
    assert {node.name: (round(node.voltage_v, 6), round(node.current_a or 0.0, 6)) for node in moving.nodes} == {
        "supply": (7.8, 2.0),
        "receiver": (7.6, 2.0),
        "wing": (7.5, 1.0),
        "one": (7.4, 1.0),
        "two": (7.5, 1.0),
    }
    assert moving.warnings == ()
    assert cases["all idle"].node("two").voltage_v == pytest.approx(8 - 3 * 0.05)
    # 3 A and 1 A: 8 - 0.8 at the receiver, 0.6 less at the stalled one.
    stalled = cases["one stalled, rest moving"]
    assert stalled.node("one").voltage_v == pytest.approx(6.6)
    assert [(one.kind, one.node) for one in stalled.warnings] == [
        (WarningKind.VOLTAGE, "one"),
        (WarningKind.VOLTAGE, "wing"),
    ]
    assert tuple(map(str, stalled.warnings)) == (
        "one: 6.60 V is below the minimum of 7 V",
        "wing: 6.90 V is below the minimum of 7 V",
    )
    assert cases["all stalled"].supply_a == pytest.approx(5)


def test_holding_is_told_beside_idle() -> None:
    held = device("held", 1, "current_a = {idle = 0.1, holding = 0.4}")
    bare = device("bare", 2, "current_a = {holding = 0.2}")
    assert holding_more_a(rig(held, bare, TWO)) == pytest.approx(0.5)
    plan = rig(held, bare, TWO)
    said = list(power_lines(plan, power_cases(plan), None, None, temperature_c=20))
    assert "all idle: at rest without load; holding one, as in a rehearsal, devices draw 0.50 A more" in said
    assert not any(
        "holding" in line for line in power_lines(rig(TWO), power_cases(rig(TWO)), None, None, temperature_c=20)
    )


def test_only_what_needs_the_minimum_is_held_against_it() -> None:
    head = HEAD_OHM.replace("minimum_v = 7", "minimum_v = 7.99")
    warned = by_name(power_cases(rig(TWO, head=head)))["all idle"].warnings
    assert [warning.where for warning in warned] == ["two", "receiver"]  # the lowest first


def test_lead_hub_and_supply_limits_warn() -> None:
    head = HEAD_OHM.replace("minimum_v = 7", "minimum_v = 1\nlimit_a = 3.5")
    wing = hub("wing", "lead = {resistance_ohm = 0.1, limit_a = 2.5}", "limit_a = 2")
    stalled = by_name(power_cases(rig(wing, ONE, TWO, head=head)))["one stalled, rest moving"]
    assert [(one.kind, one.node) for one in stalled.warnings] == [
        (WarningKind.CURRENT, "supply"),
        (WarningKind.CURRENT, "wing"),
        (WarningKind.CURRENT, "wing"),
    ]
    assert tuple(map(str, stalled.warnings)) == (
        "supply: 4.00 A is above its limit of 3.5 A (stated)",
        "lead to hub wing: 3.00 A is above its limit of 2.5 A (stated)",
        "hub wing: 3.00 A is above its limit of 2 A (stated)",
    )


def test_a_limit_says_whether_wire_or_connectors_set_it() -> None:
    thick, thin = "lead = {length_m = 0.2, awg = 18}", "lead = {length_m = 0.2, awg = 26}"
    hungry = "current_a = {idle = 0, moving = 6}"
    warned = by_name(power_cases(rig(device("x", 1, thick, hungry), device("y", 2, thin, hungry))))[
        "all moving"
    ].warnings
    assert [str(warning) for warning in warned if warning.where.startswith("lead")] == [
        "lead to x: 6.00 A is above its limit of 5 A (connectors)",
        "lead to y: 6.00 A is above its limit of 1.93 A (wire)",
    ]


def test_a_plan_that_cannot_be_says_so() -> None:
    huge = device("one", 1, OHM, "current_a = {stall = 100}")
    first = by_name(power_cases(rig(huge, head=HEAD_OHM)))["all stalled"].warnings[0]
    assert (first.kind, first.node) == (WarningKind.COLLAPSE, "")
    assert "falls to nothing" in str(first)


def test_heat_costs_volts() -> None:
    plan = rig(device("x", 1, "lead = {length_m = 1, awg = 24}"))
    cold, hot = (power_cases(plan, temperature_c=t)[1].node("x").voltage_v for t in (20.0, 70.0))
    assert (7.4 - hot) / (7.4 - cold) == pytest.approx(1 + 0.00393 * 50, rel=1e-4)


def test_the_weakest_lead_and_the_mends_with_their_gain() -> None:
    wing = hub("wing", "lead = {length_m = 1.5, awg = 26}")
    plan = rig(wing, device("one", 1, 'on = "wing"', "lead = {length_m = 0.2, awg = 22}"), device("two", 2))
    weakest = find_weakest(plan)
    assert weakest is not None
    assert (weakest.case, weakest.device) == ("one stalled, rest moving", "one")
    assert (weakest.lead, weakest.lead_text) == ("lead to hub wing", "1.5 m AWG 26")
    assert weakest.drop_v == pytest.approx(2.0 * lead_ohm(Lead(length_m=1.5, awg=26)), rel=1e-4)
    texts = {one.action: one for one in reversed(weakest.advice)}
    thicken, feed = texts["thicken"], texts["second feed"]
    assert thicken.text == "use thicker wire in the lead to hub wing: 1.5 m AWG 22 instead of 1.5 m AWG 26"
    gain = 2.0 * (lead_ohm(Lead(length_m=1.5, awg=26)) - lead_ohm(Lead(length_m=1.5, awg=22)))
    assert thicken.gain_v == pytest.approx(gain, abs=1e-4)
    assert feed.text == "add a second feed of 1.5 m AWG 26 to wing"
    assert feed.gain_v == pytest.approx(weakest.drop_v / 2, abs=1e-3)  # two equal leads side by side
    assert feed.voltage_after_v == pytest.approx(weakest.voltage_v + feed.gain_v)
    assert [one.gain_v for one in weakest.advice] == sorted((one.gain_v for one in weakest.advice), reverse=True)


def test_no_feed_is_proposed_where_its_length_is_not_known() -> None:
    lead = "lead = {length_m = 1, awg = 26}"
    bare = '[[hub]]\nname = "root"\n'
    weakest = find_weakest(rig(bare, hub("tip", lead, 'from = "root"'), device("x", 1, 'on = "tip"')))
    assert weakest is not None
    assert {one.action for one in weakest.advice} == {"thicken"}


def test_a_second_feed_in_the_plan_carries_its_share() -> None:
    lead = "lead = {length_m = 1, awg = 22}"
    feed = '[[feed]]\nto = "wing"\n' + lead + "\n"
    alone, fed = (power_cases(rig(hub("wing", lead), ONE, *more))[1] for more in ((), (feed,)))
    drop, halved = alone.node("receiver").voltage_v - alone.node("wing").voltage_v, fed.node("supply").voltage_v
    assert halved - fed.node("wing").voltage_v == pytest.approx(drop / 2, rel=1e-4)
    assert fed.node("wing").current_a == pytest.approx(1)
    assert fed.node("receiver").current_a == pytest.approx(0.5, rel=1e-4)


def test_nothing_that_draws_has_no_weakest_lead() -> None:
    assert find_weakest(rig()) is None
    silent = rig(device("x", 1, "current_a = {}"))
    assert find_weakest(silent) is None
    assert unstated_currents(silent) == ["x"]


def test_no_advice_where_nothing_can_be_gained() -> None:
    weakest = find_weakest(rig(device("x", 1, OHM)))
    assert weakest is not None
    assert weakest.advice == ()
    short = find_weakest(rig(device("x", 1, "lead = {length_m = 0.01, awg = 22}")))
    assert short is not None
    assert short.advice == ()  # a gain of a millivolt is none


def test_endurance_by_hand() -> None:
    pack = "[supply.pack]\ncells = 2\ncapacity_mah = 3000\nusable_pct = 80\n"
    one = device("one", 1, "current_a = {idle = 0.1, moving = 1.1}")
    gear = device("gear", 2, "current_a = {idle = 0.1, moving = 1.1, holding = 0.6}")
    eased = device("eased", 3, "current_a = {idle = 0.1, moving = 1.1, holding = 0.6, hold_lowered_after_s = 30}")
    endurance = find_endurance(rig(pack, one, gear, eased), moving_pct=20)
    assert endurance is not None
    assert endurance.mean_a == pytest.approx(0.8 * (0.1 + 0.6 + 0.1) + 0.2 * 3.3)  # 1.3 A
    assert endurance.hours == pytest.approx(2.4 / 1.3)
    assert find_endurance(rig(one), moving_pct=20) is None
    idle = find_endurance(rig(pack), moving_pct=20)
    assert idle is not None
    assert idle.hours is None


def test_a_program_over_time_finds_the_worst_moment() -> None:
    slow = "speed_s_per_60deg = 0.1"  # 45 degrees in 75 ms
    one = device("one", 1, OHM, slow, "current_a = {idle = 0.1, moving = 1}")
    two = device("two", 2, OHM, slow, "current_a = {idle = 0.1, moving = 2}")
    counts = np.full((100, 16), 992, np.uint16)
    counts[10:, 0] = 1811
    counts[50:, 1] = 1811  # after the first one has come to rest
    case = run_program(rig(one, two, head=HEAD_OHM), counts, period_s=0.01).case
    assert case.case == "program"
    assert case.supply_a == pytest.approx(2.1)
    assert case.node("one").current_a == pytest.approx(1)
    assert case.node("two").voltage_v == pytest.approx(8 - 0.2 * 2.1 - 0.1 * 2)
    counts[10:, 1] = 1811  # both at once
    both = run_program(rig(one, two, head=HEAD_OHM), counts, period_s=0.01).case
    assert both.supply_a == pytest.approx(3)


def test_a_program_moves_two_state_channels_by_their_flags() -> None:
    gear = device("gear", 17, OHM, "speed_s_per_60deg = 0.1", "current_a = {idle = 0.1, moving = 2}", failsafe="100")
    counts = np.full((60, 16), 992, np.uint16)
    plan = rig(gear, head=HEAD_OHM)
    assert run_program(plan, counts[:0], period_s=0.01).case.supply_a == pytest.approx(0.1)
    flags = np.zeros(60, np.uint8)
    flags[30:] = 1
    assert run_program(plan, counts, period_s=0.01, flags=flags).case.supply_a == pytest.approx(2)


def test_leads_that_form_no_tree_are_refused() -> None:
    with pytest.raises(RigError) as caught:
        build_network(rig(hub("a", 'from = "b"'), hub("b", 'from = "a"')))
    assert str(caught.value) == "rig, hub: hubs form a ring: a → b → a; `busbench rig check` says what to do"
    with pytest.raises(RigError, match=r'^rig: the name "x" is used twice'):
        build_network(rig(device("x", 1), device("x", 2)))


@given(st.lists(st.floats(0, 5), min_size=3, max_size=3), st.lists(st.floats(0.01, 2), min_size=4, max_size=4))
def test_currents_balance_at_every_node_and_power_is_kept(sinks: list[float], ohms: list[float]) -> None:
    branches = (
        Branch("", "", "s", ohms[0]),
        Branch("", "s", "a", ohms[1]),
        Branch("", "a", "b", ohms[2]),
        Branch("", "s", "b", ohms[3]),
    )
    solved = Solver(Network(8.0, ("s", "a", "b"), branches)).solve(sinks)
    flow = solved.branch_a[0]
    np.testing.assert_allclose(
        [flow[0] - flow[1] - flow[3], flow[1] - flow[2], flow[2] + flow[3]], sinks, rtol=1e-9, atol=1e-9
    )
    given_w = 8.0 * flow[0]
    taken_w = float(solved.volts[0] @ np.array(sinks)) + float((flow**2) @ np.array(ohms))
    assert given_w == pytest.approx(taken_w, rel=1e-9, abs=1e-9)


def test_a_program_begins_where_its_first_frame_has_the_devices() -> None:
    flap = device("flap", 1, OHM, "speed_s_per_60deg = 0.1", "current_a = {idle = 0.1, moving = 2}", "start_ramp_s = 1")
    counts = np.full((60, 16), 173, np.uint16)
    plan = rig(flap, head=HEAD_OHM)
    assert run_program(plan, counts, period_s=0.01).case.supply_a == pytest.approx(0.1)
    counts[30:, 0] = 992  # and is awake: its soft start is over
    assert run_program(plan, counts, period_s=0.01).case.supply_a == pytest.approx(2)


def test_a_program_by_hand_its_worst_moment_mean_and_endurance() -> None:
    # 100 frames of 10 ms and the step after the last: from row 41 on it moves for 8 steps (75 ms) at 2 A.
    one = device("one", 1, OHM, "speed_s_per_60deg = 0.1", "current_a = {idle = 0.1, moving = 2}")
    pack = "[supply.pack]\ncells = 2\ncapacity_mah = 1000\nusable_pct = 50\n"
    counts = np.full((100, 16), 992, np.uint16)
    counts[40:, 0] = 1811
    run = run_program(rig(pack, one, head=HEAD_OHM), counts, period_s=0.01)
    assert run.worst_s == pytest.approx(0.41)
    assert run.mean_a == pytest.approx((93 * 0.1 + 8 * 2) / 101)
    assert run.hours == pytest.approx(0.5 / run.mean_a)
    assert run_program(rig(one, head=HEAD_OHM), counts, period_s=0.01).hours is None


def test_a_current_at_its_limit_is_not_above_it_by_rounding() -> None:
    assert not is_above(5.000000000000046, 5)
    assert is_above(5.001, 5)
    wings = [hub(f"{side} wing", OHM, "limit_a = 5") for side in ("left", "right")]
    flaps = [
        device(
            f"{side} flap {n}", 2 * n - (side == "left"), f'on = "{side} wing"', "current_a = {idle = 1, moving = 2.5}"
        )
        for side in ("left", "right")
        for n in (1, 2)
    ]
    assert [case.warnings for case in power_cases(rig(*wings, *flaps)) if case.case == "all moving"] == [()]


def test_a_volt_lost_in_a_branch_is_seen_at_each_node_as_a_solve_with_it_shows() -> None:
    feed = '[[feed]]\nto = "wing"\nlead = {resistance_ohm = 0.3}\n'
    for tables in ((WING, ONE, TWO), (WING, feed, ONE, TWO)):
        network = build_network(rig(*tables, head=HEAD_OHM))
        sinks = np.zeros(len(network.nodes))
        sinks[-2:] = (1.0, 2.0)
        before = Solver(network).solve(sinks)
        drop, falls = Solver(network).series_drop(np.arange(len(network.nodes)))
        for at, branch in enumerate(network.branches):
            changed = (*network.branches[:at], replace(branch, ohm=branch.ohm + 0.2), *network.branches[at + 1 :])
            after = Solver(replace(network, branches=changed)).solve(sinks)
            lost_v = 0.2 * float(after.branch_a[0, at])
            np.testing.assert_allclose(before.volts[0] - after.volts[0], drop[:, at] * lost_v, atol=1e-9)
            assert before.branch_a[0, at] - after.branch_a[0, at] == pytest.approx(falls[at] * lost_v, abs=1e-9)
        assert bool(falls.any()) is (feed in tables)
