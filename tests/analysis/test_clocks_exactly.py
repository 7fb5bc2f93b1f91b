"""Frames matched and clocks aligned on small recordings of every kind, with literal figures beside the truth.

How often the intervals hold is measured by tools/study_clocks.py; here a changed weight or limit shows. Where one was
changed on purpose, `BUSBENCH_SNAPSHOTS=write` writes clocks.txt again; read it then.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest
from study_clocks import KINDS

from busbench.analysis.clock_alignment import align_clocks
from busbench.analysis.frame_match import match_frames
from busbench.model import I64
from busbench.wire.codec import pack_frames
from tests.analysis.kept_figures import KeptFigures
from tests.analysis.test_clock_alignment import table

MOTIONS = ("free", "steps", "rests", "switch", "ramp", "rare", "echo")


@dataclass(frozen=True)
class Pair:
    """A line seen by an adapter and by a logic analyser.

    Args:
        motion: of the sticks: how much single frames can be distinguished.
        late: how late the adapter is, of study_clocks.
    """

    motion: str
    late: str
    count: int
    seed: int

    @property
    def name(self) -> str:
        return f"{self.motion}, {self.late}, {self.count} {self.seed}"

    def counts(self, rng: np.random.Generator) -> I64:
        n = self.count
        made = np.full((n, 16), 992)
        match self.motion:
            case "free":
                made[:, 0] = rng.integers(200, 1800, n)
            case "steps":  # a value now and then, held
                made[:, 0] = np.repeat(rng.integers(200, 1800, n), rng.integers(1, 9, n))[:n]
            case "rests":  # moves at both ends, and rest between
                made[: n // 4, 1] = rng.integers(200, 1800, n // 4)
                made[-n // 4 :, 1] = rng.integers(200, 1800, -(-n // 4))
            case "switch":  # to and fro: the same contents again and again
                made[:, 2] = np.where(np.arange(n) // 3 % 2, 300, 1700)
                made[::17, 3] = 992 + np.arange(len(made[::17]))
            case "ramp":
                made[:, 4] = 400 + np.arange(n) // 2
            case "rare":  # a jump every forty frames
                made[:, 5] = 300 + 11 * (np.arange(n) // 40)
            case _:  # five contents twice, one time after the other
                made[:, 6] = np.tile(rng.integers(200, 1800, (-(-n // 10), 1, 5)), (1, 2, 1)).reshape(-1)[:n]
        return np.asarray(made, np.int64)

    def figures(self) -> str:
        rng = np.random.default_rng([self.seed, self.count])
        period_ns = float(rng.choice([7e6, 14e6, 15e6]))
        end_ns = np.rint(period_ns * np.arange(1, self.count + 1) + rng.normal(0, 2e4, self.count)).astype(np.int64)
        raw = pack_frames(self.counts(rng))
        most_ns = float(rng.choice([2e5, 2e6, 9e6, 2.5e7]))
        drift, offset_ns = rng.uniform(-800, 800) * 1e-6, rng.uniform(-5e9, 5e9)
        seen_ns = np.maximum.accumulate(offset_ns + (1 + drift) * end_ns + KINDS[self.late](end_ns, most_ns, rng))
        kept = []
        for lost in (0.04, 0.02):
            keep = rng.random(self.count) >= lost
            at = int(rng.integers(self.count))
            keep[at : at + int(rng.integers(0, 12))] = False
            kept.append(np.flatnonzero(keep))
        adapter = table(np.rint(seen_ns).astype(np.int64)[kept[0]], raw[kept[0]])
        analyser = table(end_ns[kept[1]] - 120_000, raw[kept[1]])
        same = match_frames(adapter, analyser)
        wrong = np.count_nonzero(kept[0][same.first] != kept[1][same.second])
        both = np.intersect1d(kept[0], kept[1]).size
        found = align_clocks(adapter, analyser, starts_ns=(10_000, -7_000), resolution_ns=43, character_ns=120_000)
        truth = f"truly {both} in both, offset {offset_ns / 1e9:.6f} drift {drift * 1e6:.2f}"
        truth += f" late up to {most_ns / 1e6:g} ms"
        if found.offset_s is None or found.drift_ppm is None or found.lateness is None:
            return f"{truth}; found {len(same)} matched, {wrong} wrong; {found.note}"
        late_ms = {key: f"{round(value * 1e3, 3) + 0.0:.3f}" for key, value in found.lateness.to_json().items()}
        figures = [f"{one:.6f}" for one in found.offset_s] + [f"{one:.2f}" for one in found.drift_ppm]
        return f"{truth}; found {len(same)} matched, {wrong} wrong; {' '.join(figures)} {' '.join(late_ms.values())}"


CASES = [
    Pair(motion, late, count, seed)
    for seed, (motion, late, count) in enumerate(
        (motion, late, count)
        for motion in MOTIONS
        for late, count in zip((*KINDS, *KINDS), (40, 90, 200, 300, 350, 600, 60, 130, 33, 240), strict=True)
    )
]
CASES += [
    Pair(motion, late, count, seed)
    for seed, (motion, late, count) in enumerate(
        (
            (motion, late, count)
            for motion in ("steps", "rests", "switch", "rare", "echo")
            for late, count in zip(KINDS, (52, 110, 75, 160, 90), strict=True)
        ),
        start=200,
    )
]
FIGURES = KeptFigures("clocks.txt", {case.name: case.figures for case in CASES})


@pytest.mark.parametrize("name", FIGURES.made)
def test_clocks_of_small_recordings(name: str) -> None:
    assert FIGURES.made[name]() == FIGURES.held[name]
