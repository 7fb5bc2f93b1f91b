"""The timing of seeded receivers after every kind of adapter, with literal figures.

How often such claims hold is measured by tools/study_timing.py; here a changed weight or limit of the analysis
shows. Where one was changed on purpose, `BUSBENCH_SNAPSHOTS=write` writes timings.txt again; read it then.
"""

from __future__ import annotations

from functools import partial

import numpy as np
import pytest

from busbench.analysis.timing import timing
from busbench.model import Clock, ClockKind
from tests.analysis.adapter_kinds import KINDS, draw, seen
from tests.analysis.kept_figures import KeptFigures


def figures(kind: str, seed: int) -> str:
    """Frames missing, mean period, jitter with its bounds and kind, cycle jitter, time error, MTIE, and the floor."""
    rng = np.random.default_rng(seed)
    found = timing(seen(rng, draw(rng, count=300), kind), clock=Clock(ClockKind.PER_READ, 1000)).to_json()
    jitter, last = found["period_jitter_s"], found["mtie_s"][-1:]
    values = [found["period_s"][name] for name in ("mean", "median", "p99")]
    values += [jitter[name] for name in ("rms", "rms_low", "rms_high")]
    values += [found["cycle_jitter_s"]["rms"], found["tie_s"]["rms"], *(pair[1] for pair in last)]
    values += [found["lag1"], found["clock"]["floor_s"]]
    return " ".join([str(found["missing"]), jitter["kind"], *("-" if one is None else f"{one:.4g}" for one in values)])


FIGURES = KeptFigures(
    "timings.txt", {f"{kind} {seed}": partial(figures, kind, seed) for seed, kind in enumerate(KINDS)}
)


@pytest.mark.parametrize("name", FIGURES.made)
def test_timing_of_seeded_receivers(name: str) -> None:
    assert FIGURES.made[name]() == FIGURES.held[name]
