"""Periods and losses of exact times, with literal figures beside the truth: many losses, jitter, late frames, silences.

A changed weight or limit shows. Where one was changed on purpose, `BUSBENCH_SNAPSHOTS=write` writes exact.txt again;
read it then.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest

from busbench.analysis.continuity import longest_interval, period_change
from busbench.analysis.period import _common_measure, number_frames
from busbench.analysis.timing import timing
from busbench.model import Clock, ClockKind
from tests.analysis.adapter import exact
from tests.analysis.kept_figures import KeptFigures

LOST = (0.0, 0.1, 0.35, 0.6)
FAULTS = ("none", "late frames", "silence", "clock set back", "another period", "one frame twice")


@dataclass(frozen=True)
class Sent:
    """Frames on a period with jitter, of which a share is lost.

    Args:
        fault: what else happens.
    """

    lost: float
    fault: str
    seed: int

    @property
    def name(self) -> str:
        return f"lost {self.lost:g}, {self.fault} {self.seed}"

    def figures(self) -> str:
        rng = np.random.default_rng([self.seed, 4])
        count, period_ns = int(rng.choice([9, 40, 210, 260])), float(rng.choice([3.2e6, 4.5e6, 7e6, 14.0003e6, 90e6]))
        end_ns = (
            5e9 + period_ns * np.arange(count) + rng.normal(0, float(rng.choice([0, 0.003, 0.06])) * period_ns, count)
        )
        at = count // 3
        match self.fault:
            case "late frames":
                end_ns[at : at + 3] += rng.uniform(0.3, 1.9, 3) * period_ns
            case "silence":
                end_ns[at:] += rng.uniform(5, 60) * period_ns
            case "clock set back":
                end_ns[at:] -= 2e9
            case "another period":
                end_ns[at:] += 0.03 * period_ns * np.arange(count - at)
            case "one frame twice":
                end_ns[at] = end_ns[at - 1]
        keep = rng.random(count) >= self.lost
        keep[[0, -1]] = True
        times = exact(np.rint(end_ns[keep]).astype(np.int64))
        truth = f"{np.count_nonzero(~keep)} of {count} lost, {period_ns / 1e3:g} us"
        found, (part, back) = number_frames(times), longest_interval(times)
        step = np.diff(times.t_ns)
        said = f"measure {_common_measure(step[step > 0]):.8g}"
        if found is not None:
            where = int((found.missing.row * found.missing.count).sum())
            said += f", period {found.period_ns:.10g}, {found.missing.total} in {found.missing.row.size} at {where}"
        made = timing(times, clock=Clock(ClockKind.PER_BYTE, 100))
        shown = made.to_json()
        values = [value for key in ("period_s", "cycle_jitter_s", "tie_s") for value in shown[key].values()]
        values += [value for pair in shown["mtie_s"] for value in pair] + [shown["lag1"], shown["clock"]["floor_s"]]
        said += f", timing {' '.join('-' if value is None else f'{value:.5g}' for value in values)}"
        return f"truly {truth}; {said}, {len(part)} {back}, {period_change(times)}, {made.note}"


CASES = [
    Sent(lost, fault, seed) for seed, (lost, fault) in enumerate((lost, fault) for fault in FAULTS for lost in LOST)
]
FIGURES = KeptFigures("exact.txt", {case.name: case.figures for case in CASES})


@pytest.mark.parametrize("name", FIGURES.made)
def test_periods_of_exact_times(name: str) -> None:
    assert FIGURES.made[name]() == FIGURES.held[name]
