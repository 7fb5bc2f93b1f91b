"""Conditions that make one figure for a whole recording wrong: a clock set back, a changed frame period."""

from __future__ import annotations

import numpy as np

from busbench.analysis.period import find_period
from busbench.analysis.stats import BLOCK
from busbench.model import BACK_NS, FrameTimes

_PARTS = 4  # frames at the start and at the end that are compared for another period
_PART_FRAMES, _PART_MOST = 50, 2048
_DIFFER = 0.02  # of the period; crystals drift by a thousandth of this


def clock_back(times: FrameTimes) -> str:
    """A note on how often the clock goes back; "" if never."""
    return _often(_backs(times))


def longest_interval(times: FrameTimes) -> tuple[FrameTimes, str]:
    """The longest run of frames without a backward step of the clock, and a note if it is not all."""
    back = _backs(times)
    if not back:
        return times, ""
    cuts = [0, *back, len(times)]
    longest = int(np.argmax(np.diff(cuts)))
    part = times.part(slice(cuts[longest], cuts[longest + 1]))
    return part, f"{_often(back)}: figures are of the longest stretch, {len(part):,} frames"


def period_change(times: FrameTimes) -> str:
    """A note if the period at the end clearly differs from that at the start, else ""."""
    size = min(len(times) // _PARTS, _PART_MOST)
    if size < _PART_FRAMES:
        return ""
    first, last = (find_period(times.part(rows)) for rows in (slice(size), slice(len(times) - size, None)))
    if first is None or last is None or abs(first - last) < _DIFFER * min(first, last):
        return ""
    return f"the period changes, from {first / 1e6:.3g} ms at the start to {last / 1e6:.3g} ms at the end"


def _often(back: list[int]) -> str:
    often = "once" if len(back) == 1 else f"{len(back):,} times"
    return f"the clock goes back {often}" if back else ""


def _backs(times: FrameTimes) -> list[int]:
    """Rows whose time is clearly before that of the row before."""
    back: list[int] = []
    for at in range(0, len(times) - 1, BLOCK):
        steps = np.diff(times.t_ns[at : at + BLOCK + 1])
        if steps.min() < -BACK_NS:
            back += (np.flatnonzero(steps < -BACK_NS) + at + 1).tolist()
    return back
