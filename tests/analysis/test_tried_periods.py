"""The periods that are tried for reads, with literal figures beside the truth.

A changed weight or limit of the search shows. Where one was changed on purpose, `BUSBENCH_SNAPSHOTS=write` writes
periods.txt again; read it then: the true period is near one of those tried.
"""

from __future__ import annotations

import os
import re
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest

from busbench.analysis.period import is_cut
from busbench.analysis.read_period import _lines_of, _Window, choose_period
from busbench.analysis.read_slots import latest_ends
from tests.analysis.adapter_kinds import KINDS, draw, seen

KEPT = Path(__file__).with_name("periods.txt")


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

    def figures(self) -> tuple[str, str]:
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
        return f"{true_us:.3f}", "; ".join(parts)


CASES = [
    Reads(kind, lost, 3 * seed + number) for seed, kind in enumerate(KINDS) for number, lost in enumerate((0.0, 0.15))
]
HELD = dict(re.findall(r"^(.*?): truly .*?; (all .*)$", KEPT.read_text("utf-8"), re.MULTILINE)) if KEPT.exists() else {}


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_periods_that_are_tried(case: Reads) -> None:
    if os.environ.get("BUSBENCH_SNAPSHOTS") == "write":
        if case == CASES[0]:
            KEPT.write_text("".join("{}: truly {}; {}\n".format(one.name, *one.figures()) for one in CASES), "utf-8")
        return
    assert case.figures()[1] == HELD[case.name]
