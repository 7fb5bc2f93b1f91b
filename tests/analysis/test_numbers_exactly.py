"""How frames of harsh recordings are numbered, with literal figures: losses at the very ends, silences, long ones.

What was sent is known, so each line begins with the truth. A changed weight or limit of the search for the period, of
the numbers or of the bounds shows. Where one was changed on purpose, `BUSBENCH_SNAPSHOTS=write` writes numbers.txt
again; read it then.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial

import numpy as np
import pytest

from busbench.analysis.period import number_frames
from busbench.analysis.timing import timing
from busbench.line import WakeUps
from busbench.model import Clock, ClockKind, FrameTimes
from tests.analysis.adapter_kinds import KINDS, Sent, draw, seen
from tests.analysis.kept_figures import KeptFigures

CLOCK = Clock(ClockKind.PER_READ, 1000)


@dataclass(frozen=True)
class Harsh:
    """A recording to number.

    Args:
        kind: of the adapter.
        count: frames on the frame timing.
    """

    seed: int
    kind: str
    count: int

    @property
    def name(self) -> str:
        return f"{self.kind}, {self.count} {self.seed}"

    def times(self) -> tuple[Sent, FrameTimes]:
        rng = np.random.default_rng([self.seed, self.count])
        sent = draw(rng, count=self.count)
        end_us, number = sent.end_us.copy(), sent.number.copy()
        if self.seed % 3 == 0:  # a silence after which the receiver begins at another phase
            at, silent_us = end_us.size // 3, rng.uniform(4e5, 3e6)
            period_us = (end_us[-1] - end_us[0]) / (number[-1] - number[0])
            end_us[at:] += silent_us
            number[at:] += round(silent_us / period_us)
        keep = np.ones(end_us.size, np.bool_)
        if self.seed % 2:  # losses just after the first frames and before the last
            near = int(rng.integers(1, 4))
            keep[near : near + int(rng.integers(1, 4))] = False
            near = int(rng.integers(1, 4))
            keep[-near - int(rng.integers(1, 4)) : -near] = False
        sent = Sent(end_us[keep], number[keep])
        return sent, seen(rng, sent, self.kind)


def digits(value: float | None) -> str:
    return "-" if value is None else f"{value:.4g}"


def figures(case: Harsh) -> str:
    """Frames truly missing; those found, in how many gaps, where and in doubt; the period and how it fits; jitter."""
    sent, times = case.times()
    found = number_frames(times)
    assert found is not None
    reads, missing = found.reads, found.missing
    assert reads is not None
    where = float((missing.row * missing.count).sum()) / max(1, missing.total)
    wakes = WakeUps.on_time(int(times.t_ns[0]), int(times.t_ns[-1]) + 1_000_000_000) if case.seed % 4 == 0 else []
    made = timing(times, clock=CLOCK, wakes=wakes)
    jitter = made.to_json()["period_jitter_s"]
    parts = [
        f"truly {sent.missing}", f"found {missing.total} in {missing.row.size} at {where:.6g}", f"doubt {reads.doubt}",
        f"period {found.period_ns:.9g}", "clear" if found.is_clear else "unclear",
        "alone" if reads.is_alone else "not alone", "by cut" if reads.by_cut else "by all",
        f"blur {reads.blur:.4g} late {reads.late_most_ns:.6g} sd {reads.cut_sd_ns:.4g} mixed {reads.cut_is_mixed:d}",
        " ".join([jitter["kind"], *(digits(jitter[name]) for name in ("rms", "rms_low", "rms_high"))]),
        made.note,
    ]  # fmt: skip
    return "; ".join(parts)


LONG = ("whole, busy", "grid 4 ms", "polled 15.6 ms", "timer 16 ms")
CASES = [
    *(Harsh(seed, kind, 160) for seed, kind in enumerate(KINDS)),
    *(Harsh(seed, kind, 400) for seed, kind in enumerate(KINDS, 31)),
    *(Harsh(seed, kind, 40) for seed, kind in enumerate(KINDS, 100)),
    *(Harsh(seed, kind, 75) for seed, kind in enumerate(KINDS, 203)),
    *(Harsh(seed, kind, 4500) for seed, kind in enumerate(LONG, 60)),
]
FIGURES = KeptFigures("numbers.txt", {case.name: partial(figures, case) for case in CASES})


@pytest.mark.parametrize("name", FIGURES.made)
def test_numbers_of_harsh_recordings(name: str) -> None:
    assert FIGURES.made[name]() == FIGURES.held[name]
