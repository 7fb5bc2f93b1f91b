"""Which lead explains measured voltages: named, bounded, left open where several do."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest

from busbench.analysis.lead_fit import LeadFit, explain_measurement
from busbench.analysis.measured_currents import find_currents
from busbench.errors import RigError
from busbench.model import F64
from busbench.rig.harness import Solver, build_network, sinks_of
from busbench.rig.measurement import Measurement
from busbench.rig.model import Rig
from tests.rig.rigs import device, hub, rig

# 1 A through 0.1 ohm loses 0.1 V: 0.1 ohm in the supply, to the receiver, to the wing and to each device.
HEAD = (
    '[rig]\nname = "Heron"\nperiod_ms = 14\n[supply]\nvoltage_v = 8\nresistance_ohm = 0.1\n'
    "lead = {resistance_ohm = 0.1}\n"
)
OHM = "lead = {resistance_ohm = 0.1}"
DRAWS = "current_a = {idle = 0.1, moving = 1.0, stall = 2.0}"
WING = hub("wing", OHM)
ONE, TWO = (device(name, at, 'on = "wing"', OHM, DRAWS) for at, name in enumerate(("one", "two"), 1))
TAIL = device("tail", 3, OHM, DRAWS)
PLAN = rig(WING, ONE, TWO, TAIL, head=HEAD)
FEED = '[[feed]]\nto = "wing"\nlead = {resistance_ohm = 0.2}\n'
NODES = ("supply", "receiver", "wing", "one", "two", "tail")


def drawn_of(rows: int, *, seed: int = 1) -> F64:
    return np.array([0.1, 1.0, 2.0])[np.random.default_rng(seed).choice(3, (rows, 3))]


def measure(
    plan: Rig,
    drawn: F64,
    *,
    volts: Sequence[str] = NODES,
    amps: Sequence[str] = ("one", "two", "tail"),
    extra: dict[str, float] | None = None,
    noise_v: float = 0.0,
    offsets_v: dict[str, float] | None = None,
    open_v: float = 8.0,
    cases: tuple[str, ...] = (),
) -> Measurement:
    """Readings of a harness whose leads have some resistance more than the plan says."""
    network = build_network(plan)
    branches = [replace(one, ohm=one.ohm + (extra or {}).get(one.name, 0.0)) for one in network.branches]
    solver = Solver(replace(network, voltage_v=open_v, branches=tuple(branches)))
    solved = solver.solve(sinks_of(plan, network, drawn))
    random = np.random.default_rng(2)
    at = {name: index for index, name in enumerate(network.nodes)}
    read = {
        name: (solved.volts[:, at[name]] + random.normal(0, noise_v, len(drawn)) + (offsets_v or {}).get(name, 0.0))
        for name in volts
    }
    return Measurement(
        {name: one.round(3) for name, one in read.items()},
        {name: solved.through_a[:, at[name]] for name in amps}, None, False, cases, 0.001, (),
    )  # fmt: skip


def words(fit: LeadFit) -> tuple[str, list[str], list[str]]:
    return fit.verdict, [one.name for one in fit.leads], [one.name for one in fit.alternatives]


def test_a_contact_is_named_with_its_interval_and_loss() -> None:
    fit = explain_measurement(PLAN, measure(PLAN, drawn_of(60), extra={"lead to hub wing": 0.05}, noise_v=0.005))
    assert words(fit) == ("explained", ["lead to hub wing"], [])
    (lead,) = fit.leads
    assert lead.to == "wing"
    assert lead.planned_ohm == pytest.approx(0.1)
    assert lead.extra_ohm == pytest.approx(0.05, abs=0.002)
    assert lead.low_ohm < 0.05 < lead.high_ohm
    assert lead.high_ohm - lead.low_ohm < 0.006
    assert lead.current_a == pytest.approx(4)  # both stalled
    assert lead.lost_v == pytest.approx(lead.extra_ohm * 4)
    assert fit.source_v == pytest.approx(8, abs=0.005)
    assert fit.noise_v == pytest.approx(0.005, rel=0.1)
    assert {one.name for one in fit.bounds} == {
        "supply", "lead from supply to receiver", "lead to one", "lead to two", "lead to tail",
    }  # fmt: skip
    assert all(one.low_ohm < 0.01 and one.high_ohm > -0.01 for one in fit.bounds)


def test_a_lead_that_is_thicker_than_planned_has_less() -> None:
    fit = explain_measurement(PLAN, measure(PLAN, drawn_of(60), extra={"lead to tail": -0.04}, noise_v=0.005))
    assert words(fit) == ("explained", ["lead to tail"], [])
    assert fit.leads[0].extra_ohm == pytest.approx(-0.04, abs=0.003)
    assert fit.leads[0].lost_v == pytest.approx(-0.08, abs=0.006)


def test_two_contacts_are_both_named() -> None:
    extra = {"lead to hub wing": 0.05, "lead to tail": 0.1}
    fit = explain_measurement(PLAN, measure(PLAN, drawn_of(60), extra=extra, noise_v=0.005))
    assert fit.verdict == "explained"
    assert {one.name: round(one.extra_ohm, 2) for one in fit.leads} == extra


def test_a_harness_as_planned_is_left_alone() -> None:
    false = 0
    for seed in range(40):
        random = np.random.default_rng(seed)
        measured = measure(PLAN, drawn_of(40, seed=seed))
        noisy = {name: one + random.normal(0, 0.01, one.size) for name, one in measured.volts.items()}
        fit = explain_measurement(PLAN, replace(measured, volts=noisy))
        false += fit.verdict != "nothing found"
    assert false <= 3  # 1 % is meant; more than 3 of 40 by chance: 1 in 10,000


def test_leads_that_fit_equally_well_are_all_given_with_what_tells_them_apart() -> None:
    drawn = np.zeros((60, 3))
    drawn[:, 0] = np.random.default_rng(3).choice([0.1, 2.0], 60)  # what flows to the wing flows to one
    extra = {"lead to one": 0.05}
    fit = explain_measurement(PLAN, measure(PLAN, drawn, volts=("receiver", "one"), noise_v=0.002, extra=extra))
    assert fit.verdict == "cannot tell"
    assert sorted(one.name for one in fit.alternatives) == ["lead to hub wing", "lead to one"]
    assert [round(one.extra_ohm, 2) for one in fit.alternatives] == [0.05, 0.05]
    assert fit.next_node == "wing"
    assert fit.next_differs_v == pytest.approx(0.1, abs=0.01)  # 2 A
    measured = measure(PLAN, drawn, volts=("receiver", "wing", "one"), extra=extra, noise_v=0.002)
    assert words(explain_measurement(PLAN, measured)) == ("explained", ["lead to one"], [])


def test_an_offset_of_a_meter_is_no_resistance() -> None:
    fit = explain_measurement(PLAN, measure(PLAN, drawn_of(60), offsets_v={"wing": 0.08}, noise_v=0.005, open_v=8.3))
    assert words(fit) == ("nothing found", [], [])
    reading = next(one for one in fit.readings if one.name == "wing")
    assert reading.mean_v - reading.planned_v == pytest.approx(0.067, abs=0.004)  # the mean offset is the source's
    assert fit.source_v == pytest.approx(8.3 + 0.08 / 6, abs=0.005)


def test_one_load_and_one_meter_take_all_columns_as_equal() -> None:
    drawn = np.tile([1.0, 1.0, 1.0], (20, 1))
    fit = explain_measurement(PLAN, measure(PLAN, drawn, extra={"lead to hub wing": 0.05}, noise_v=0.002))
    assert words(fit) == ("explained", ["lead to hub wing"], [])
    assert fit.notes == ("the load hardly changes, so all columns are taken to show the same at the same voltage",)


def test_too_few_readings_tell_nothing() -> None:
    fit = explain_measurement(PLAN, measure(PLAN, drawn_of(1), volts=("wing",)))
    assert (fit.verdict, fit.reason) == ("cannot tell", "there are too few readings")
    fit = explain_measurement(PLAN, measure(PLAN, np.zeros((20, 3)), volts=("receiver", "wing")))
    assert (fit.verdict, fit.reason) == ("cannot tell", "no lead between two readings carries a current")


def test_noise_that_goes_together_widens_the_interval() -> None:
    measured = measure(PLAN, drawn_of(400), extra={"lead to hub wing": 0.05})
    random = np.random.default_rng(5)

    def width(together: int) -> float:
        noisy = {
            name: one + np.repeat(random.normal(0, 0.01, one.size // together), together)
            for name, one in measured.volts.items()
        }
        (lead,) = explain_measurement(PLAN, replace(measured, volts=noisy)).leads
        return lead.high_ohm - lead.low_ohm

    assert 2 < width(20) / width(1) < 7  # the root of 20 is 4.5


def test_a_source_that_falls_is_neither_a_resistance_nor_noise() -> None:
    measured = measure(PLAN, drawn_of(200), extra={"lead to hub wing": 0.05}, noise_v=0.005)
    t_s = np.sort(np.random.default_rng(4).uniform(100, 200, 200))
    falling = {name: one - 0.003 * (t_s - 100) for name, one in measured.volts.items()}
    fit = explain_measurement(PLAN, replace(measured, volts=falling, t_s=t_s))
    assert words(fit) == ("explained", ["lead to hub wing"], [])
    assert fit.noise_v == pytest.approx(0.005, rel=0.1)


def test_noise_of_a_whole_row_counts_once() -> None:
    measured = measure(PLAN, drawn_of(400), extra={"lead to hub wing": 0.05})

    def width(noise: F64) -> float:
        noisy = {name: one + noise[:, at] for at, (name, one) in enumerate(measured.volts.items())}
        fit = explain_measurement(PLAN, replace(measured, volts=noisy))
        (lead,) = [one for one in (*fit.leads, *fit.bounds) if one.name == "lead to hub wing"]
        return lead.high_ohm - lead.low_ohm

    random = np.random.default_rng(5)
    own, shared = random.normal(0, 0.01, (400, 6)), np.tile(random.normal(0, 0.01, (400, 1)), 6)
    assert 2 < width(shared) / width(own) < 3  # the root of 6 columns is 2.4


def test_a_second_feed_makes_a_loop() -> None:
    plan = rig(WING, FEED, ONE, TWO, TAIL, head=HEAD)
    for name, extra in (("second feed to wing", 0.3), ("lead to hub wing", 0.2)):
        fit = explain_measurement(plan, measure(plan, drawn_of(60), extra={name: extra}, noise_v=0.002))
        assert words(fit) == ("explained", [name], [])
        assert fit.leads[0].extra_ohm == pytest.approx(extra, rel=0.1)  # far beyond a straight line
    measured = measure(plan, drawn_of(10), amps=("one", "two", "wing"))
    with pytest.raises(
        RigError, match=r'm\.csv: the current of "wing" is not the sum of its devices: with a second feed'
    ):
        explain_measurement(plan, measured, path="m.csv")


def test_a_current_at_the_hub_is_divided_and_the_rest_is_open() -> None:
    measured = measure(PLAN, drawn_of(200), amps=("supply", "wing"), extra={"lead to hub wing": 0.05}, noise_v=0.005)
    network = build_network(PLAN)
    currents = find_currents(PLAN, network, measured)
    assert currents.amps[0].sum() == pytest.approx(measured.amps["supply"][0])
    assert [network.nodes[at] for at in currents.nodes] == ["one", "two", "tail"]
    assert currents.amps[0, 0] == currents.amps[0, 1] == pytest.approx(measured.amps["wing"][0] / 2)
    assert currents.amps[0, 2] == pytest.approx(measured.amps["supply"][0] - measured.amps["wing"][0])
    # one draws what two does not; from idle to stall is 1.9 A, 0.548 A rms, of which half is left by the sum
    assert np.abs(currents.spread).round(3).tolist() == [[0.388], [0.388], [0.0]]
    assert currents.notes == ("the current of wing is divided as in the plan: one, two",)
    fit = explain_measurement(PLAN, measured)
    assert [one.name for one in fit.leads] == ["lead to hub wing"]
    assert fit.leads[0].extra_ohm == pytest.approx(0.05, abs=0.02)
    bounds = {one.name: one.high_ohm - one.low_ohm for one in fit.bounds}
    assert bounds["lead to one"] > 5 * bounds["lead from supply to receiver"]


def test_what_is_planned_to_draw_nothing_shares_a_measured_current_evenly() -> None:
    none = "current_a = {idle = 0}"
    plan = rig(WING, *(device(name, at, 'on = "wing"', OHM, none) for at, name in enumerate(("one", "two", "tail"), 1)))
    measured = measure(plan, drawn_of(3), amps=("wing",))
    amps = find_currents(plan, build_network(plan), measured).amps
    assert amps.tolist() == [[pytest.approx(one / 3)] * 3 for one in measured.amps["wing"]]


def test_a_note_names_a_dozen_devices_at_most() -> None:
    plan = rig(WING, *(device(f"d{at}", at, 'on = "wing"', OHM, DRAWS) for at in range(1, 17)))
    volts = {"wing": np.array([7.0, 6.9]), "d1": np.array([7.0, 6.9])}
    measured = Measurement(volts, {"wing": np.array([1.0, 2.0])}, None, False, (), 0.1, ())
    (note,) = find_currents(plan, build_network(plan), measured).notes
    assert note.endswith("d10, d11, d12 and 4 more")


def test_currents_may_be_those_of_a_load_case() -> None:
    drawn = np.array([[0.1] * 3, [1.0] * 3, [2.0, 1.0, 1.0]] * 10)
    cases = ("idle", "All Moving", "one stalled, rest moving") * 10
    measured = measure(PLAN, drawn, amps=(), cases=cases, extra={"lead to one": 1.5}, noise_v=0.002)
    currents = find_currents(PLAN, build_network(PLAN), measured)
    assert currents.amps[:3].tolist() == [[0.1] * 3, [1.0] * 3, [2.0, 1.0, 1.0]]
    assert currents.notes == ("currents taken from the plan, between idle and stall: one, two, tail",)
    fit = explain_measurement(PLAN, measured)
    assert words(fit) == ("explained", ["lead to one"], [])  # far more than any current of the plan explains
    small = measure(PLAN, drawn, volts=("one",), amps=(), cases=cases, extra={"lead to one": 0.05}, noise_v=0.002)
    fit = explain_measurement(PLAN, small)
    assert fit.verdict == "nothing found"  # 0.05 ohm may as well be a device that draws more
    assert fit.next_current in ("one", "two", "tail")


@pytest.mark.parametrize(
    ("cases", "said"),
    [
        ((), "m.csv: neither measures all currents nor names the load: measure the current of the supply, or name the "
         "load of each row in a column `case`, as in `all moving`"),
        (("flying",), 'm.csv, case: "flying" is not a load case: give all idle, all moving, all stalled, or a case as '
         "`rig power` lists it"),
    ],
)  # fmt: skip
def test_without_any_current_the_load_must_be_named(cases: tuple[str, ...], said: str) -> None:
    measured = replace(measure(PLAN, drawn_of(1), amps=()), cases=cases)
    with pytest.raises(RigError) as error:
        explain_measurement(PLAN, measured, path="m.csv")
    assert str(error.value) == said


def test_empty_cells_are_passed_over() -> None:
    measured = measure(PLAN, drawn_of(90), extra={"lead to hub wing": 0.05}, noise_v=0.002)
    for at, column in enumerate(measured.volts.values()):
        column[np.arange(90) % len(NODES) != at] = np.nan  # one meter goes from node to node
    fit = explain_measurement(PLAN, measured)
    assert words(fit) == ("explained", ["lead to hub wing"], [])
