"""What is said of the weakest device and what would help it, held against a plan in which the advice is taken."""

from __future__ import annotations

import re

import msgspec
import numpy as np
import pytest

from busbench.rig.conductor import lead_text
from busbench.rig.model import Lead, Rig, SupplyFeed
from busbench.rig.power import LoadCase, find_endurance, power_cases, run_program
from busbench.rig.power_text import power_lines
from busbench.rig.weakest import Advice, Weakest, find_weakest
from tests.rig.rigs import HEAD, device, hub, rig

SUPPLY = HEAD.replace("voltage_v = 7.4", "voltage_v = 7.4\nresistance_ohm = 0.05\nlead = {length_m = 0.3, awg = 20}")
LONG, SHORT = "lead = {length_m = 1.5, awg = 26}", "lead = {length_m = 0.4, area_mm2 = 0.25}"


def draws(idle: float, moving: float, stall: float) -> str:
    return f"current_a = {{idle = {idle}, moving = {moving}, stall = {stall}}}"


PLANS = {
    "a hub and a device on it": rig(
        hub("wing", LONG), device("one", 1, 'on = "wing"', SHORT, draws(0.1, 0.5, 3)), device("two", 2, draws(0, 1, 2)),
        head=SUPPLY,
    ),
    "two hubs in a row": rig(
        hub("wing", SHORT), hub("tip", LONG, 'from = "wing"'), device("one", 1, 'on = "tip"', SHORT, draws(0, 0.4, 2)),
        device("two", 2, 'on = "wing"', draws(0, 1, 1.5)), head=SUPPLY,
    ),
    "a device on the receiver": rig(
        hub("wing"), device("far", 1, LONG, draws(0, 1, 4)), device("near", 2, 'on = "wing"', draws(0, 1, 2)),
        head=SUPPLY,
    ),
    "measured leads": rig(
        hub("wing", "lead = {resistance_ohm = 0.2}"), device("one", 1, 'on = "wing"', SHORT, draws(0.1, 0.5, 3)),
        head=HEAD.replace("[supply]", "[supply]\nlead = {resistance_ohm = 0.05}"),
    ),
    "two feeds": rig(
        hub("wing", LONG), '[[feed]]\nto = "wing"\nlead = {length_m = 2, awg = 24}\n',
        device("one", 1, 'on = "wing"', SHORT, draws(0.1, 0.5, 3)), device("two", 2, draws(0, 1, 2)), head=SUPPLY,
    ),
}  # fmt: skip


def taken(plan: Rig, advice: Advice) -> Rig:
    """The plan with the lead that a text names."""
    found = re.search(r"([\d.]+) m (?:AWG (\d+)|([\d.]+) mm²)(?: instead| to)|([\d.]+) mΩ to", advice.text)
    assert found is not None
    length, awg, area, milliohm = found.groups()
    keys = {"length_m": float(length)} if length else {}
    keys |= (
        {"awg": int(awg)} if awg else {"area_mm2": float(area)} if area else {"resistance_ohm": float(milliohm) / 1e3}
    )
    replace = msgspec.structs.replace
    if "in the second feed" in advice.text:
        return replace(plan, feeds=(replace(plan.feeds[0], lead=Lead(**keys)),))  # type: ignore[arg-type]
    if advice.action == "second feed":
        return replace(plan, feeds=(*plan.feeds, SupplyFeed(to=advice.where, lead=Lead(**keys))))  # type: ignore[arg-type]
    lead = Lead(**keys)  # type: ignore[arg-type]
    if advice.where == "receiver":
        return replace(plan, supply=replace(plan.supply, lead=lead))
    hubs = tuple(replace(one, lead=lead) if one.name == advice.where else one for one in plan.hubs)
    devices = tuple(replace(one, lead=lead) if one.name == advice.where else one for one in plan.devices)
    return replace(plan, hubs=hubs, devices=devices)


def case_of(plan: Rig, name: str, temperature_c: float) -> LoadCase:
    return next(case for case in power_cases(plan, temperature_c=temperature_c) if case.case == name)


