"""How far the reported jitter is from the truth, and whether its floor says so.

    python tools/study_timing.py --short     a look, some seconds
    python tools/study_timing.py --full      the table of DEVELOPERS.md (a minute or two), and the picture drawn anew

A simulated receiver of known jitter is seen through simulated adapters (tests/analysis/adapter.py). A case is honest
where the reported rms of the period jitter lies within its floor of the truth, or where none is given. The truth is
that of the periods whose frames both arrived.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np

ROOT = Path(__file__).resolve().parent.parent
sys.path[:0] = [str(ROOT), str(ROOT / "tools")]

from study_pictures import Bar, draw_bars, run_study  # noqa: E402

from busbench.analysis.timing import Jitter, timing  # noqa: E402
from busbench.model import I64, Clock, ClockKind, FrameTimes  # noqa: E402
from tests.analysis.adapter import exact, receiver, through_adapter, through_pty, without  # noqa: E402

JITTERS_US = (0, 2, 5, 10, 20, 50, 100, 200, 500)
PERIODS_NS = (7_000_210.0, 9_000_130.0, 14_000_370.0, 15_000_110.0)  # no receiver keeps to whole milliseconds
LOSSES = (0.0, 0.05)
PER_BYTE, PER_READ = Clock(ClockKind.PER_BYTE, 100), Clock(ClockKind.PER_READ, 1)
# Name of a row: the way the frames took, and how busy the computer was.
WAYS: dict[str, tuple[str, str]] = {
    "clock a byte, 0.1 µs": ("exact", "idle"),
    "read a frame, idle": ("pty", "idle"),
    "read a frame, busy": ("pty", "busy"),
    "1 ms adapter, idle": ("1", "idle"),
    "1 ms adapter, busy": ("1", "busy"),
    "16 ms adapter, idle": ("16", "idle"),
    "16 ms adapter, busy": ("16", "busy"),
}


@dataclass(frozen=True)
class Case:
    """One recording.

    Args:
        way: row of the table.
        jitter_us: what the receiver was set to.
        true_s: rms of its period jitter.
        jitter: what was reported.
        note: what was said of it.
    """

    way: str
    jitter_us: int
    true_s: float
    jitter: Jitter | None
    note: str

    @property
    def is_honest(self) -> bool:
        """No figure, or one within its floor of the truth."""
        return self.jitter is None or abs(self.jitter.period_rms_s - self.true_s) <= self.jitter.floor_s


def seen(end_ns: I64, way: str, late: str, rng: np.random.Generator) -> tuple[FrameTimes, Clock]:
    """What a computer sees of a receiver."""
    if way == "exact":
        return exact(end_ns // 100 * 100), PER_BYTE
    if way == "pty":
        return through_pty(end_ns, late=late, rng=rng), PER_READ
    return through_adapter(end_ns, latency_ns=1_000_000 * int(way), late=late, rng=rng), PER_READ


def cases(*, frames: int, seeds: int) -> Iterator[Case]:
    """All of them, the same on every run."""
    for name, (way, late) in WAYS.items():
        for jitter_us in JITTERS_US:
            for number, period_ns in enumerate(PERIODS_NS):
                for lossy, loss in enumerate(LOSSES):
                    for seed in range(seeds):
                        rng = np.random.default_rng([seed, jitter_us, number, lossy])
                        ends = receiver(frames, period_ns=period_ns, jitter_ns=1e3 * jitter_us, rng=rng)
                        times, clock = seen(ends, way, late, rng)
                        lost = np.flatnonzero(rng.random(frames) < loss)
                        gone = np.isin(np.arange(frames), lost)
                        periods = np.diff(ends)[~(gone[1:] | gone[:-1])]
                        told = timing(without(times, lost), clock=clock)
                        yield Case(name, jitter_us, float(np.std(periods)) / 1e9, told.jitter, told.note)


def share_honest(some: list[Case]) -> float:
    """Share of the cases that are honest."""
    return sum(case.is_honest for case in some) / len(some)


def table(some: list[Case]) -> Iterator[str]:
    """A line for each way: honest, without a figure, and for each true jitter the median report and floor in µs."""
    yield f"{'':<22}{'honest':>8}{'none':>6}  " + "".join(f"{us:>12}" for us in JITTERS_US)
    for way in WAYS:
        mine = [case for case in some if case.way == way]
        cells = []
        for us in JITTERS_US:
            told = [case.jitter for case in mine if case.jitter_us == us and case.jitter is not None]
            if not told:
                cells.append(f"{'-':>12}")
                continue
            rms, floor = (
                1e6 * float(np.median([getattr(j, key) for j in told])) for key in ("period_rms_s", "floor_s")
            )
            cells.append(f"{f'{rms:.3g} ±{floor:.3g}':>12}")
        none = sum(case.jitter is None for case in mine)
        yield f"{way:<22}{100 * share_honest(mine):>6.1f} %{none:>6}  " + "".join(cells)
    yield f"{len(some)} cases, {100 * share_honest(some):.1f} % honest"


def picture(some: list[Case]) -> str:
    """The truth across, the median report with its median floor up."""
    panels = []
    for way in ("clock a byte, 0.1 µs", "read a frame, idle", "1 ms adapter, idle", "16 ms adapter, idle"):
        bars = []
        for us in JITTERS_US:
            told = [c for c in some if c.way == way and c.jitter_us == us and c.jitter is not None]
            if told:
                values = [(c.true_s, c.jitter.period_rms_s, c.jitter.floor_s) for c in told if c.jitter is not None]
                bars.append(Bar(*(1e6 * float(x) for x in np.median(values, axis=0))))
        panels.append((way, bars))
    return draw_bars(panels, title="Jitter reported, with its floor, against the true jitter")


def study(is_full: bool) -> str:
    """Print the table; its picture."""
    some = list(cases(frames=1500, seeds=4) if is_full else cases(frames=600, seeds=1))
    print("median of the reported rms ± its floor in µs, by the true jitter in µs\n")
    print("\n".join(table(some)))
    return picture(some)


if __name__ == "__main__":
    run_study(study, picture="timing_study.svg", about=__doc__)
