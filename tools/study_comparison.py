"""How often two recordings of one state differ "by chance", and how often a change between them is found.

    python tools/study_comparison.py --quick    a look, some seconds
    python tools/study_comparison.py            the table of study_comparison.md, a quarter of an hour

A recording is 70 seconds of a receiver with a stick on each of some channels: each is pushed to both stops and let go,
again and again, never quite to the same place. Losses come in bursts of many lengths, some of them in storms; jitter
is calm and wild by turns; the failsafe comes twice. Of a pair each recording has its own motion, losses and jitter.
Its times are exact, or those of reads of simulated adapters (tests/analysis/blind_adapters.py): of one kind for both
recordings, each with its own timer, or of a kind each.
"""

from __future__ import annotations

import argparse
import sys
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

ROOT = Path(__file__).resolve().parent.parent
sys.path[:0] = [str(ROOT)]

from busbench.analysis.comparison import Comparison, compare  # noqa: E402
from busbench.analysis.recording import Recording  # noqa: E402
from busbench.capture.base import CaptureInfo  # noqa: E402
from busbench.capture.frames import Span  # noqa: E402
from busbench.model import F64, I64, Bools, Clock, ClockKind, Rejects  # noqa: E402
from busbench.wire.arrival_times import frame_bounds  # noqa: E402
from busbench.wire.codec import pack_frames  # noqa: E402
from busbench.wire.frame_spec import FLAG_FAILSAFE, FLAG_LOST, FRAME_BYTES  # noqa: E402
from busbench.wire.table import FrameTable  # noqa: E402
from tests.analysis.blind_adapters import CHARACTER_NS, KINDS  # noqa: E402

PAIRS, LIKE_PAIRS, READ_PAIRS = 500, 1000, 260
Rng = np.random.Generator


@dataclass(frozen=True)
class State:
    """A receiver and its sticks.

    Args:
        jitter_s: rms of the period jitter.
        bursts: of losses in a minute.
        burst_frames: mean length of a burst.
        high: upper endpoint, counts.
        scatter: of a stop and of a centre, counts rms.
        storms: True if bursts come in groups.
        wild: how much more uneven some seconds are than others.
        is_free: True for sticks that move anywhere, as in flight.
    """

    period_s: float = 0.007
    jitter_s: float = 0.0003
    bursts: float = 40.0
    burst_frames: float = 4.0
    high: float = 1660.0
    centre: float = 992.0
    noise: float = 0.8
    scatter: float = 1.2
    storms: bool = False
    seconds: float = 70.0
    failsafe_s: float = 0.5
    failsafe_counts: int = 500
    wild: float = 2.0
    is_free: bool = False

    def record(self, rng: Rng) -> Recording:
        """One recording of it."""
        count = round(self.seconds / self.period_s)
        flags = np.zeros(count, np.uint8)
        counts = np.column_stack([self._stick(rng, count) for _ in range(4)] + [np.full(count, 992.0)] * 12)
        counts = np.clip(np.rint(counts + np.pad(rng.normal(0, self.noise, (count, 4)), ((0, 0), (0, 12)))), 0, 2047)
        for begin_s in (0.3 * self.seconds, 0.8 * self.seconds):
            lost = round((begin_s + rng.uniform(0, 1)) / self.period_s)
            down = lost + round((self.failsafe_s + rng.normal(0, 0.004)) / self.period_s)
            stop = down + round(1.5 / self.period_s)
            flags[lost:stop] |= FLAG_LOST
            flags[down:stop] |= FLAG_FAILSAFE
            counts[lost:stop] = counts[lost - 1]  # held
            counts[down:stop, :2] = self.failsafe_counts
        keep = self._kept(rng, count)
        raw = pack_frames(counts[keep].astype(np.uint16), flags=flags[keep])
        t_ns = self._ends(rng, count)[keep]
        return as_recording(raw, t_ns)

    def _stick(self, rng: Rng, count: int) -> F64:
        """Centre, one stop, centre, the other stop, with a rest at each, in moves of a quarter of a second."""
        times, levels, t = [0.0], [self.centre], 0.0
        number = 0
        while t < self.seconds:
            stop = self.high if number % 2 else 330.0
            if self.is_free:
                stop = self.centre + rng.beta(2, 2) * (stop - self.centre)
            for level, rest in ((stop, rng.uniform(0.4, 1.2)), (self.centre, rng.uniform(0.6, 1.5))):
                level += rng.normal(0, self.scatter)
                times += [t + 0.25, t + 0.25 + rest]
                levels += [level, level]
                t = times[-1]
            number += 1
        made: F64 = np.interp(np.arange(count) * self.period_s, times, levels)
        return made

    def _ends(self, rng: Rng, count: int) -> I64:
        """Ends of frames, some seconds more uneven than others."""
        second = (np.arange(count) * self.period_s).astype(np.int64)
        wild = np.where(rng.random(int(second[-1]) + 1) < 0.3, self.wild, 1.0)
        wild *= np.sqrt(1 / (0.7 + 0.3 * self.wild**2))
        even = np.arange(1, count + 1) * self.period_s
        return np.rint((even + rng.normal(0, self.jitter_s / np.sqrt(2), count) * wild[second]) * 1e9).astype(np.int64)

    def _kept(self, rng: Rng, count: int) -> Bools:
        keep = np.ones(count, np.bool_)
        number = rng.poisson(self.bursts * self.seconds / 60)
        begins = rng.integers(10, count - 10, number)
        if self.storms:
            centres = rng.integers(10, count - 10, max(1, rng.poisson(number / 5)))
            begins = np.clip(rng.choice(centres, number) + rng.normal(0, 2 / self.period_s, number), 10, count - 10)
        for begin, length in zip(begins, rng.geometric(1 / self.burst_frames, number), strict=True):
            keep[int(begin) : int(begin) + length] = False
        return keep


