"""How long a frame takes from the bus to a servo pulse, and how far apart outputs are.

A latency is the time from the end of a frame's last bit to the begin of the pulse that first shows it. Only frames
that move the output's channel count: a pulse of a channel at rest does not show which frame it obeys.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from busbench.analysis.pulse_fit import Obeyed, Rows, obeyed_rows
from busbench.analysis.skew import Skew, skew_of
from busbench.analysis.stats import ranks_s
from busbench.model import F64, I64, set_readonly
from busbench.wire.table import FrameTable

_TRIED = (0, -1, 1, -2)  # frames about the one that a pulse should obey, the likeliest first
NO_MOVE = "its latency is unknown: no frame moved its channel far enough to show in one pulse: move its control faster"
EVEN_MOVE = "its latency is unknown: its channel moved too evenly or too seldom: move its control quickly, both ways"
EVEN_RAMP = "its latency and its centre are unknown: its channel moved too evenly: move its control quickly, both ways"


@dataclass(frozen=True, slots=True, eq=False)
class Latency:
    """Times from frames to the pulses that first show them."""

    end_ns: I64  # end of the last bit of each frame that was seen in a pulse, int64 (M,), rising; M is 1 at least
    late_ns: I64  # from there to the begin of that pulse, int64 (M,)

    def __post_init__(self) -> None:
        set_readonly(self.end_ns, self.late_ns)

    @property
    def seconds(self) -> F64:
        """All latencies, float64 (M,)."""
        made: F64 = self.late_ns / 1e9
        return made

    def to_json(self) -> dict[str, float]:
        """Smallest, median, 99th percentile and largest, in seconds."""
        return ranks_s(self.late_ns)


def find_latency(begin_ns: I64, width_us: F64, frames: FrameTable, obeyed: Obeyed) -> Latency | None:
    """Measure the latency of an output; None if its pulses do not show single frames.

    Args:
        begin_ns, width_us: of each pulse.
        obeyed: what the output follows.
    """
    if obeyed.is_even:
        return None
    asked_us = obeyed.fit.widths_us(frames.channels[:, obeyed.fit.channel - 1])
    step_us, sound = np.diff(asked_us), frames.is_sound
    moves = np.append(False, (np.abs(step_us) > 2 * obeyed.tolerance_us) & sound[1:] & sound[:-1])
    shown = _shown_rows(begin_ns, width_us, frames, obeyed, asked_us)
    # Frames that repeat a value are shown with the first of them.
    since = np.maximum.accumulate(np.where(np.append(True, step_us != 0), np.arange(len(frames)), 0))
    rows, first = np.unique(np.where(shown >= 0, since[shown], -1), return_index=True)
    # A frame in the first pulse may have been shown before the record began.
    good = (rows >= 0) & (first > 0) & moves[rows]
    rows, first = rows[good], first[good]
    return Latency(frames.t_ns[rows], begin_ns[first] - frames.t_ns[rows]) if rows.size else None


def _shown_rows(begin_ns: I64, width_us: F64, frames: FrameTable, obeyed: Obeyed, asked_us: F64) -> Rows:
    """Row of the frame that the width of each pulse shows, -1 if it shows none near."""
    expected, _ = obeyed_rows(begin_ns, frames, (obeyed.low_ns + obeyed.high_ns) // 2)
    shown = np.full(begin_ns.size, -1, np.int64)
    for step in _TRIED:
        rows = np.clip(expected + step, 0, len(frames) - 1)
        fits = (np.abs(asked_us[rows] - width_us) <= obeyed.tolerance_us) & (frames.t_ns[rows] <= begin_ns)
        shown = np.where((shown < 0) & fits, rows, shown)
    return shown


def first_pulses(begin_ns: I64, frames: FrameTable, obeyed: Obeyed) -> tuple[Rows, I64]:
    """Rows of the frames that surely have a first pulse, and the begin of it; a channel at rest has them too."""
    early, good = obeyed_rows(begin_ns, frames, obeyed.low_ns)
    late, _ = obeyed_rows(begin_ns, frames, obeyed.high_ns)
    rows, first = np.unique(np.where(good, late, -1), return_index=True)
    sure = (rows >= 0) & (first > 0) & (early[first] == rows)
    return rows[sure], begin_ns[first[sure]]


def output_skew(one: tuple[Rows, I64], two: tuple[Rows, I64], *, names: tuple[str, str]) -> Skew[str]:
    """How much later the second output shows a frame than the first.

    Args:
        one, two: of first_pulses.
    """
    _, in_one, in_two = np.intersect1d(one[0], two[0], assume_unique=True, return_indices=True)
    return skew_of(two[1][in_two] - one[1][in_one], names)
