"""Numbers of frames on a rough period, and gaps at the ends, with literal figures beside the truth.

A changed weight, cell or limit shows. Where one was changed on purpose, `BUSBENCH_SNAPSHOTS=write` writes slots.txt
again; read it then.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest

from busbench.analysis.end_gaps import EndLosses, end_gap
from busbench.analysis.slot_numbers import number
from tests.analysis.adapter_kinds import KINDS, draw, seen
from tests.analysis.kept_figures import KeptFigures


@dataclass(frozen=True)
class Rough:
    """Reads that are numbered on a period known to 30 ppm, by all frames and by some of them.

    Args:
        kind: of the adapter.
    """

    kind: str
    seed: int

    @property
    def name(self) -> str:
        return f"{self.kind} {self.seed}"

    def figures(self) -> str:
        rng = np.random.default_rng([self.seed, 8])
        sent = draw(rng, count=int(rng.choice([13, 45, 130])))
        keep = np.append(True, rng.random(sent.end_us.size - 1) >= float(rng.choice([0.0, 0.08])))
        sent = type(sent)(sent.end_us[keep], sent.number[keep])
        size = sent.number.size
        period_ns = 1e3 * float((sent.end_us[-1] - sent.end_us[0]) / (sent.number[-1] - sent.number[0]))
        t_ns = (seen(rng, sent, self.kind).t_ns - 10**6).astype(np.float64)
        some = np.sort(rng.choice(size, size * 2 // 3, replace=False))
        parts = []
        for rows, index in ((np.arange(size), None), (some, some.astype(np.float64))):
            found = number(t_ns[rows], index, period_ns * (1 + 3e-5), rounds=1 + self.seed % 2)
            off_us, wrong = (
                found.off_ns() / 1e3,
                found.slot - found.slot[0] - (sent.number[rows] - sent.number[rows[0]]),
            )
            parts.append(
                f"{np.count_nonzero(wrong)} wrong, slots {found.slot.sum():.0f} period {found.period_ns / 1e3:.9g}"
                f" off {np.abs(off_us).mean():.5g} {off_us.max():.5g} {off_us.min():.5g}"
                f"{' phase' * found.has_phase}{' even' * found.is_even} turns {found.turns} late {found.late_run}"
            )
        late = np.sort(rng.exponential(0.4, 40)).clip(max=float(rng.choice([0.3, 1.7, 4.0])))
        for is_start in (True, False):
            excess = np.cumsum(rng.random(int(rng.integers(1, 7))) < 0.4) + rng.uniform(-0.2, 0.6)
            losses = EndLosses.of(int(rng.integers(0, 6)), int(rng.integers(6, 12)), 200)
            gap = end_gap(np.asarray(excess * (0.4 if is_start else 1.0), np.float64), late, losses, is_start=is_start)
            parts.append(f"{'start' if is_start else 'end'} {gap.frames} {gap.doubt}")
        truth = f"{int(sent.number[-1] - sent.number[0]) + 1 - size} lost of {period_ns / 1e3:.3f} us"
        return "; ".join([f"truly {truth}", *parts])


CASES = [Rough(kind, seed) for seed, kind in enumerate([*KINDS, *KINDS])]
FIGURES = KeptFigures("slots.txt", {case.name: case.figures for case in CASES})


@pytest.mark.parametrize("name", FIGURES.made)
def test_numbers_on_a_rough_period(name: str) -> None:
    assert FIGURES.made[name]() == FIGURES.held[name]
