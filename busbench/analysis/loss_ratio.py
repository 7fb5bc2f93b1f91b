"""Between what bounds the ratio of missed frames lies where losses come in bursts.

Frames of one burst are lost together, so bursts are counted, each with the frames that it took as its weight. The
bounds are those of a weighted sum of Poisson counts; where bursts come in groups, a group counts as one (see
compared_losses).

Source: M. Fay, E. Feuer, Statistics in Medicine 16 (1997) 791: gamma intervals of weighted sums of Poisson counts, here
with Byar's approximation of the gamma quantiles; from memory.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from busbench.analysis.binomial import loss_bounds
from busbench.analysis.compared_losses import bursts_per_group, find_bursts, poisson_bounds
from busbench.analysis.outages import Outages

CHANCE = 0.05  # that the bounds miss the true ratio


@dataclass(frozen=True, slots=True)
class BurstLosses:
    """Losses of one recording, by bursts.

    Args:
        bursts: outages that are near one another count as one.
        ratio_low, ratio_high: confidence limits of the true ratio of missed frames.
    """

    bursts: int
    ratio_low: float
    ratio_high: float


def loss_ratio(outages: Outages, *, chance: float = CHANCE) -> BurstLosses | None:
    """Bound the ratio of missed frames by bursts; None where gaps cannot be seen.

    Args:
        chance: that the bounds miss the true ratio.
    """
    found = find_bursts(outages)
    if found is None or not outages.expected:
        return None
    if not found.frames.size:
        return BurstLosses(0, 0.0, loss_bounds(0, outages.expected, confidence=1 - chance).upper)
    group = bursts_per_group([found], chance)
    frames = found.frames.astype(np.float64)
    missed, squares = float(frames.sum()), group * float((frames**2).sum())
    one_more = group * float(frames.max())  # it may have been as long as the longest
    count = missed**2 / squares
    low = missed / count * poisson_bounds(count, chance)[0]
    missed, squares = missed + one_more, squares + one_more**2
    count = missed**2 / squares
    high = missed / count * poisson_bounds(count - 1, chance)[1]
    return BurstLosses(frames.size, low / outages.expected, min(1.0, high / outages.expected))