@pytest.mark.parametrize("temperature_c", [20.0, 70.0])
@pytest.mark.parametrize("name", PLANS)
def test_advice_gains_what_it_says(name: str, temperature_c: float) -> None:
    plan = PLANS[name]
    weakest = find_weakest(plan, temperature_c=temperature_c)
    assert weakest is not None
    before_v = case_of(plan, weakest.case, temperature_c).node(weakest.device).voltage_v
    assert weakest.voltage_v == pytest.approx(before_v)
    assert len(weakest.advice) > 1
    for advice in weakest.advice:
        after_v = case_of(taken(plan, advice), weakest.case, temperature_c).node(weakest.device).voltage_v
        assert advice.voltage_after_v == pytest.approx(after_v, rel=1e-6), advice.text
        assert advice.gain_v == pytest.approx(after_v - before_v, rel=1e-4), advice.text
        assert advice.gain_v > 0.005
    gains = [advice.gain_v for advice in weakest.advice]
    assert gains == sorted(gains, reverse=True)


@pytest.mark.parametrize("name", PLANS)
def test_the_weakest_is_the_least_of_all_but_the_case_of_all_stalled(name: str) -> None:
    plan = PLANS[name]
    weakest = find_weakest(plan)
    assert weakest is not None
    devices = {one.name for one in plan.devices}
    found = [
        (node.voltage_v, case.case, node.name)
        for case in power_cases(plan)
        for node in case.nodes
        if node.name in devices and case.case != "all stalled"
    ]
    least_v, case, device_name = min(found)
    assert (weakest.case, weakest.device) == (case, device_name)
    assert weakest.voltage_v == pytest.approx(least_v)
    assert weakest.supply_drop_v == pytest.approx(case_of(plan, case, 20.0).supply_a * plan.supply.resistance_ohm)


def test_the_lead_with_the_largest_drop_before_it_by_hand() -> None:
    weakest = find_weakest(PLANS["two hubs in a row"])
    assert weakest is not None
    # One stalled: 2 A over 1.5 m of gauge 26, which is 0.12876 mm2: 2 x 1.5 / 58 / 0.12876 = 0.4017 ohm.
    assert (weakest.case, weakest.lead, weakest.lead_to) == ("one stalled, rest moving", "lead to hub tip", "tip")
    assert (weakest.lead_text, weakest.device) == ("1.5 m AWG 26", "one")
    assert weakest.drop_v == pytest.approx(2 * 2 * 1.5 / 58 / 0.12876, rel=1e-3)
    feeds = [(one.where, one.text) for one in weakest.advice if one.action == "second feed"]
    # As long as the way of the leads: 0.3 m from the supply, 0.4 m to the first hub and 1.5 m to the next.
    assert sorted(feeds) == [
        ("tip", "add a second feed of 2.2 m AWG 26 to tip"),
        ("wing", "add a second feed of 0.7 m 0.25 mm² to wing"),
    ]


def test_a_feed_beside_measured_leads_is_as_good_as_they_are() -> None:
    weakest = find_weakest(PLANS["measured leads"])
    assert weakest is not None
    assert [one.text for one in weakest.advice] == [
        "add a second feed of 250 mΩ to wing",
        "use thicker wire in the lead to one: 0.4 m 0.5 mm² instead of 0.4 m 0.25 mm²",
    ]
    mixed = rig(hub("wing", "lead = {resistance_ohm = 0.2}"), device("one", 1, 'on = "wing"', SHORT), head=SUPPLY)
    found = find_weakest(mixed)
    assert found is not None
    assert {one.action for one in found.advice} == {"thicken"}  # its supply lead is stated by length


def test_endurance_counts_what_moves_and_what_rests() -> None:
    plan = rig("[supply.pack]\ncells = 2\ncapacity_mah = 1000\nusable_pct = 90\n", device("x", 1, draws(0.1, 1.1, 3)))
    for moving_pct, mean_a in ((0, 0.1), (100, 1.1), (25, 0.35)):
        found = find_endurance(plan, moving_pct=moving_pct)
        assert found is not None
        assert (found.moving_pct, found.usable_mah) == (moving_pct, 900)
        assert found.mean_a == pytest.approx(mean_a)
        assert found.hours == pytest.approx(0.9 / mean_a)


def text(plan: Rig, weakest: Weakest | None = None, **more: object) -> list[str]:
    endurance = find_endurance(plan, moving_pct=25)
    return list(power_lines(plan, power_cases(plan), weakest, endurance, **{"temperature_c": 20.0, **more}))  # type: ignore[arg-type]


