"""Missing frames before the first and after the last frame of proved number, weighed against late reads.

Between two proved frames a loss leaves a hole; outside them it looks like a later, or less late, read.
The rest of the recording shows how late reads are and how often frames are lost. What both explain is not counted.

Source: derivation above, by Bayes' rule.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from busbench.model import F64

_BEAT = 0.35  # of a period: how early a frame may be
_NEAR = 0.15  # of a period: lateness within this counts as equal
_FRAMES_MOST = 64  # max frames outside the proved ones: in more, several losses are as likely as one
_SHARE_MOST = 0.04  # total probability of the alternatives that are ignored


class EndGap(NamedTuple):
    """Missing frames at one end: the likeliest number, and its possible error (0 if an error is unlikely)."""

    frames: int
    doubt: int


class EndLosses(NamedTuple):
    """Loss statistics of a recording: gaps per frame due, and the share of losses that follow another one."""

    per_frame: float
    follow: float

    @staticmethod
    def of(gaps: int, missing: int, frames: int) -> EndLosses:
        """From counts; without a gap half a gap is assumed."""
        return EndLosses(max(gaps, 0.5) / (frames + missing), 1 - (gaps + 1) / (missing + 2))


def end_gap(excess: F64, late: F64, losses: EndLosses, *, is_start: bool) -> EndGap:
    """Estimate how many frames are missing at one end.

    Args:
        excess: distance of each frame from the proved one minus that of its number, in periods, from there
            outward, float64 (M,).
        late: lateness of reads elsewhere, in periods, float64 (K,).
        losses: loss statistics elsewhere.
        is_start: True before the first proved frame, where late reads come nearer to it.
    """
    if not excess.size:
        return EndGap(0, 0)
    worst = float(late.max(initial=0.0)) + _NEAR
    if is_start:
        least, most = float(excess.max()) - _BEAT, float(excess[-1]) + worst
    else:
        least, most = float(excess.max()) - worst, float(excess[-1]) + _BEAT
    first = max(0, math.ceil(least))
    last = max(first, math.floor(most))
    if first == last:
        return EndGap(first, 0)
    if excess.size > _FRAMES_MOST or last - first >= _FRAMES_MOST:
        share = losses.per_frame * excess.size
        return EndGap(first, 0 if first == 0 and share < _SHARE_MOST else last - first)
    late = np.sort(late)
    after = np.tri(excess.size, dtype=np.bool_).T  # by position of the loss: which frames come after it
    weights = np.zeros(last - first + 1)
    for i, count in enumerate(range(first, last + 1)):
        so_late = excess - count * after if count else excess[None, :]
        so_late = -so_late if is_start else so_late
        fits = _share_near(late, so_late).min(axis=1)
        prior = losses.per_frame * (1 - losses.follow) * losses.follow ** (count - 1) if count else 1.0
        weights[i] = prior * fits.sum()
    best = int(weights.argmax())
    is_sure = float(weights.sum() - weights[best]) <= _SHARE_MOST * float(weights.sum())
    return EndGap(first + best, 0 if is_sure else max(best, last - first - best))


def _share_near(late: F64, value: F64) -> F64:
    """Share of reads with about this lateness; 0 for early reads."""
    near = np.searchsorted(late, value + _NEAR) - np.searchsorted(late, value - _NEAR)
    share: F64 = np.where(value < -_BEAT, 0.0, (near + 0.5) / (late.size + 1))
    return share
