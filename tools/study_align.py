"""How many whole frames are found, and how many that were never sent, on a line that gets worse and worse.

    python tools/study_align.py --short      a look, some seconds
    python tools/study_align.py --full       the tables of study_align.md (some minutes), and the picture drawn again

Three methods read the same seeded streams: the plain and the rescanning reader of tools/readers.py, and busbench.
A whole frame is one whose 25 bytes arrived together and unchanged; a false frame is a row that was never sent.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np

ROOT = Path(__file__).resolve().parent.parent
sys.path[:0] = [str(ROOT), str(ROOT / "tools")]

from readers import simple_reader  # noqa: E402
from study_pictures import Curve, draw_curves, run_study  # noqa: E402

from busbench.model import I64, NO_CLOCK, U8, ByteLog, Clock, ClockKind  # noqa: E402
from busbench.wire.frame_spec import FRAME_BYTES  # noqa: E402
from busbench.wire.framing import find_frames  # noqa: E402
from tests.wire.corpus import END_CYCLE, Corpus, make, make_trap  # noqa: E402

RATES = (0.0, 1e-5, 1e-4, 3e-4, 1e-3, 3e-3, 1e-2)
WILD_RATES = (1e-5, 1e-4, 3e-4, 1e-3)
MOTIONS = ("still", "moving", "mixed")
LINES: dict[str, tuple[tuple[int, ...], float]] = {"plain": ((0,), 0.0), "slots": (END_CYCLE, 0.3)}
METHODS = ("plain reader", "rescanning", "busbench")
CLOCKS: dict[str, tuple[Clock, bool]] = {
    "none": (NO_CLOCK, False),
    "marks": (NO_CLOCK, True),
    "a read": (Clock(ClockKind.PER_READ, 1), False),
    "a byte": (Clock(ClockKind.PER_BYTE, 100), False),
    "a byte, marks": (Clock(ClockKind.PER_BYTE, 100), True),
}
# Chances a byte at an error rate r; bursts, cuts and the mixture do more harm each.
KINDS: dict[str, Callable[[float], dict[str, float]]] = {
    "bit flips": lambda r: {"flip": r},
    "lost bytes": lambda r: {"lose": r},
    "extra bytes": lambda r: {"extra": r},
    "noise bursts": lambda r: {"bursts": r},
    "cut frames": lambda r: {"cuts": r},
    "all at once": lambda r: {"flip": r, "lose": r, "extra": r, "bursts": r / 5, "cuts": r / 5},
}


@dataclass
class Tally:
    """What one method made of some streams."""

    whole: int = 0
    missed: int = 0
    rows: int = 0
    false: int = 0
    silent: int = 0

    def add(self, corpus: Corpus, places: I64, raw: U8, ambiguous: tuple[tuple[int, int], ...] = ()) -> None:
        """Count the frames found in one stream, and what was said of them."""
        missed, false = corpus.score(places, raw)
        self.whole += corpus.whole.size
        self.missed += missed
        self.rows += places.size
        self.false += false
        self.silent += corpus.silent(places, raw, ambiguous)


Row = tuple[str, float, dict[str, Tally]]  # name, error rate, tallies by method or clock


def ours(log: ByteLog, clock: Clock) -> tuple[I64, U8, tuple[tuple[int, int], ...]]:
    """The places and bytes of the frames that busbench finds, and where it calls itself in doubt."""
    found = find_frames(log, clock=clock)
    return found.frames.offset, found.frames.raw, found.ambiguous


def theirs(data: U8, *, rescans: bool) -> tuple[I64, U8]:
    """The same of a simple reader."""
    places = simple_reader(data, rescans=rescans)
    return places, data[places[:, None] + np.arange(FRAME_BYTES)]


def corpora(line: str, damage: dict[str, float], *, frames: int, seed: int, flags_set: float = 0.0) -> Iterator[Corpus]:
    """A stream for each kind of stick motion, `frames` in all."""
    end, slots = LINES[line]
    for number, motion in enumerate(MOTIONS):
        count = frames // len(MOTIONS)
        yield make(motion, count, seed + number, end=end, slots=slots, skip=7, flags_set=flags_set, **damage)


def measure(streams: Iterator[Corpus], clocks: tuple[str, ...], *, simple: bool) -> dict[str, Tally]:
    """Tallies by clock for busbench, and by name for the simple readers."""
    tallies = {name: Tally() for name in (*(METHODS[:2] if simple else ()), *clocks)}
    for corpus in streams:
        if simple:
            tallies["plain reader"].add(corpus, *theirs(corpus.data, rescans=False))
            tallies["rescanning"].add(corpus, *theirs(corpus.data, rescans=True))
        for name in clocks:
            clock, marks = CLOCKS[name]
            log = corpus.log(clock.kind, np.random.default_rng(1), marks=marks)
            tallies[name].add(corpus, *ours(log, clock))
    return tallies


def by_rate(frames: int) -> Iterator[Row]:
    """All damage at once, from clean to one error in a hundred bytes, with every clock."""
    for line in LINES:
        for number, rate in enumerate(RATES):
            streams = corpora(line, KINDS["all at once"](rate), frames=frames, seed=1000 + 10 * number)
            yield line, rate, measure(streams, tuple(CLOCKS), simple=True)


def by_kind(frames: int) -> Iterator[Row]:
    """Each kind of damage by itself, without a clock, both lines together."""
    for number, (kind, damage) in enumerate(KINDS.items()):
        for rate in (1e-3, 1e-2):
            both = (
                one
                for line in LINES
                for one in corpora(line, damage(rate), frames=frames // 2, seed=2000 + 10 * number)
            )
            yield kind, rate, measure(both, ("none",), simple=True)


def wild_flags(frames: int) -> Iterator[Row]:
    """All damage at once where the four flags change at random from frame to frame."""
    for line in LINES:
        for number, rate in enumerate(WILD_RATES):
            damage = KINDS["all at once"](rate)
            streams = corpora(line, damage, frames=frames, seed=4000 + 10 * number, flags_set=0.5)
            yield f"flags, {line}", rate, measure(streams, ("none", "a read", "a byte"), simple=True)


def traps(streams: int, count: int = 400) -> Iterator[Row]:
    """Traps, on a clean line and on a bad one."""
    for rate in (0.0, 1e-3, 1e-2):
        some = (make_trap(count, 3000 + i, rate=rate) for i in range(streams))
        yield "traps", rate, measure(some, ("none", "a read", "a byte"), simple=True)


def cell(tally: Tally) -> str:
    return f"{tally.missed}/{tally.false}"


def table(rows: Iterator[Row], *, silent: bool = False) -> list[Row]:
    """Print rows as they come: missed/false of each method, and what busbench read falsely and did not report."""
    kept: list[Row] = []
    for name, rate, tallies in rows:
        if not kept:
            print(
                f"{'':<14} {'rate':>6} {'whole':>8}  "
                + "".join(f"{title:>15}" + f"{'silent':>7}" * (silent and title in CLOCKS) for title in tallies)
            )
        whole = next(iter(tallies.values())).whole
        cells = (f"{cell(t):>15}" + f"{t.silent:>7}" * (silent and title in CLOCKS) for title, t in tallies.items())
        print(f"{name:<14} {rate:>6g} {whole:>8}  " + "".join(cells), flush=True)
        kept.append((name, rate, tallies))
    print()
    return kept


def picture(rows: list[Row]) -> str:
    """Shares missed and false against the error rate, both lines together, without a clock."""
    missed: dict[str, list[tuple[float, float]]] = {name: [] for name in METHODS}
    false: dict[str, list[tuple[float, float]]] = {name: [] for name in METHODS}
    for rate in RATES[1:]:
        for name in METHODS:
            some = [t["none" if name == "busbench" else name] for _, r, t in rows if r == rate]
            missed[name].append((rate, sum(t.missed for t in some) / sum(t.whole for t in some)))
            false[name].append((rate, sum(t.false for t in some) / sum(t.rows for t in some)))
    panels = [("whole frames missed, share", missed), ("false frames, share of rows", false)]
    return draw_curves(
        [(title, [Curve(name, points) for name, points in of.items()]) for title, of in panels],
        x_title="errors a byte, of each kind",
        title="Frames missed and false frames against the error rate",
    )


def study(is_full: bool) -> str:
    """Print the tables; the picture of the first."""
    frames = 90_000 if is_full else 3000
    print("whole frames missed / false frames; the last columns are busbench, by what clock and marks it had\n")
    rows = table(by_rate(frames))
    table(by_kind(frames))
    print("flags that change at random from frame to frame\n")
    table(wild_flags(frames))
    print("silent: read falsely, and not in a stretch reported as ambiguous\n")
    table(traps(200 if is_full else 10), silent=True)
    return picture(rows)


if __name__ == "__main__":
    run_study(study, picture="align_study.svg", about=__doc__)
