"""How often the intervals of clock alignment hold: an adapter's recording beside a logic analyser's.

    python tools/study_clocks.py --quick    a look, some seconds
    python tools/study_clocks.py            the table of study_clocks.md: 1,000 trials

A trial is a line of 20 to 120 s with sticks that move, seen by a logic analyser and by an adapter whose clock differs
by up to 1000 ppm, whose times are late by up to 16 ms, and that loses up to 10 % of the frames.
"""

from __future__ import annotations

import argparse
import sys
from collections import defaultdict
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np

ROOT = Path(__file__).resolve().parent.parent
sys.path[:0] = [str(ROOT)]

from busbench.analysis.clock_alignment import ClockAlignment, align_clocks  # noqa: E402
from busbench.model import F64, I64, Bools  # noqa: E402
from busbench.sim.stick_motion import Hand, Pilot  # noqa: E402
from busbench.wire.codec import pack_frames  # noqa: E402
from busbench.wire.table import FrameTable  # noqa: E402

CHARACTER_NS = 120_000
TRIALS, QUICK_TRIALS = 1000, 40
Rng = np.random.Generator
Late = Callable[[I64, float, Rng], F64]


def even(end_ns: I64, most_ns: float, rng: Rng) -> F64:
    """Every lateness up to the max is equally likely."""
    return rng.uniform(0, most_ns, end_ns.size)


def mostly_early(end_ns: I64, most_ns: float, rng: Rng) -> F64:
    """A computer that is usually prompt."""
    return np.minimum(rng.exponential(most_ns / 6, end_ns.size), most_ns)


def mostly_late(end_ns: I64, most_ns: float, rng: Rng) -> F64:
    """Rarely prompt: bell-shaped between 0 and the max."""
    return most_ns * rng.beta(2.5, 4.0, end_ns.size)


def timer(end_ns: I64, most_ns: float, rng: Rng) -> F64:
    """An adapter that passes on its bytes when its timer expires, on its own crystal, and a prompt computer."""
    if most_ns < 1e3:
        return np.zeros(end_ns.size)
    step = most_ns * (1 + rng.uniform(-1e-4, 1e-4))
    phase = rng.uniform(0, step)
    late: F64 = np.ceil((end_ns - phase) / step) * step + phase - end_ns + rng.exponential(20_000.0, end_ns.size)
    return late


def spikes(end_ns: I64, most_ns: float, rng: Rng) -> F64:
    """Prompt to 0.1 ms, with a few percent at the max."""
    late = rng.exponential(30_000.0, end_ns.size).clip(max=most_ns)
    return np.where(rng.random(end_ns.size) < 0.03, rng.uniform(0, most_ns, end_ns.size), late)


KINDS: dict[str, Late] = {
    "even": even, "mostly early": mostly_early, "mostly late": mostly_late, "timer": timer, "spikes": spikes,
}  # fmt: skip


@dataclass(frozen=True)
class Trial:
    """A simulated pair and its true values.

    Args:
        offset_s, drift_ppm: as ClockAlignment counts them.
        late_ns: of each frame of the adapter, NaN in no case, float64 (N,).
    """

    adapter: FrameTable
    analyser: FrameTable
    offset_s: float
    drift_ppm: float
    late_ns: F64
    resolution_ns: int

    def align(self) -> ClockAlignment:
        """The result of the alignment."""
        return align_clocks(
            self.adapter, self.analyser, starts_ns=(0, 0), resolution_ns=self.resolution_ns, character_ns=CHARACTER_NS
        )


