"""How often independence of two receivers is kept or rejected rightly, by kind of outages.

    python tools/study_coincidence.py --quick    a look, some seconds
    python tools/study_coincidence.py            the table of study_coincidence.md: 500 pairs of each kind

A pair is an hour of two receivers. Outages lie alone, in bursts, or in storms of bursts; of independent pairs each
receiver has its own, of dependent ones a share of them is common: there at the same time, a few milliseconds apart,
of other lengths.
"""

from __future__ import annotations

import argparse
import sys
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np

ROOT = Path(__file__).resolve().parent.parent
sys.path[:0] = [str(ROOT)]

from busbench.analysis.coincidence import Independent, find_coincidence  # noqa: E402
from busbench.model import F64, I64  # noqa: E402

PERIOD_NS = 7_000_000
HOUR_S = 3600.0
PAIRS, QUICK_PAIRS = 500, 25
Rng = np.random.Generator
Made = Callable[[Rng], F64]


def singles(count: float) -> Made:
    """Outages of one or two frames anywhere."""
    return lambda rng: rng.uniform(0, HOUR_S, rng.poisson(count))


def bursts(count: float, *, inside: float = 5, spread_s: float = 0.5) -> Made:
    """Bursts of some outages each."""

    def make(rng: Rng) -> F64:
        begins = rng.uniform(0, HOUR_S, rng.poisson(count))
        parts = [begin + rng.exponential(spread_s, rng.geometric(1 / inside)) for begin in begins]
        return np.concatenate([*parts, np.empty(0)])

    return make


def storms(count: float) -> Made:
    """Storms of about a minute, each of some bursts."""

    def make(rng: Rng) -> F64:
        begins = rng.uniform(0, HOUR_S, rng.poisson(count))
        inner = [begin + rng.uniform(0, rng.uniform(20, 60), rng.poisson(10)) for begin in begins]
        parts = [one + rng.exponential(0.5, rng.geometric(1 / 4)) for one in np.concatenate([*inner, np.empty(0)])]
        return np.concatenate([*parts, np.empty(0)])

    return make


@dataclass(frozen=True)
class Kind:
    """A kind of pairs.

    Args:
        own: outages of each receiver alone; the second may have others.
        common: those of both, None of independent pairs.
        long_s: mean length of an outage, 0 for one to five frames.
        own_second: of the second receiver.
    """

    own: Made
    common: Made | None = None
    long_s: float = 0.0
    own_second: Made | None = None

    @property
    def truth(self) -> Independent:
        """The right verdict on such a pair."""
        return "yes" if self.common is None else "no"

    def pair(self, rng: Rng) -> list[I64]:
        """Outages of both, int64 (N, 2)."""
        common = np.empty(0) if self.common is None else self.common(rng)
        made = []
        for own in (self.own, self.own_second or self.own):
            begins = np.concatenate([own(rng), common + rng.uniform(0, 0.007, common.size)])
            lengths = rng.integers(2, 7, begins.size) * PERIOD_NS
            if self.long_s:
                lengths = (rng.exponential(self.long_s, begins.size) * 1e9).astype(np.int64)
            starts = (begins * 1e9).astype(np.int64)
            made.append(np.column_stack([starts, starts + lengths]))
        return made


KINDS = {
    "alone": Kind(singles(200)),
    "in bursts": Kind(bursts(60)),
    "in dense bursts": Kind(bursts(600)),
    "in storms": Kind(storms(30)),
    "seconds long": Kind(singles(60), long_s=5),
    "30 beside 1000": Kind(singles(30), own_second=bursts(1000)),
    "alone, half common": Kind(singles(40), singles(40)),
    "in bursts, half common": Kind(bursts(30), bursts(30)),
    "in bursts, a third common": Kind(bursts(80), bursts(40)),
    "in storms, half common": Kind(storms(15), storms(15)),
    "seconds long, half common": Kind(singles(30), singles(30), long_s=5),
    "few, all common": Kind(singles(0), singles(8)),
}


def judge(kind: Kind, *, pairs: int, seed: int) -> Counter[Independent]:
    """The verdicts on a number of pairs."""
    rng = np.random.default_rng(seed)
    span = (0, round((HOUR_S + 100) * 1e9))
    said: Counter[Independent] = Counter()
    for number in range(pairs):
        said[find_coincidence(kind.pair(rng), [span, span], period_ns=PERIOD_NS, seed=number).independent] += 1
    return said


def rows(pairs: int) -> list[str]:
    """The table, a row per kind."""
    table = [
        "| outages | independent in truth | yes | no | cannot tell | right, % |",
        "| --- | --- | --- | --- | --- | --- |",
    ]
    for number, (name, kind) in enumerate(KINDS.items()):
        said = judge(kind, pairs=pairs, seed=number)
        counts = " | ".join(str(said[word]) for word in ("yes", "no", "cannot tell"))
        table.append(f"| {name} | {kind.truth} | {counts} | {100 * said[kind.truth] / pairs:.1f} |")
    return table


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--quick", action="store_true", help="a look, some seconds")
    print("\n".join(rows(QUICK_PAIRS if parser.parse_args().quick else PAIRS)))