def as_recording(raw: np.ndarray[tuple[int, int], np.dtype[np.uint8]], t_ns: I64) -> Recording:
    """Frames with a clock per byte, as a recording."""
    count = len(raw)
    offset = FRAME_BYTES * np.arange(count, dtype=np.int64)
    table = FrameTable(t_ns, np.zeros(count, np.int32), offset, raw, np.zeros(count, np.uint8))
    clock = Clock(ClockKind.PER_BYTE, 100)
    span = Span(raw.size, int(t_ns[0]) - FRAME_BYTES * 120_000, int(t_ns[-1]))
    return Recording(CaptureInfo("made", "made", clock), span, table, Rejects.empty())


def through_adapter(recording: Recording, kind: str, rng: Rng) -> Recording:
    """The same frames with the times of an adapter's reads.

    Args:
        kind: of tests.analysis.blind_adapters.
    """
    frames = recording.frames
    starts_ns = frames.t_ns - frames.t_ns[0] + round(rng.uniform(20e6, 60e6))
    t_ns, sizes = np.array(KINDS[kind](rng, starts_ns), np.int64).T
    latest_ns, slack_ns = frame_bounds(frames.offset, np.cumsum(sizes), t_ns, character_ns=CHARACTER_NS)
    table = FrameTable(latest_ns, slack_ns, frames.offset, frames.raw, np.zeros(len(frames), np.uint8))
    span = Span(frames.raw.size, int(t_ns[0]), int(t_ns[-1]))
    info = CaptureInfo("made", "made", Clock(ClockKind.PER_READ, 1000))
    return Recording(info, span, table, Rejects.empty())