def trial(kind: str, rng: Rng, *, most_ns: float | None = None, hand: Hand | None = None) -> Trial:
    """A pair at random.

    Args:
        kind: of lateness, in KINDS.
        most_ns: max lateness; None for 0 to 16 ms.
        hand: how much the pilot moves.
    """
    period_ns = float(rng.choice([7e6, 14e6, 15e6])) * (1 + rng.uniform(-1e-3, 1e-3))
    count = round(rng.uniform(20, 120) * 1e9 / period_ns)
    end_ns = np.rint(period_ns * np.arange(1, count + 1) + rng.normal(0, rng.choice([2e3, 5e4, 3e5]), count))
    end_ns = end_ns.astype(np.int64)
    hand = hand or (Hand.MIXED if rng.random() < 0.7 else Hand.MOVING)
    pilot = Pilot(hand, seed=int(rng.integers(1 << 30)), dither=float(rng.choice([0.0, 0.02])))
    values = np.asarray(np.rint(pilot.levels(end_ns / 1e9)), np.int64).clip(0, 2047)
    raw = pack_frames(values[:, :16].astype(np.uint16))
    most_ns = float(rng.choice([0.0, rng.uniform(0, 1e6), rng.uniform(0, 16e6)])) if most_ns is None else most_ns
    late_ns = KINDS[kind](end_ns, most_ns, rng)
    drift, offset_ns = rng.uniform(-1000, 1000) * 1e-6, rng.uniform(-100e9, 100e9)
    returned = end_ns + late_ns / (1 + drift)  # lateness counts on the adapter's clock
    seen_ns = np.maximum.accumulate(offset_ns + (1 + drift) * returned)
    late_ns = seen_ns - offset_ns - (1 + drift) * end_ns
    step_ns = int(rng.choice([1, 42, 1000]))
    start_ns = (end_ns - CHARACTER_NS + step_ns // 2) // step_ns * step_ns
    kept = [_kept(count, float(rng.choice([0.0, rng.uniform(0, 0.1)])), rng) for _ in range(2)]
    return Trial(
        _table(np.rint(seen_ns).astype(np.int64)[kept[0]], raw[kept[0]]),
        _table(start_ns[kept[1]], raw[kept[1]]),
        offset_ns / 1e9, drift * 1e6, late_ns[kept[0]], 1 + step_ns,
    )  # fmt: skip


def _kept(count: int, ratio: float, rng: Rng) -> Bools:
    """All frames except lost ones, half of which are in bursts."""
    kept = rng.random(count) >= ratio / 2
    for begin in rng.integers(0, count, rng.poisson(count * ratio / 2 / 10)).tolist():
        kept[begin : begin + int(rng.integers(1, 20))] = False
    return kept


def _table(t_ns: I64, raw: np.ndarray[tuple[int, int], np.dtype[np.uint8]]) -> FrameTable:
    count = t_ns.size
    return FrameTable(t_ns, np.zeros(count, np.int32), 25 * np.arange(count), raw, np.zeros(count, np.uint8))


@dataclass
class Score:
    """The results of the trials of one kind."""

    trials: int = 0
    unknown: int = 0
    right: int = 0
    right_offset: int = 0
    right_drift: int = 0
    wrong_frames: int = 0

    def add(self, made: Trial, found: ClockAlignment) -> None:
        """Count one more."""
        self.trials += 1
        if found.offset_s is None or found.drift_ppm is None or found.lateness is None:
            self.unknown += 1
            return
        is_offset = found.offset_s.low <= made.offset_s <= found.offset_s.high
        is_drift = found.drift_ppm.low <= made.drift_ppm <= found.drift_ppm.high
        self.right_offset += is_offset
        self.right_drift += is_drift
        self.right += is_offset and is_drift
        off = np.abs(found.lateness.late_ns - made.late_ns[found.lateness.row])
        self.wrong_frames += int(np.count_nonzero(off > 3_500_000))  # half a period: another frame


def run(trials: int, *, seed: int) -> tuple[dict[str, Score], list[float]]:
    """Trials of all kinds by turns; also the widths of the offset intervals, in s."""
    rng = np.random.default_rng(seed)
    scores: dict[str, Score] = defaultdict(Score)
    widths = []
    for number in range(trials):
        kind = list(KINDS)[number % len(KINDS)]
        made = trial(kind, rng)
        found = made.align()
        scores[kind].add(made, found)
        if found.offset_s is not None:
            widths.append(found.offset_s.high - found.offset_s.low)
    return scores, widths


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--quick", action="store_true", help="a few trials")
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args()
    scores, widths = run(QUICK_TRIALS if args.quick else TRIALS, seed=args.seed)
    print("| lateness | trials | cannot tell | offset held | drift held | both held, % | frames mistaken |")
    print("| --- | --- | --- | --- | --- | --- | --- |")
    for kind, one in scores.items():
        told = max(1, one.trials - one.unknown)
        print(
            f"| {kind} | {one.trials} | {one.unknown} | {one.right_offset} | {one.right_drift}"
            f" | {100 * one.right / told:.1f} | {one.wrong_frames} |"
        )
    total, told = sum(one.right for one in scores.values()), len(widths)
    print(f"\nBoth held in {total} of {told}; the offset is known within ±{np.median(widths) / 2e-6:.1f} µs (median).")


if __name__ == "__main__":
    main()
