"""Bounds of jitter by reads that cut some of the frames, with literal figures beside the true jitter.

A changed margin, limit or condition shows. Where one was changed on purpose, `BUSBENCH_SNAPSHOTS=write` writes
ranges.txt again; read it then.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pytest

from busbench.analysis.host_lateness import HostLateness
from busbench.analysis.jitter_range import range_by_reads
from busbench.analysis.period import number_frames
from busbench.model import FrameTimes
from busbench.wire.arrival_times import CUT_NS
from tests.analysis.kept_figures import KeptFigures

CUTS = ("all", "most", "every other", "odd ones", "a run", "few", "none")
STALLED = HostLateness(2000, math.inf, math.inf)


@dataclass(frozen=True)
class Mixed:
    """Frames of which reads cut some.

    Args:
        cut: which.
        jitter_us: rms, of single frames.
        blocks: share of the cut frames of which nothing bounds the end from below.
        host: the log of the computer.
    """

    cut: str
    jitter_us: float
    blocks: float
    host: str
    seed: int

    @property
    def name(self) -> str:
        return f"{self.cut} cut, {self.jitter_us:g} us, {self.blocks:g} in blocks, {self.host} {self.seed}"

    def rows(self, rng: np.random.Generator, count: int) -> np.ndarray:
        match self.cut:
            case "all":
                return np.arange(count)
            case "most":
                return np.flatnonzero(rng.random(count) < 0.7)
            case "every other":
                return np.append(np.arange(0, count // 2, 2), np.arange(count // 2 | 1, count, 2))
            case "odd ones":
                return np.arange(1, count, 2)
            case "a run":
                return 7 + np.arange(int(rng.choice([30, 31, 32, 45])))
            case "few":
                return np.sort(rng.choice(count, count // 7, replace=False))
            case _:
                return np.empty(0, np.int64)

    def figures(self) -> str:
        """The true rms of the period, and what is found."""
        rng = np.random.default_rng([self.seed, 2])
        count, period_ns = int(rng.choice([70, 150, 400])), float(rng.choice([7_000_210, 14_000_370]))
        number = np.arange(count)
        if self.seed % 3 == 0:
            number = np.sort(rng.choice(count + count // 10, count, replace=False))
        end_ns = np.rint(period_ns * number + rng.normal(0, 1e3 * self.jitter_us, count)).astype(np.int64)
        late_ns = float(rng.choice([3e5, 1.5e6]))
        host = {"no log": None, "logged": HostLateness(2000, late_ns, late_ns**2 / 12), "stalled": STALLED}[self.host]
        rows, late = self.rows(rng, count), rng.integers(0, int(late_ns), count)
        slack = np.full(count, 5_000_000, np.int32)
        late[rows] = rng.integers(0, 60_000, rows.size)
        apart = (rng.random(rows.size) < float(rng.choice([0, 0.6]))) * rng.integers(1, 90_000, rows.size)
        slack[rows] = np.where(rng.random(rows.size) < self.blocks, CUT_NS, 120_000 - apart)
        times = FrameTimes(end_ns + late, slack, np.zeros(count, np.uint8))
        numbers = number_frames(times)
        assert numbers is not None
        ends, found = range_by_reads(times, numbers, host)
        true_us = np.std(np.diff(end_ns)[np.diff(number) == 1]) / 1e3
        said = f"{ends.size} ends of {'all' if ends.rows is None else 'cut'}"
        if found is not None:
            said += f", {found.kind} {found.way} {found.rms:.6g} {found.low:.6g} {found.high:.6g}"
            said += (
                f", grid {found.grid.step_ns:.5g} {found.grid.may_hide_ns:.5g}{', by log' * (found.host is not None)}"
            )
        return f"truly {true_us:.1f} us; {said}"


CASES = [
    Mixed(cut, jitter_us, blocks, host, seed)
    for seed, (cut, (jitter_us, blocks, host)) in enumerate(
        (cut, more)
        for cut in CUTS
        for more in ((15.0, 0.0, "no log"), (120.0, 0.04, "logged"), (450.0, 0.06, "stalled"), (30.0, 0.5, "logged"))
    )
]
FIGURES = KeptFigures("ranges.txt", {case.name: case.figures for case in CASES})


@pytest.mark.parametrize("name", FIGURES.made)
def test_ranges_of_mixed_reads(name: str) -> None:
    assert FIGURES.made[name]() == FIGURES.held[name]
