"""Pulse outputs of small recordings with literal figures beside the truth: noise, false widths, moves at the ends.

A changed weight or limit of the search for channel and delay shows. Where one was changed on purpose,
`BUSBENCH_SNAPSHOTS=write` writes pulses.txt again; read it then.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest

from busbench.analysis.latency import find_latency, first_pulses
from busbench.analysis.pulse_fit import follow
from busbench.model import F64, I64
from busbench.wire.codec import pack_frames
from busbench.wire.frame_spec import FLAG_LOST
from busbench.wire.table import FrameTable
from tests.analysis.kept_figures import KeptFigures

MS = 1_000_000
MOTIONS = ("walk", "jumps", "ramp", "start", "end", "alike", "swing")
OUTPUTS = ("locked", "every 2.5 ms", "every 11 ms", "every 20 ms")


@dataclass(frozen=True)
class Output:
    """A pulse output that follows channel 3.

    Args:
        motion: of channel 3; "alike": channel 5 moves with it but for a few frames.
        output: one pulse a frame, or pulses on a period of their own.
        seed: of all else: frame period, delay, slope, noise and false widths, step of the times, flagged frames.
    """

    motion: str
    output: str
    seed: int

    @property
    def name(self) -> str:
        return f"{self.motion}, {self.output} {self.seed}"

    def counts(self, rng: np.random.Generator, count: int) -> I64:
        made, at = np.full((count, 16), 992), np.arange(count)
        match self.motion:
            case "walk":
                made[:, 2] = np.clip(992 + np.cumsum(rng.integers(-90, 91, count)), 200, 1800)
            case "jumps":
                made[:, 2] = np.repeat(rng.integers(200, 1800, count), rng.integers(3, 12, count))[:count]
            case "ramp":
                made[:, 2] = 300 + 9 * at
            case "start":
                made[:6, 2] = rng.integers(200, 1800, 6)
            case "end":
                made[-6:, 2] = rng.integers(200, 1800, 6)
            case "alike":
                made[:, 2] = made[:, 4] = rng.integers(200, 1800, count)
                made[:: int(rng.integers(9, 40)), 4] += int(rng.integers(3, 40))
            case _:
                made[:, 2] = np.rint(992 + 600 * np.sin(at / 7)).astype(np.int64)
        return made

    def made(self) -> tuple[FrameTable, I64, F64, int, float]:
        """Frames, begins and widths of the pulses, the delay in ns, and the step of the times in us."""
        rng = np.random.default_rng([self.seed, MOTIONS.index(self.motion)])
        count, period_ns = int(rng.integers(40, 140)), int(rng.choice([7, 9, 14])) * MS
        counts, flags = self.counts(rng, count), np.zeros(count, np.uint8)
        flags[rng.random(count) < float(rng.choice([0, 0.05]))] = FLAG_LOST
        t_ns = 3 * MS + period_ns * np.arange(count) + rng.integers(-200_000, 200_000, count)
        delay_ns = int(
            rng.choice([int(0.2 * MS), 2 * MS, 9 * MS, 31 * MS, 120 * MS, 195 * MS], p=[0.2, 0.2, 0.2, 0.2, 0.1, 0.1])
        )
        if self.output == "locked":
            begin_ns = t_ns + delay_ns + rng.integers(20_000, 900_000, count)
        else:
            step_ns = round(float(self.output.split()[1]) * MS)
            begin_ns = np.arange(t_ns[0] + delay_ns, t_ns[-1] + 3 * period_ns, step_ns) + int(rng.integers(0, MS))
        shown = np.maximum.accumulate(np.where(flags == 0, np.arange(count), 0))  # a flagged frame changes nothing
        row = shown[np.searchsorted(t_ns, begin_ns - delay_ns, "right") - 1]
        width_us = 1500 + float(rng.choice([0.61, -0.5])) * (counts[row, 2] - 992.0)
        width_us += rng.normal(0, 1, row.size) * float(rng.choice([0, 0.1, 0.8]))
        width_us[rng.random(row.size) < float(rng.choice([0, 0.01]))] += 37
        step_us = float(rng.choice([0.04, 1.0]))
        table = FrameTable(
            t_ns,
            np.zeros(count, np.int32),
            25 * np.arange(count),
            pack_frames(counts, flags),
            np.zeros(count, np.uint8),
        )
        return table, begin_ns, np.rint(width_us / step_us) * step_us, delay_ns, step_us

    def figures(self) -> str:
        """What was made, and what is found."""
        table, begin_ns, width_us, delay_ns, step_us = self.made()
        found, note = follow(begin_ns, width_us, table, step_us=step_us)
        truth = f"truly {len(table)} frames, {begin_ns.size} pulses, delay {delay_ns / MS:g} ms"
        if found is None:
            return f"{truth}; found {note}"
        fit, latency = found.fit, find_latency(begin_ns, width_us, table, found)
        rows, firsts = first_pulses(begin_ns, table, found)
        centre = f"{fit.centre_us:.6g}{'' if fit.is_centre_known else ' or another'}"
        parts = [
            f"channel {fit.channel}{fit.also} {centre} {fit.us_per_count:.6g} se {fit.us_per_count_se:.4g}",
            f"residual {fit.residual_us:.4g} worst {fit.worst_us:.4g} lag {fit.lag_frames} outliers {fit.outliers}",
            f"of {fit.min_counts} to {fit.max_counts} within {found.tolerance_us:.4g}",
            f"delay {found.low_ns} to {found.high_ns}{' even' * found.is_even}",
            "no latency" if latency is None else f"latency {latency.end_ns.size} {latency.late_ns.sum()}",
            f"first {rows.size} {int(rows.sum())} {int((firsts - table.t_ns[rows]).sum())}",
            note,
        ]  # fmt: skip
        return f"{truth}; found {'; '.join(parts)}"


CASES = [
    Output(motion, output, seed)
    for seed, (motion, output) in enumerate(
        (motion, output) for _ in range(2) for motion in MOTIONS for output in OUTPUTS
    )
]
FIGURES = KeptFigures("pulses.txt", {case.name: case.figures for case in CASES})


@pytest.mark.parametrize("name", FIGURES.made)
def test_pulses_of_small_recordings(name: str) -> None:
    assert FIGURES.made[name]() == FIGURES.held[name]