def test_the_whole_text_by_hand() -> None:
    ohm = "lead = {resistance_ohm = 0.1}"
    head = f'[rig]\nname = "a"\nperiod_ms = 14\n[supply]\nvoltage_v = 8\nresistance_ohm = 0.4\nminimum_v = 7\n{ohm}\n'
    plan = rig(
        "[supply.pack]\ncells = 2\ncapacity_mah = 1000\n",
        device("x", 1, ohm, "current_a = {idle = 0, moving = 1, stall = 2}"),
        device("y", 2, ohm, "current_a = {}"),
        head=head,
    )
    assert text(plan, find_weakest(plan), temperature_c=35.5, is_ascii=True) == [
        "a: 8 V, 7 V needed, leads at 35.5 degrees Celsius",
        "",
        # 1 A: 0.4 V in the supply, 0.1 V in its lead and 0.1 V in that of x.
        "all moving   lead      voltage  current\n"
        "supply       8 V        7.60 V   1.00 A\n"
        "`- receiver  100 mohm   7.50 V   1.00 A\n"
        "   +-  1 x   100 mohm   7.40 V   1.00 A\n"
        "   `-  2 y   100 mohm   7.50 V   0.00 A",
        "",
        "case                    supply, A  min, V  at",
        "all idle                     0.00    8.00  receiver",
        "all moving                   1.00    7.40  x",
        "x stalled, rest moving       2.00    6.80  x",
        "  ! x: 6.80 V is below the minimum of 7 V",
        "all stalled                  2.00    6.80  x",
        "  ! x: 6.80 V is below the minimum of 7 V",
        "",
        "min voltage, all stalled left out: x, 6.80 V, -0.20 V to the minimum (x stalled, rest moving)",
        "weakest lead on its way: lead from supply to receiver, 100 mohm: 0.20 V lost in it",
        "the supply itself loses more: 0.80 V in its own resistance",
        "endurance: 3.2 h from 800 mAh (80 % of the pack), devices moving 25 % of the time, 0.25 A on average",
        "counted as 0 A, since no current is stated: y",
    ]


@pytest.mark.parametrize("name", PLANS)
def test_plain_ascii_is_all_of_it(name: str) -> None:
    drawn = text(PLANS[name], find_weakest(PLANS[name]), is_ascii=True)
    assert "\n".join(drawn).isascii()
    fine = "\n".join(text(PLANS[name], find_weakest(PLANS[name])))
    assert "└─" in fine
    assert ("mΩ" in fine) == ("mohm" in "\n".join(drawn))


def test_what_is_not_known_is_not_said() -> None:
    bare = rig(device("x", 1, "current_a = {idle = 0}"), head=HEAD.replace("minimum_v = 5\n", ""))
    lines = text(bare)
    assert lines[0] == "Heron: 7.4 V, minimum not stated, leads at 20 degrees Celsius"
    assert lines[-2:] == ["all stalled       0.00    7.40  receiver", ""]
    pack = rig("[supply.pack]\ncells = 2\ncapacity_mah = 1000\n", device("x", 1, "current_a = {idle = 0}"))
    assert text(pack)[-1] == "endurance: nothing draws a current"


def test_a_program_and_advice_are_said_where_there_are_some() -> None:
    pack = "[supply.pack]\ncells = 2\ncapacity_mah = 1000\nusable_pct = 50\n"
    plan = rig(pack, hub("wing", LONG), device("one", 1, 'on = "wing"', SHORT, draws(0.5, 0.5, 3)), head=SUPPLY)
    counts = np.full((10, 16), 992, np.uint16)
    run = run_program(plan, counts, period_s=0.02)
    weakest = find_weakest(plan)
    assert weakest is not None
    lines = text(plan, weakest, run=run)
    assert "program: worst 0.0 s after its start; 0.50 A on average; repeated, the pack lasts 1.0 h" in lines
    best = {
        action: next(one for one in weakest.advice if one.action == action) for action in ("thicken", "second feed")
    }
    at = next(number for number, line in enumerate(lines) if line.startswith("weakest lead"))
    assert lines[at + 1 : at + 3] == [
        f"{one.text}: one gains {one.gain_v:.2f} V, to {one.voltage_after_v:.2f} V" for one in best.values()
    ]
    no_pack = rig(hub("wing", LONG), device("one", 1, 'on = "wing"', SHORT, draws(0.5, 0.5, 3)), head=SUPPLY)
    run = run_program(no_pack, counts, period_s=0.02)
    assert "program: worst 0.0 s after its start; 0.50 A on average" in text(no_pack, run=run)


def test_a_lead_in_few_words() -> None:
    assert lead_text(Lead(length_m=0.5, resistance_ohm=0.0125)) == "0.5 m 12.5 mΩ"
    assert lead_text(Lead(length_m=0.25, awg=0)) == "0.25 m AWG 0"
