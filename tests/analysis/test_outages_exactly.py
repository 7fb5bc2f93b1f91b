"""Outages and timing of recordings with every kind of loss at once, with literal figures beside the truth.

A changed limit, sum or row shows. Where one was changed on purpose, `BUSBENCH_SNAPSHOTS=write` writes outages.txt
again; read it then.
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest

from busbench.analysis.outages import Outages, find_outages
from busbench.analysis.timing import timing
from busbench.capture.left_out import LeftOut
from busbench.model import MARKED, MARKED_MAYBE, Annotation, Clock, ClockKind, FrameTimes, Reason, Rejects
from busbench.wire.frame_spec import FLAG_FAILSAFE, FLAG_LOST, FRAME_BYTES

KEPT = Path(__file__).with_name("outages.txt")
EXACT, READ, NONE = Clock(ClockKind.PER_BYTE, 1000), Clock(ClockKind.PER_READ, 1000), Clock(ClockKind.NONE, 0)


@dataclass(frozen=True)
class Lossy:
    """A recording with losses in a row and single ones, damage, flags, marks, annotations and a silent end.

    Args:
        clock: of the frames; reads hand over whole frames at steps of 1 ms.
    """

    clock: Clock
    seed: int

    @property
    def name(self) -> str:
        return f"{self.clock.kind.value}, {self.seed}"

    def figures(self) -> list[str]:
        rng = np.random.default_rng([self.seed, 9])
        count, period_ns = int(rng.choice([5, 30, 90, 300])), int(rng.choice([4.5e6, 7e6, 15e6]))
        keep = rng.random(count) >= float(rng.choice([0.0, 0.03, 0.25]))
        for at in rng.integers(0, count, 2).tolist():
            keep[at : at + int(rng.integers(1, 7))] = False
        keep[0] = True
        end_ns = 10**9 + np.rint(period_ns * np.arange(count) + rng.normal(0, float(rng.choice([0, 3e3, 2e5])), count))
        late_ns = (rng.random(count) < 0.02) * rng.uniform(0, 2.4, count) * period_ns  # held back, then all at once
        t_all = np.maximum.accumulate(end_ns + late_ns).astype(np.int64)
        number = np.flatnonzero(keep)
        t_ns, n = t_all[number], number.size
        slack = np.zeros(n, np.int32)
        if self.clock is READ:
            t_ns, slack = (
                -(-t_ns // 1_000_000) * 1_000_000 + rng.integers(40_000, 90_000, n),
                np.full(n, 2_000_000, np.int32),
            )
        flags, marks = np.zeros(n, np.uint8), np.zeros(n, np.uint8)
        for value in (FLAG_LOST, FLAG_LOST | FLAG_FAILSAFE, FLAG_FAILSAFE):
            at = int(rng.integers(0, n))
            flags[at : at + int(rng.integers(1, 5))] |= value
        for value in (MARKED, MARKED_MAYBE):
            at = int(rng.integers(0, n))
            marks[at : at + int(rng.integers(0, 4))] = value
        rejects = self.rejects(rng, number, count)
        ends = int(t_all[-1]) + int(rng.choice([0, 0.4, 1.4, 1.6, 7.5]) * period_ns)
        words = [
            Annotation(int(t), f"m{i}") for i, t in enumerate(rng.integers(t_ns[0] - period_ns, ends + period_ns, 3))
        ]
        parts = [LeftOut(int(t_ns[0]) - 9 * period_ns, int(t_ns[0]) - period_ns, 9, 225)] if self.seed % 4 == 0 else []
        times = FrameTimes(t_ns, slack, flags, marks)
        begins_with_bytes = len(rejects) and not rejects.offset[0]
        found = find_outages(
            times, rejects, first_offset=int(rejects.length[0]) if begins_with_bytes else 0,
            clock=self.clock, start_ns=None if self.seed % 3 else int(t_ns[0]) - 3_000_000,
            end_t_ns=ends if self.seed % 5 else None, start_utc_ns=1_700_000_000_000_000_001 if self.seed % 2 else None,
            ambiguous=[(50, 75)] if self.seed == 1 else (), marks=words if self.seed % 4 else (), left_out=parts,
        )  # fmt: skip
        truth = f"{count - n} of {count} lost, period {period_ns / 1e6:g} ms"
        made = timing(times, clock=self.clock).to_json()
        shown = {key: made[key] for key in made if key not in ("frames", "clock")}
        return [f"{self.name}: {truth}", *outages(found), f"timing {digits(shown)}"]

    @staticmethod
    def rejects(rng: np.random.Generator, number: np.ndarray, count: int) -> Rejects:
        """Bytes of half of the lost frames, replies in slots, stray bytes and cut pieces at both ends."""
        runs: list[tuple[int, int, int]] = []
        offset, before = 0, -1
        for one in [*number.tolist(), count]:
            lost = one - before - 1
            if before < 0 and rng.random() < 0.5:
                runs.append((offset, 11, Reason.CUT))
                offset += 11
            elif lost and rng.random() < 0.6:
                size = int(rng.integers(1, 25 * lost + 14))
                runs.append((offset, size, Reason.DAMAGED))
                offset += size
            elif rng.random() < 0.1:
                reason, size = (Reason.SLOT, 4) if rng.random() < 0.6 else (Reason.DAMAGED, int(rng.integers(1, 60)))
                runs.append((offset, size, reason))
                offset += size
            before, offset = one, offset + FRAME_BYTES
        columns = np.array(runs, np.int64).reshape(-1, 3)
        return Rejects(columns[:, 0], columns[:, 1], columns[:, 2].astype(np.uint8))


def digits(value: object) -> str:
    """Values as short text, floats with six digits."""
    if isinstance(value, dict):
        return " ".join(f"{key} {digits(one)}" for key, one in value.items() if one not in (None, [], "", ()))
    if isinstance(value, list | tuple):
        return f"({', '.join(digits(one) for one in value)})"
    return f"{value:.6g}" if isinstance(value, float) else str(value)


def outages(found: Outages) -> list[str]:
    """All figures, events one by one up to a dozen, then their sums."""
    made = found.to_json()
    events = made.pop("events")
    assert isinstance(events, list)
    shown = [f"  {digits(event)}" for event in events[:12]]
    for key in ("frames", "frames_low", "missing", "bytes", "offset"):
        made[f"sum of {key}"] = sum(event[key] for event in events)
    summary = made.pop("summary")
    assert isinstance(summary, dict)
    return [digits(made), *(f"{kind}: {digits(one)}" for kind, one in summary.items()), *shown]


CASES = [Lossy(clock, seed) for seed, clock in enumerate([EXACT, READ, EXACT, NONE, EXACT, READ] * 4)]
HELD = KEPT.read_text("utf-8").split("\n\n") if KEPT.exists() else []


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_outages_and_timing_of_lossy_recordings(case: Lossy) -> None:
    if os.environ.get("BUSBENCH_SNAPSHOTS") == "write":
        if case == CASES[0]:
            KEPT.write_text("\n\n".join("\n".join(one.figures()) for one in CASES), "utf-8")
        return
    assert case.figures() == HELD[case.seed].split("\n")
