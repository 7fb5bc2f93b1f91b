"""Noise of voltages that goes together, and currents that were not measured at each device, by plain sums."""

from __future__ import annotations

import math

import numpy as np
import pytest

from busbench.analysis.lead_fit import explain_measurement
from busbench.analysis.lead_system import LeadSystem
from busbench.analysis.measured_currents import Currents, find_currents
from busbench.model import F64
from busbench.rig.harness import build_network
from busbench.rig.measurement import Measurement
from busbench.rig.model import Rig
from tests.analysis.test_lead_fit import DRAWS, HEAD, OHM, PLAN, WING, drawn_of, measure
from tests.rig.rigs import device, hub, rig


def system_of(measured: Measurement) -> LeadSystem:
    network = build_network(PLAN)
    return LeadSystem(network, measured, find_currents(PLAN, network, measured))


def plain_inflation(residuals: F64) -> float:
    """1 and twice each autocorrelation up to the first that chance explains; and what the rows share."""
    columns, rows = residuals.shape
    total = 1.0
    for lag in range(1, min(200, rows // 4) + 1):
        together = sum(one[at] * one[at - lag] for one in residuals for at in range(lag, rows))
        share = together / float((residuals**2).sum())
        if share < 2 / math.sqrt(columns * rows):
            break
        total += 2 * share
    across = float(np.var(residuals.mean(axis=0))) * columns / float((residuals**2).mean())
    return total * (across if across > 1 + 3 * math.sqrt(2 / rows) else 1.0)


@pytest.mark.parametrize("kind", ["white", "slow", "steady", "shared", "both", "opposed"])
@pytest.mark.parametrize("rows", [60, 403])
def test_the_variance_of_an_estimate_grows_with_noise_that_goes_together(kind: str, rows: int) -> None:
    rng = np.random.default_rng(rows)
    noise = rng.normal(0, 0.02, (6, rows))
    if kind in ("slow", "both"):
        noise = np.array([np.convolve(one, np.ones(7) / 3, "same") for one in noise])
    if kind == "steady":  # so slow that the longest lag still shows it
        noise = np.array([np.repeat(one[:5], -(-rows // 5))[:rows] for one in noise])
    if kind in ("shared", "both"):
        noise = noise / 3 + rng.normal(0, 0.02, rows)
    if kind == "opposed":
        noise[:, 1::2] = -noise[:, : rows // 2 * 2 : 2]
    measured = measure(PLAN, drawn_of(rows, seed=2))
    for column, one in zip(measured.volts.values(), noise, strict=True):
        column += one
    system = system_of(measured)
    parameters = system.parameters([], 1e-4)
    residuals = np.stack([table[:, -1] - table[:, :-1] @ parameters for _, _, table in system._tables()])
    assert system.inflation(parameters) == pytest.approx(plain_inflation(residuals), rel=1e-9)


@pytest.mark.parametrize(("rows", "is_one"), [(7, True), (8, False)])
def test_a_few_rows_inflate_nothing(rows: int, is_one: bool) -> None:
    measured = measure(PLAN, drawn_of(rows, seed=3))
    for column in measured.volts.values():
        column += np.linspace(-0.1, 0.1, rows) ** 2 * 30  # all columns alike
    system = system_of(measured)
    assert (system.inflation(system.parameters([], 1e-4)) == 1.0) is is_one


DEEP = rig(
    WING, hub("tip", 'from = "wing"', OHM),
    *(device(name, at, f'on = "{node}"', OHM, DRAWS)
      for at, (name, node) in enumerate((("one", "wing"), ("two", "tip"), ("three", "tip")), 1)),
    device("tail", 4, OHM, DRAWS), head=HEAD,
)  # fmt: skip


def currents_of(amps: dict[str, list[float]], *, plan: Rig = DEEP, volts: tuple[str, ...] = ("wing",)) -> Currents:
    rows = len(next(iter(amps.values())))
    measured = Measurement(
        {name: np.full(rows, 7.5) for name in volts}, {name: np.array(one) for name, one in amps.items()}, None, False,
        (), 0.001, (),
    )  # fmt: skip
    return find_currents(plan, build_network(plan), measured)


def at_nodes(found: Currents, plan: Rig = DEEP) -> dict[str, list[float]]:
    names = build_network(plan).nodes
    made: dict[str, list[float]] = {}
    for group, node in enumerate(found.nodes.tolist()):
        before = made.get(names[node], [0.0] * len(found.amps))
        made[names[node]] = [a + b for a, b in zip(before, found.amps[:, group].tolist(), strict=True)]
    return made


def test_what_was_measured_below_is_taken_off_once() -> None:
    """4 A from the supply, of which 3 A to the wing, of these 1.4 A to its tip."""
    found = currents_of(
        {"supply": [4.0, 2.0], "wing": [3.0, 1.5], "tip": [1.4, 1.0]}, volts=("wing", "tip", "receiver")
    )
    assert at_nodes(found) == {
        "wing": [pytest.approx(1.6), pytest.approx(0.5)], "tip": [pytest.approx(1.4), pytest.approx(1.0)],
        "receiver": [pytest.approx(1.0), pytest.approx(0.5)],
    }  # fmt: skip
    assert found.notes == ()  # each is at one node
    found = currents_of({"supply": [4.0], "tip": [1.4]}, volts=("two", "three", "wing"))
    assert at_nodes(found)["two"] == at_nodes(found)["three"] == [pytest.approx(0.7)]
    assert at_nodes(found)["wing"] == at_nodes(found)["receiver"] == [pytest.approx(1.3)]  # the rest of the supply
    assert found.notes == (
        "the current of supply is divided as in the plan: one, tail",
        "the current of tip is divided as in the plan: two, three",
    )


def test_deviations_of_shares_keep_their_sum() -> None:
    """From idle to stall is 1.9 A, evenly spread: 0.548 A rms; of three with a known sum each keeps two thirds."""
    plan = rig(
        hub("wing", OHM),
        *(device(name, at, 'on = "wing"', OHM, DRAWS) for at, name in enumerate(("one", "two", "three"), 1)), head=HEAD,
    )  # fmt: skip
    found = currents_of({"wing": [3.0]}, plan=plan, volts=("one", "two", "three"))
    together = found.spread @ found.spread.T
    alone = 1.9**2 / 12
    assert together == pytest.approx(alone * (np.eye(3) - 1 / 3))
    assert found.spread.sum(axis=0) == pytest.approx(0.0)
    assert found.spread.shape == (3, 2)


@pytest.mark.parametrize(
    ("draws", "relative"),
    [
        ("{idle = 0.1, moving = 1.0, stall = 2.0}", 1.9 / math.sqrt(12)),
        ("{idle = 0.1, moving = 0.5, stall = 2.0}", 1.9 / math.sqrt(12) / 0.5),
        ("{idle = 0.1, moving = 0.5}", 0.9 / math.sqrt(12) / 0.5),  # to twice of what it draws while it moves
        ("{moving = 0.5}", 1.0 / math.sqrt(12) / 0.5),
        ("{idle = 0.4}", 0.4 / math.sqrt(12) / 0.4),
    ],
)
def test_how_much_a_planned_current_may_deviate(draws: str, relative: float) -> None:
    plan = rig(device("one", 1, OHM, f"current_a = {draws}"), head=HEAD)
    measured = Measurement({"one": np.full(3, 7.5)}, {}, None, False, ("all moving",) * 3, 0.001, ())
    found = find_currents(plan, build_network(plan), measured)
    assert found.spread.tolist() == [[pytest.approx(relative)]]
    assert found.notes == ("currents taken from the plan, between idle and stall: one",)


@pytest.mark.parametrize(
    ("word", "amps"),
    [("idle", 0.1), ("IDLE", 0.1), ("moving", 1.0), ("all moving", 1.0), ("All Idle", 0.1), ("stalled", 2.0),
     ("all stalled", 2.0)],
)  # fmt: skip
def test_load_cases_by_their_names(word: str, amps: float) -> None:
    plan = rig(device("one", 1, OHM, DRAWS), head=HEAD)
    measured = Measurement({"one": np.full(1, 7.5)}, {}, None, False, (word,), 0.001, ())
    assert find_currents(plan, build_network(plan), measured).amps.tolist() == [[amps]]


def test_the_current_that_deviates_most_would_help_most() -> None:
    plan = rig(
        *(device(name, at, OHM, f"current_a = {{idle = 0.1, moving = {moving}, stall = {stall}}}")
          for at, (name, moving, stall) in enumerate((("one", 1.0, 1.5), ("two", 1.0, 3.0), ("three", 0.5, 1.0)), 1)),
        head=HEAD,
    )  # fmt: skip
    volts = {"one": np.array([7.7, 7.6, 7.7]), "two": np.array([7.6, 7.6, 7.7])}
    measured = Measurement(volts, {}, None, False, ("idle", "moving", "idle"), 0.001, ())
    fit = explain_measurement(plan, measured)
    assert fit.next_current == "two"
    known = Measurement(volts, {name: np.array([1.0, 0.2, 0.5]) for name in ("one", "two", "three")}, None, False, (),
                        0.001, ())  # fmt: skip
    assert explain_measurement(plan, known).next_current == ""
