"""The periods that are tried for reads, with literal figures beside the truth.

A changed weight or limit of the search shows. Where one was changed on purpose, `BUSBENCH_SNAPSHOTS=write` writes
periods.txt again; read it then: the true period is near one of those tried.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest

from busbench.analysis.period import is_cut
from busbench.analysis.read_period import _lines_of, _Window, choose_period
from busbench.analysis.read_slots import latest_ends
from tests.analysis.adapter_kinds import KINDS, draw, seen
from tests.analysis.kept_figures import KeptFigures


@dataclass(frozen=True)
class Reads:
    """Reads of an adapter, of which a share of the frames is lost.

    Args:
        kind: of the adapter.
        lost: share.
    """

    kind: str
    lost: float
    seed: int

    @property
    def name(self) -> str:
        return f"{self.kind}, lost {self.lost:g} {self.seed}"

    def figures(self) -> str:
        """The true period in us; those tried, and what one costs."""
        rng = np.random.default_rng([self.seed, 5])
        sent = draw(rng, count=int(rng.choice([12, 60, 150])))
        keep = np.append(True, rng.random(sent.end_us.size - 1) >= self.lost)
        sent = type(sent)(sent.end_us[keep], sent.number[keep])
        true_us = float((sent.end_us[-1] - sent.end_us[0]) / (sent.number[-1] - sent.number[0]))
        times = seen(rng, sent, self.kind)
        latest_ns, cut = latest_ends(times.t_ns), is_cut(times)
        parts = []
        for by_cut in (False, True):
            window, chosen = _Window.of(latest_ns, cut, by_cut=by_cut), choose_period(latest_ns, cut, by_cut=by_cut)
            tried = " ".join(f"{period_ns / 1e3:.7g}" for period_ns in sorted(_lines_of(window)))
            cost, least = window.cost_of(true_us * 1e3).cost, window.least_cost(true_us * 1e3)
            found = "none" if chosen is None else f"{chosen.period_ns / 1e3:.8g}{' alone' * chosen.is_alone}"
            parts.append(f"{'cut' if by_cut else 'all'} {found}, cost {cost:.7g} {least:.7g}, tried {tried}")
        return "; ".join([f"truly {true_us:.3f}", *parts])


CASES = [
    Reads(kind, lost, 3 * seed + number) for seed, kind in enumerate(KINDS) for number, lost in enumerate((0.0, 0.15))
]
FIGURES = KeptFigures("periods.txt", {case.name: case.figures for case in CASES})


@pytest.mark.parametrize("name", FIGURES.made)
def test_periods_that_are_tried(name: str) -> None:
    assert FIGURES.made[name]() == FIGURES.held[name]
