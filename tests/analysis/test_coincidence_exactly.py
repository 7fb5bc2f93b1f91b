"""Coincidences of made outages with every figure as literal text.

A changed limit or sum shows. Where one was changed on purpose, `BUSBENCH_SNAPSHOTS=write` writes coincidences.txt
again; read it then.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest

from busbench.analysis.coincidence import find_coincidence
from tests.analysis.kept_figures import KeptFigures

S = 1_000_000_000


@dataclass(frozen=True)
class Beside:
    """Sources whose outages have a share of causes in common.

    Args:
        sources: number of them.
        bursts: of each, about.
        common: share of the bursts of the first that the others have too.
    """

    sources: int
    bursts: int
    common: float
    seed: int

    @property
    def name(self) -> str:
        return f"{self.sources} sources, {self.bursts} bursts, {self.common:g} common {self.seed}"

    def figures(self) -> str:
        rng = np.random.default_rng([self.seed, 6])
        spans, outages = [], []
        begins = rng.uniform(0, 100, self.bursts)
        for number in range(self.sources):
            begin = rng.uniform(-1, 4)
            spans.append((round(begin * S), round((begin + rng.uniform(90, 110)) * S)))
            own = rng.uniform(0, 100, self.bursts + int(rng.integers(0, 5)))
            shared = begins[rng.random(begins.size) < (self.common if number else 1.0)]
            starts = np.concatenate([own if number else own[:0], shared])
            lasting = rng.exponential(0.08, starts.size)
            times = np.column_stack([starts, starts + lasting])
            pieces = np.concatenate([times, times + np.array([0.1, 0.12])])[rng.permutation(2 * starts.size)]
            outages.append(np.rint(pieces * S).astype(np.int64))
        found = find_coincidence(outages, spans, period_ns=float(rng.choice([7e6, 15e6])))
        made = found.to_json()
        overlaps = made.pop("overlaps")
        assert isinstance(overlaps, list)
        said = [f"{key} {value:.7g}" if isinstance(value, float) else f"{key} {value}" for key, value in made.items()]
        lasted = sum(one["end_s"] - one["start_s"] for one in overlaps)
        sources = sum(sum(one["sources"]) for one in overlaps)
        return ", ".join([*said, f"{len(overlaps)} overlaps, {lasted:.7g} s, {sources}", found.counts])


CASES = [
    Beside(sources, bursts, common, seed)
    for seed, (sources, bursts, common) in enumerate(
        (sources, bursts, common)
        for sources in (2, 3)
        for bursts, common in ((0, 0.0), (3, 0.5), (30, 0.0), (30, 0.2), (90, 0.02), (90, 0.6))
    )
]
FIGURES = KeptFigures("coincidences.txt", {case.name: case.figures for case in CASES})


@pytest.mark.parametrize("name", FIGURES.made)
def test_coincidences_of_made_outages(name: str) -> None:
    assert FIGURES.made[name]() == FIGURES.held[name]
