"""Intervals of leads beside ordinary least squares with all columns written out, and scipy's quantiles."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from busbench.analysis.lead_fit import LeadExtra, explain_measurement
from busbench.analysis.lead_system import LeadSystem
from busbench.analysis.measured_currents import find_currents
from busbench.model import F64
from busbench.rig.harness import build_network
from busbench.rig.measurement import Measurement
from tests.analysis.test_lead_fit import NODES, PLAN, drawn_of, measure, words

# Which leads lie between the source and a node, and which devices draw through a lead.
WAY = {
    "supply": ["supply"],
    "receiver": ["supply", "lead from supply to receiver"],
    "wing": ["supply", "lead from supply to receiver", "lead to hub wing"],
    "one": ["supply", "lead from supply to receiver", "lead to hub wing", "lead to one"],
    "two": ["supply", "lead from supply to receiver", "lead to hub wing", "lead to two"],
    "tail": ["supply", "lead from supply to receiver", "lead to tail"],
}
DRAWN_BY = {
    "supply": [0, 1, 2], "lead from supply to receiver": [0, 1, 2], "lead to hub wing": [0, 1], "lead to one": [0],
    "lead to two": [1], "lead to tail": [2],
}  # fmt: skip
OHM = 0.1  # of each


def flow(drawn: F64, lead: str) -> F64:
    return np.asarray(drawn[:, DRAWN_BY[lead]].sum(axis=1))


def by_least_squares(
    measured: Measurement, drawn: F64, leads: list[str], *, has_offsets: bool, t: F64 | None
) -> tuple[F64, F64, int, float]:
    """Ohms more in some leads, their standard errors, degrees of freedom, and the sum of squares left."""
    rows, values = [], []
    for number, (node, volts) in enumerate(measured.volts.items()):
        for at in np.flatnonzero(~np.isnan(volts)).tolist():
            plan = sum(OHM * flow(drawn, lead)[at] for lead in WAY[node])
            offsets = [float(number == one) for one in range(len(measured.volts))] if has_offsets else [1.0]
            drift = [] if t is None else [float(t[at])]
            rows.append([*offsets, *drift, *(-flow(drawn, lead)[at] * (lead in WAY[node]) for lead in leads)])
            values.append(volts[at] + plan)
    x, y = np.array(rows), np.array(values)
    found, *_ = np.linalg.lstsq(x, y, rcond=None)
    squares, freedom = float(((y - x @ found) ** 2).sum()), len(y) - x.shape[1]
    errors = np.sqrt(np.diag(np.linalg.inv(x.T @ x)) * max(squares / freedom, measured.step_v**2 / 12))
    return found[-len(leads):], errors[-len(leads):], freedom, squares  # fmt: skip


def holds(one: LeadExtra, ohm: float, error: float, freedom: int) -> None:
    width = float(stats.t.ppf(0.975, min(400, freedom))) * error  # 400 is taken for all above
    assert one.extra_ohm == pytest.approx(ohm, abs=1e-7)
    assert one.low_ohm == pytest.approx(max(ohm - width, -OHM), abs=1e-7)
    assert one.high_ohm == pytest.approx(ohm + width, abs=1e-7)
    assert one.planned_ohm == pytest.approx(OHM)
    assert one.lost_v == pytest.approx(one.extra_ohm * one.current_a)


@pytest.mark.parametrize("rows", [7, 8, 40])
@pytest.mark.parametrize("steady", [False, True])
@pytest.mark.parametrize("name", ["lead to hub wing", "lead to tail"])
def test_the_interval_of_a_named_lead_is_that_of_least_squares(rows: int, steady: bool, name: str) -> None:
    """With a load that changes each column has an offset of its own; from eight rows on the source may drift."""
    drawn = np.tile([[1.0, 0.9, 1.1], [1.1, 1.2, 0.8]], (rows, 1))[:rows] if steady else drawn_of(rows, seed=6)
    measured = measure(PLAN, drawn, extra={name: 0.08}, noise_v=0.004)
    fit = explain_measurement(PLAN, measured)
    assert words(fit) == ("explained", [name], [])
    t = 2 * np.arange(rows) / (rows - 1) - 1 if rows >= 8 else None
    (lead,) = fit.leads
    ohm, error, freedom, squares = by_least_squares(measured, drawn, [name], has_offsets=not steady, t=t)
    holds(lead, float(ohm[0]), float(error[0]), freedom)
    assert lead.current_a == pytest.approx(flow(drawn, name).max())
    assert fit.noise_v == pytest.approx(np.sqrt(squares / (6 * rows)), rel=1e-4)
    for other in fit.bounds:
        ohm, error, freedom, _ = by_least_squares(measured, drawn, [name, other.name], has_offsets=not steady, t=t)
        holds(other, float(ohm[1]), float(error[1]), freedom)


def test_the_source_and_the_plan_beside_each_reading() -> None:
    drawn = drawn_of(50, seed=4)
    measured = measure(PLAN, drawn, noise_v=0.004, open_v=8.2)
    for at, column in enumerate(measured.volts.values()):
        column[at * 3 : at * 3 + 5] = np.nan
    fit = explain_measurement(PLAN, measured)
    assert fit.source_v == pytest.approx(8.2, abs=0.003)
    assert fit.source_v is not None
    assert [one.name for one in fit.readings] == list(NODES)
    for one in fit.readings:
        column = measured.volts[one.name]
        known = ~np.isnan(column)
        drop = sum(OHM * flow(drawn, lead)[known].mean() for lead in WAY[one.name])
        assert (one.mean_v, one.min_v) == pytest.approx((column[known].mean(), column[known].min()))
        assert one.planned_v == pytest.approx(fit.source_v - drop)
        is_measured = one.name in measured.amps
        assert one.current_a == (pytest.approx(measured.amps[one.name].mean()) if is_measured else None)


@pytest.mark.parametrize(("loads", "has_offsets"), [((1.0, 2.0), False), ((1.0, 2.01), True)])
def test_a_load_that_doubles_lets_each_meter_have_an_offset(loads: tuple[float, float], has_offsets: bool) -> None:
    drawn = np.array([[load / 3] * 3 for load in loads] * 10)
    measured = measure(PLAN, drawn)
    system = LeadSystem(build_network(PLAN), measured, find_currents(PLAN, build_network(PLAN), measured))
    assert (system.has_offsets, system.fixed) == (has_offsets, 7 if has_offsets else 2)


def test_currents_that_are_open_widen_the_fit_as_weights_do() -> None:
    """Each open current is one standard deviation wide: the readings go together by so much."""
    measured = measure(PLAN, drawn_of(40), amps=("supply", "wing"), noise_v=0.005)
    network = build_network(PLAN)
    currents = find_currents(PLAN, network, measured)
    system = LeadSystem(network, measured, currents)
    tables = np.vstack([table for _, _, table in system._tables()])
    fixed, open_ = tables[:, : system.fixed], tables[:, system.fixed : system.first]
    assert open_.shape[1] == 1
    assert system.count == 6 * 40
    for variance in (1e-6, 2.5e-5):
        weight = variance * np.linalg.inv(variance * np.eye(len(tables)) + open_ @ open_.T)
        inner = np.linalg.inv(fixed.T @ weight @ fixed)
        rest = weight - weight @ fixed @ inner @ fixed.T @ weight
        leads = tables[:, system.first :]
        assert system.reduced(variance) == pytest.approx(leads.T @ rest @ leads, rel=1e-6, abs=1e-9)


@pytest.mark.parametrize("scale", [1.0, 100.0])
def test_highest_currents_are_those_of_any_row(scale: float) -> None:
    drawn = np.array([[0.1, 0.2, 3.0], [2.0, 1.5, 0.0], [1.0, 0.1, 0.1]]) * scale
    measured = measure(PLAN, drawn)
    network = build_network(PLAN)
    system = LeadSystem(network, measured, find_currents(PLAN, network, measured))
    names = [network.branches[at].name for at in system.leads.tolist()]
    assert dict(zip(names, system.highest_a(), strict=True)) == pytest.approx(
        {lead: flow(drawn, lead).max() for lead in DRAWN_BY}
    )
    assert dict(zip(names, system.most_loaded(), strict=True)) == pytest.approx(
        {lead: flow(drawn, lead)[1] for lead in DRAWN_BY}
    )


@pytest.mark.parametrize("extra", [0.0004, 0.003])
def test_a_lead_that_loses_no_more_than_the_last_digit_is_not_named(extra: float) -> None:
    """4 A through 0.4 milliohm lose 1.6 mV, through 3 milliohm 12 mV; the meter shows 5 mV."""
    measured = measure(PLAN, drawn_of(400), extra={"lead to hub wing": extra})
    coarse = {name: np.round(one / 0.005) * 0.005 for name, one in measured.volts.items()}
    fit = explain_measurement(PLAN, replace(measured, volts=coarse, step_v=0.005))
    assert words(fit) == (("explained", ["lead to hub wing"], []) if extra > 0.002 else ("nothing found", [], []))


@pytest.mark.parametrize(
    ("steady", "volts", "is_said"),
    [(True, NODES, True), (True, NODES[2:3], False), (False, NODES, False), (False, NODES[2:3], False)],
)
def test_columns_are_taken_as_alike_where_the_load_hardly_changes(
    steady: bool, volts: tuple[str, ...], is_said: bool
) -> None:
    drawn = np.tile([[1.0, 0.9, 1.1], [1.1, 1.2, 0.8]], (10, 1)) if steady else drawn_of(20, seed=6)
    fit = explain_measurement(PLAN, measure(PLAN, drawn, volts=volts, noise_v=0.002))
    note = "the load hardly changes, so all columns are taken to show the same at the same voltage"
    assert fit.notes == ((note,) if is_said else ())


def test_five_leads_are_named_at_most() -> None:
    extra = {name: 0.05 + 0.02 * at for at, name in enumerate(DRAWN_BY)}
    fit = explain_measurement(PLAN, measure(PLAN, drawn_of(300), extra=extra, noise_v=0.001))
    assert fit.verdict == "explained"
    assert len(fit.leads) == 5
    assert {one.name for one in fit.leads} <= set(extra)
    assert fit.unseen == ()
    assert len({one.name for one in (*fit.leads, *fit.bounds)}) == 6


@pytest.mark.parametrize(("extra", "named"), [(-0.09, True), (-0.1, True), (-0.15, False)])
def test_a_lead_never_has_less_than_no_resistance(extra: float, named: bool) -> None:
    """0.1 ohm is planned; what would be less is something else, as a source that rises with the load."""
    measured = measure(PLAN, drawn_of(200), volts=("receiver", "tail"), noise_v=0.001)
    volts = measured.volts["tail"] - extra * measured.amps["tail"]
    fit = explain_measurement(PLAN, replace(measured, volts=measured.volts | {"tail": volts.round(3)}))
    assert ("lead to tail" in {one.name for one in fit.leads}) is named
    assert all(one.low_ohm >= -OHM - 1e-12 for one in (*fit.leads, *fit.bounds))


@pytest.mark.parametrize(("rows", "reason"), [(1, "there are too few readings"), (2, "")])
def test_two_readings_more_than_constants_are_needed(rows: int, reason: str) -> None:
    drawn = np.array([[1.0, 1.0, 1.0], [1.1, 1.2, 0.9]])[:rows]
    fit = explain_measurement(PLAN, measure(PLAN, drawn, volts=("receiver", "one")))
    assert fit.reason == reason
    assert fit.verdict == ("cannot tell" if reason else "nothing found")


def test_leads_that_no_reading_shows_are_named() -> None:
    fit = explain_measurement(PLAN, measure(PLAN, drawn_of(60), volts=("receiver", "wing"), noise_v=0.002))
    assert set(fit.unseen) == {"lead to one", "lead to two", "lead to tail"}
    assert {one.name for one in fit.bounds} == {"supply", "lead from supply to receiver", "lead to hub wing"}
