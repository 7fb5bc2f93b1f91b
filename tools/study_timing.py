"""How often the truth lies in what is claimed of period jitter and losses, for adapters of many kinds.

    python tools/study_timing.py --short     a look, half a minute
    python tools/study_timing.py --full      the table of study_timing.md (some minutes), and the picture drawn again

Receivers of known jitter and losses are seen through simulated adapters (tests/analysis/adapter_kinds.py). A claim
holds where the receiver's own period jitter, of the periods whose frames both arrived, lies between its bounds. A
count is wrong where it is given and is not the number of frames lost between the first and the last.
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

from busbench.analysis.jitter import Jitter  # noqa: E402
from busbench.analysis.timing import timing  # noqa: E402
from busbench.line import WAKE_EDGES_US, WakeUps  # noqa: E402
from busbench.model import Clock, ClockKind, FrameTimes  # noqa: E402
from tests.analysis.adapter_kinds import KINDS, Rng, Sent, draw, seen, send, woken  # noqa: E402

EXACT = "clock a byte, 0.1 µs"
# Kinds whose recorder logged the lateness of its process, and that lateness.
LOGGED = {"whole, calm": "calm", "grid 0.125 ms": "calm", "grid 1 ms": "calm", "whole, busy": "busy"}
PER_BYTE, PER_READ = Clock(ClockKind.PER_BYTE, 100), Clock(ClockKind.PER_READ, 1)
PICTURE = ("whole, calm", "whole, calm, log", "polled 1 ms", "timer 16 ms")
PICTURE_US = (0, 10, 20, 50, 100, 200, 500)
_MARGIN_US = 0.01  # whole nanoseconds


@dataclass(frozen=True)
class Case:
    """One recording.

    Args:
        kind: row of the table.
        sent: the truth.
        missing: what was counted, None if unknown.
        jitter: the claim.
        note: the note with it.
    """

    kind: str
    sent: Sent
    missing: int | None
    jitter: Jitter | None
    note: str

    @property
    def holds(self) -> bool:
        """True if the truth lies in the claim, or there is none."""
        if self.jitter is None:
            return True
        low_us, high_us = 1e6 * self.jitter.period_low_s, 1e6 * self.jitter.period_high_s
        return low_us - _MARGIN_US <= self.sent.period_jitter_us <= high_us + _MARGIN_US


def rows() -> list[str]:
    """Kinds in the order of the table."""
    return [EXACT, *KINDS, *(f"{kind}, log" for kind in LOGGED)]


def log_of(rng: Rng, times: FrameTimes, host: str) -> list[WakeUps]:
    """The recorder's log of a computer's lateness."""
    first, last = int(times.t_ns[0]), int(times.t_ns[-1])
    wakes = []
    for t_ns in range(first, last + 2_000_000_000, 1_000_000_000):
        late = np.searchsorted(WAKE_EDGES_US, woken(rng, 50, host), "right")
        wakes.append(WakeUps(t_ns, tuple(np.bincount(late, minlength=len(WAKE_EDGES_US) + 1).tolist())))
    return wakes


def case(kind: str, sent: Sent, rng: Rng) -> Case:
    """A receiver seen through an adapter."""
    if kind == EXACT:
        t_ns = np.rint(1000 * sent.end_us).astype(np.int64) // 100 * 100
        times = FrameTimes(t_ns, np.zeros(t_ns.size, np.int32), np.zeros(t_ns.size, np.uint8))
        found = timing(times, clock=PER_BYTE)
    else:
        adapter = kind.removesuffix(", log")
        times = seen(rng, sent, adapter)
        found = timing(times, clock=PER_READ, wakes=() if adapter == kind else log_of(rng, times, LOGGED[adapter]))
    return Case(kind, sent, found.missing, found.jitter, found.note)


def cases(*, frames: int, seeds: int) -> Iterator[Case]:
    """All of them, the same on every run."""
    for kind in rows():
        for seed in range(seeds):
            rng = np.random.default_rng([seed, 1])
            yield case(kind, draw(rng, count=frames), rng)


def share_held(some: list[Case]) -> float:
    """Share of the claims that hold."""
    claims = [one for one in some if one.jitter is not None]
    return sum(one.holds for one in claims) / max(1, len(claims))


def table(some: list[Case]) -> Iterator[str]:
    """A line for each kind."""
    yield f"{'':<22}{'hold':>9}{'figure':>8}{'at most':>9}{'unknown':>9}{'width':>8}{'counts':>9}{'wrong':>7}"
    for kind in rows():
        mine = [one for one in some if one.kind == kind]
        claims = [one.jitter for one in mine if one.jitter is not None]
        figures = sum(jitter.kind == "figure" for jitter in claims)
        width_us = 1e6 * float(np.median([j.period_high_s - j.period_low_s for j in claims])) if claims else 0.0
        told = [one for one in mine if one.missing is not None]
        wrong = sum(one.missing != one.sent.missing for one in told)
        width = f"{width_us:.3g}" if width_us < 1000 else f"{width_us:.0f}"
        yield (
            f"{kind:<22}{100 * share_held(mine):>7.1f} %{figures:>8}{len(claims) - figures:>9}"
            f"{len(mine) - len(claims):>9}{width:>8}{len(told):>9}{wrong:>7}"
        )
    yield f"{len(some)} recordings, {100 * share_held(some):.1f} % of the claims hold"


def picture(seeds: int) -> str:
    """The truth across, the claimed range up: medians."""
    panels = []
    for kind in PICTURE:
        bars = []
        for us in PICTURE_US:
            values = []
            for seed in range(seeds):
                rng = np.random.default_rng([seed, us])
                sent = send(rng, count=1200, period_us=14300.0, shape="bell", size_us=us, lost=0)
                found = case(kind, sent, rng)
                if found.jitter is not None:
                    low, high = 1e6 * found.jitter.period_low_s, 1e6 * found.jitter.period_high_s
                    values.append((sent.period_jitter_us, (low + high) / 2, (high - low) / 2))
            if values:
                bars.append(Bar(*(float(x) for x in np.median(values, axis=0))))
        panels.append((kind, bars))
    return draw_bars(panels, title="Range claimed of the period jitter, against the true jitter")


def study(is_full: bool) -> str:
    """Print the table; its picture."""
    some = list(cases(frames=1200 if is_full else 600, seeds=60 if is_full else 6))
    print("claims of the period jitter: hold, by kind, median width in µs; counts of missing frames that were stated\n")
    print("\n".join(table(some)))
    return picture(8 if is_full else 2)


if __name__ == "__main__":
    run_study(study, picture="timing_study.svg", about=__doc__)
