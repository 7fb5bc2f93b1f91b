"""Leads fitted to made measurements, with literal figures beside what was changed in the harness.

A changed weight, limit or sum shows. Where one was changed on purpose, `BUSBENCH_SNAPSHOTS=write` writes leads.txt
again; read it then.
"""

from __future__ import annotations

from dataclasses import replace
from functools import partial

import numpy as np
import pytest

from busbench.analysis import lead_system
from busbench.analysis.lead_fit import LeadExtra, explain_measurement
from busbench.rig.measurement import Measurement
from tests.analysis.kept_figures import KeptFigures
from tests.analysis.test_lead_fit import FEED, HEAD, NODES, ONE, PLAN, TAIL, TWO, WING, drawn_of, measure
from tests.rig.rigs import rig

LOOP = rig(WING, FEED, ONE, TWO, TAIL, head=HEAD)
CONTACTS: dict[str, dict[str, float]] = {
    "nothing": {},
    "hub": {"lead to hub wing": 0.03},
    "small at tail": {"lead to tail": 0.004},
    "thicker": {"lead to one": -0.09},
    "two": {"lead to two": 0.1, "lead to tail": 0.02},
    "supply": {"supply": 0.06},
}
READ: dict[str, tuple[tuple[str, ...], tuple[str, ...]]] = {
    "all": (NODES, ("one", "two", "tail")),
    "ends": (("receiver", "one", "two", "tail"), ("supply", "wing")),
    "two nodes": (("supply", "one"), ("supply", "one", "two")),
}
CASES = [
    (contact, read, rows, noise_mv)
    for number, (contact, read) in enumerate((contact, read) for contact in CONTACTS for read in READ)
    for rows, noise_mv in [((40, 2), (12, 8), (90, 5))[number % 3]]
    if (contact, read) != ("supply", "ends")  # two leads are alike to the last bit there
]


def name_of(case: tuple[str, str, int, int]) -> str:
    return "{}, {}, {} rows, {} mV".format(*case)


def lead(one: LeadExtra) -> str:
    values = (one.planned_ohm, one.extra_ohm, one.low_ohm, one.high_ohm, one.lost_v, one.current_a)
    return f"{one.name} to {one.to} {' '.join(f'{value:.5g}' for value in values)}"


def figures(measured: Measurement, *, is_loop: bool = False) -> str:
    fit = explain_measurement(LOOP if is_loop else PLAN, measured)
    parts = [
        f"{fit.verdict} {fit.reason}",
        *(f"{word} {lead(one)}" for word in ("leads", "alternatives", "bounds") for one in getattr(fit, word)),
        f"unseen {', '.join(fit.unseen)}; next {fit.next_node} {fit.next_differs_v:.4g} {fit.next_current}",
        f"source {fit.source_v:.6g} noise {fit.noise_v:.4g}",
        *(f"{one.name} {one.mean_v:.6g} {one.min_v:.6g} {one.planned_v:.6g}" for one in fit.readings),
        *(f"{one.name} {one.current_a:.5g}" for one in fit.readings if one.current_a is not None),
        *fit.notes,
    ]  # fmt: skip
    return "; ".join(parts)


def figures_of(case: tuple[str, str, int, int]) -> str:
    contact, read, rows, noise_mv = case
    volts, amps = READ[read]
    drawn = drawn_of(rows, seed=rows + len(contact))
    offsets = {"receiver": 0.03} if rows == 90 else None
    return figures(
        measure(PLAN, drawn, volts=volts, amps=amps, extra=CONTACTS[contact], noise_v=noise_mv / 1e3, offsets_v=offsets)
    )


def looped() -> str:
    extra = {"second feed to wing": 0.1, "lead to one": 0.05}
    measured = measure(LOOP, drawn_of(50), extra=extra, noise_v=0.003)
    measured.volts["wing"][np.arange(50) % 4 == 0] = np.nan
    return figures(measured, is_loop=True)


def sagging() -> str:
    """The source falls with time, and what one row deviates the next ones do too; times do not begin at zero."""
    rng, rows = np.random.default_rng(8), 240
    t_s = 5000.0 + np.cumsum(rng.uniform(0.5, 2.0, rows))
    sag = -0.2 * (t_s - t_s[0]) / 300 + 0.004 * np.cumsum(rng.normal(0, 1, rows)) / 4
    measured = measure(PLAN, drawn_of(rows), volts=NODES[1:], extra={"lead to hub wing": 0.02}, noise_v=0.004)
    volts = {name: (one + sag).round(3) for name, one in measured.volts.items()}
    return figures(replace(measured, volts=volts, t_s=t_s))


def still() -> str:
    """One load, so that no reading can have an offset of its own; currents by a load case."""
    drawn = np.tile([2.0, 2.0, 2.0], (12, 1))
    return figures(
        measure(PLAN, drawn, amps=(), cases=("all stalled",) * 12, extra={"lead to tail": 0.05}, noise_v=0.001)
    )


FIGURES = KeptFigures(
    "leads.txt",
    {name_of(case): partial(figures_of, case) for case in CASES}
    | {"loop": looped, "sagging source": sagging, "still": still},
)


@pytest.mark.parametrize("name", FIGURES.made)
def test_leads_of_made_measurements(name: str) -> None:
    assert FIGURES.made[name]() == FIGURES.held[name]


@pytest.mark.parametrize("rows", [7, 40])
def test_rows_at_once_change_no_figure(rows: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(lead_system, "_ROWS_AT_ONCE", rows)
    for name in (*map(name_of, CASES[::4]), "loop"):
        assert FIGURES.made[name]() == FIGURES.held[name]