@dataclass(frozen=True)
class Kind:
    """A kind of pairs.

    Args:
        states: of a receiver and its sticks; each pair takes one by chance.
        change: what the new recording has that the old one has not; empty for like pairs.
        sought: begin of the name of the figure in which it must be found.
        adapters: how many kinds of them; with none the times are exact.
    """

    states: tuple[State, ...] = (State(),)
    change: dict[str, float] | None = None
    sought: str = ""
    adapters: int = 0

    def pair(self, rng: Rng) -> Comparison:
        """Two recordings, compared."""
        old = self.states[int(rng.integers(len(self.states)))]
        new = replace(old, **(self.change or {}))  # type: ignore[arg-type]
        pair = [one.record(rng) for one in (old, new)]
        if self.adapters:
            kinds = rng.choice(list(KINDS), self.adapters).tolist()
            pair = [through_adapter(one, kind, rng) for one, kind in zip(pair, kinds[:1] + kinds[-1:], strict=True)]
        return compare(*pair)


STATES = {
    "as above": State(),
    "losses in storms": State(bursts=60, storms=True),
    "few losses": State(bursts=3),
    "14 ms and wide jitter": State(period_s=0.014, jitter_s=0.001),
    "jitter wild by turns": State(wild=5.0),
    "free motion": State(is_free=True),
    "loose sticks": State(scatter=12.0, noise=2.5),
}
LIKE = {f"like, {name}": Kind((state,)) for name, state in STATES.items()}
READ = {
    "like, adapters of one kind": Kind(tuple(STATES.values()), adapters=1),
    "like, adapters of two kinds": Kind(tuple(STATES.values()), adapters=2),
}
CHANGES = {
    "jitter x 1.5": Kind(change={"jitter_s": 0.00045}, sought="period jitter"),
    "endpoint 1 %": Kind(change={"high": 1668.19}, sought="endpoint high, ch1"),
    "losses x 3": Kind(change={"bursts": 120.0}, sought="bursts of outages"),
    "losses x 3, by longer bursts": Kind(change={"burst_frames": 12.0}, sought="frames missed per burst"),
    "period 0.1 %": Kind(change={"period_s": 0.007007}, sought="period"),
    "centre 1 %": Kind(change={"centre": 1000.19}, sought="centre, ch1"),
    "failsafe value": Kind(change={"failsafe_counts": 520}, sought="failsafe value, ch1"),
}


def judge(kind: Kind, *, pairs: int, seed: int) -> Counter[str]:
    """How many pairs were called different, in how many the change was found, and each figure called different."""
    rng = np.random.default_rng(seed)
    said: Counter[str] = Counter()
    for _ in range(pairs):
        found = kind.pair(rng)
        said[found.verdict] += 1
        changed = [figure.name for figure in found.figures if figure.verdict == "different"]
        said["found"] += bool(kind.sought) and any(name.startswith(kind.sought) for name in changed)
        said.update(f"  {name}" for name in changed)
    return said


def rows(like_pairs: int, read_pairs: int, pairs: int) -> Iterator[str]:
    """The table, a row per kind as it is known."""
    yield "| pairs | number | same | different | cannot tell | change found, % | different in |"
    yield "| --- | --- | --- | --- | --- | --- | --- |"
    for number, (name, kind) in enumerate((LIKE | READ | CHANGES).items()):
        total = pairs if kind.change else read_pairs if kind.adapters else like_pairs
        said = judge(kind, pairs=total, seed=number)
        counts = " | ".join(str(said[word]) for word in ("same", "different", "cannot tell"))
        found = f"{100 * said['found'] / total:.1f}" if kind.change else "-"
        figures = ", ".join(f"{figure.strip()} {count}" for figure, count in said.items() if figure.startswith("  "))
        yield f"| {name} | {total} | {counts} | {found} | {figures} |"


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--quick", action="store_true", help="a look, some seconds")
    like = LIKE_PAIRS // len(LIKE) + 1
    sizes = (2, 2, 3) if parser.parse_args().quick else (like, READ_PAIRS, PAIRS)
    for row in rows(*sizes):
        print(row, flush=True)
