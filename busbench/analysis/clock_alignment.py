"""Two clocks of one line: an adapter's, whose times are late, and a logic analyser's, whose times are exact.

Both show the same frames (`frame_match`). An adapter is never early, so a line from clock to clock lies below all
differences of the times and touches the smallest: its slope is the drift, its level the offset. A delay that all reads
share cannot be separated from the offset and is part of it.

Method: smallest differences of parts of the recording; how far they may lie above the line is judged by their own
spread (Weibull distribution of the smallest of many, shape 1 to 4, flat prior over all lines that no frame is below).

Source: derivation above; how often the intervals hold is in tools/study_clocks.md.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from busbench.analysis.frame_match import Matches, match_frames
from busbench.analysis.stats import ranks_s
from busbench.errors import CaptureError
from busbench.line import BUS_LINE, LineSettings
from busbench.model import F64, I64, ClockKind, set_readonly
from busbench.wire.table import FrameTable

if TYPE_CHECKING:
    from busbench.analysis.recording import Recording

FRAMES_LEAST = 32
_CHANCE = 0.025  # that either of the two intervals misses; together 5 %
_PARTS_LEAST, _PARTS_MOST, _FRAMES_OF_PART = 8, 64, 8
_SHAPES = (1.0, 1.5, 2.0, 3.0, 4.0)
_LEVELS, _SLOPES, _REACH = 240, 41, 6.0
_LOWEST = 256  # frames that may touch the line
_STEPS = 200
STILL = "cannot tell: the two recordings have too few changes of the channels in common"


@dataclass(frozen=True, slots=True, eq=False)
class Lateness:
    """How late an adapter's times are.

    Args:
        row: rows of the frames in the adapter's recording, int64 (M,), rising.
        late_ns: from the end of their last bit to the time that the adapter's recording gives them, float64 (M,).
        resolution_ns: how exactly that is known.
    """

    row: I64
    late_ns: F64
    resolution_ns: float

    def __post_init__(self) -> None:
        set_readonly(self.row, self.late_ns)

    def to_json(self) -> dict[str, float]:
        """Smallest, median, 99th percentile and largest, in seconds."""
        return ranks_s(self.late_ns)


class Bounded(NamedTuple):
    """A figure and the interval in which it is.

    Args:
        value: the figure.
        low, high: ends of the interval.
    """

    value: float
    low: float
    high: float


@dataclass(frozen=True, slots=True, eq=False)
class ClockAlignment:
    """A logic analyser's clock on that of an adapter's recording; figures are None if the clocks cannot be aligned.

    Args:
        frames: frames that both recordings show.
        offset_s: time on the adapter's clock at which the analyser's is 0, both from the first byte; a delay that all
            reads share is part of it. Both intervals together hold in 95 % of all cases.
        drift_ppm: how much faster the adapter's clock is.
        lateness: of each frame that both show.
        note: for people, why nothing is known; or "".
    """

    frames: int
    offset_s: Bounded | None
    drift_ppm: Bounded | None
    lateness: Lateness | None
    note: str

    def to_json(self) -> dict[str, object]:
        """Plain values with units in the keys."""
        offset, drift = self.offset_s, self.drift_ppm
        return {
            "frames": self.frames,
            "offset_s": offset and offset.value,
            "offset_low": offset and offset.low,
            "offset_high": offset and offset.high,
            "drift_ppm": drift and drift.value,
            "drift_low_ppm": drift and drift.low,
            "drift_high_ppm": drift and drift.high,
            "lateness_s": None if self.lateness is None else self.lateness.to_json(),
            "note": self.note,
        }


def align_recordings(adapter: Recording, analyser: Recording, *, line: LineSettings = BUS_LINE) -> ClockAlignment:
    """Align the clock of a logic analyser's recording with that of an adapter's recording of the same line.

    Raises:
        CaptureError: the times of one of them are not of that kind.
    """
    if adapter.clock.kind is not ClockKind.PER_READ:
        what = "has no times" if not adapter.clock.is_known else "has a time for each byte, so nothing to measure"
        raise CaptureError(adapter.info.path, what, hint="record it with `busbench record`")
    if analyser.clock.kind is not ClockKind.PER_BYTE:
        what = "has no time for each byte"
        raise CaptureError(analyser.info.path, what, hint="name a recording of a logic analyser with --against")
    return align_clocks(
        adapter.frames,
        analyser.frames,
        starts_ns=(adapter.span.first_t_ns or 0, analyser.span.first_t_ns or 0),
        resolution_ns=adapter.clock.resolution_ns + analyser.clock.resolution_ns,
        character_ns=line.character_ns,
    )


def align_clocks(
    adapter: FrameTable,
    analyser: FrameTable,
    *,
    starts_ns: tuple[int, int],
    resolution_ns: float,
    character_ns: int,
) -> ClockAlignment:
    """Align the clocks of two recordings of one line.

    Args:
        adapter: frames with the times of reads.
        analyser: frames with the time of their last byte's start bit.
        starts_ns: first byte of each recording; the offset counts from there.
        resolution_ns: sum of the smallest steps of both clocks.
        character_ns: time of one character on the line.
    """
    same: Matches = match_frames(adapter, analyser)
    if len(same) < FRAMES_LEAST:
        return ClockAlignment(len(same), None, None, None, STILL)
    end_ns = (analyser.t_ns[same.second] - starts_ns[1] + character_ns).astype(np.float64)
    seen_ns = (adapter.t_ns[same.first] - starts_ns[0]).astype(np.float64)
    middle = float(end_ns.mean())
    lines = _Lines.below(end_ns - middle, seen_ns - end_ns)
    slope, offset = lines.bounds(lines.slope), lines.bounds(lines.level - lines.slope * middle)
    late_ns = seen_ns - end_ns - lines.bounds(lines.level).value - slope.value * (end_ns - middle)
    step = resolution_ns / max(float(np.ptp(end_ns)), 1.0)
    return ClockAlignment(
        len(same),
        Bounded(offset.value / 1e9, (offset.low - resolution_ns) / 1e9, (offset.high + resolution_ns) / 1e9),
        Bounded(slope.value * 1e6, (slope.low - step) * 1e6, (slope.high + step) * 1e6),
        Lateness(same.first, late_ns, resolution_ns),
        "",
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Lines:
    """Lines below all points, with their weights.

    Args:
        level: at x = 0, float64 (L,).
        slope, weight: float64 (L,).
    """

    level: F64
    slope: F64
    weight: F64

    @staticmethod
    def below(x: F64, y: F64) -> _Lines:
        """Lines that no point is below, each weighed by how well the smallest points of parts lie above it.

        Args:
            x: rising, with mean 0, float64 (N,).
            y: float64 (N,).
        """
        scale = float(np.abs(x).max()) or 1.0
        x = x / scale
        rough, best = float(np.polyfit(x, y, 1)[0]), 0.0
        parts = int(np.clip(x.size // _FRAMES_OF_PART, _PARTS_LEAST, _PARTS_MOST))
        begins = np.linspace(0, x.size, parts + 1).astype(np.int64)[:-1]
        for _ in range(2):  # frames far too late tilt the first line, so that others come out lowest
            rough += best
            off = y - rough * x
            base = float(off.min())
            off -= base
            lowest = np.array(
                [begin + int(part.argmin()) for begin, part in zip(begins, np.split(off, begins[1:]), strict=True)]
            )
            touch = np.union1d(lowest, np.argsort(off, kind="stable")[:_LOWEST])
            px, py = x[touch], off[touch]
            best, top = _steepest(px, py)
        mean = float(off[lowest].mean())
        reach = _REACH * max(mean - top, 1e-3)
        share = np.linspace(0, 1, _LEVELS)
        level = (top - reach * share**2)[1:]
        width = 2 * reach * share[1:]
        right, left = px > 0, px < 0
        high = ((py[right] - level[:, None]) / px[right]).min(axis=1, initial=best + 1e9)
        low = ((py[left] - level[:, None]) / px[left]).max(axis=1, initial=best - 1e9)
        cell = (np.arange(_SLOPES) + 0.5) / _SLOPES
        slope = low[:, None] + (high - low)[:, None] * cell
        above = off[lowest] - level[:, None, None] - slope[..., None] * x[lowest]
        above = np.maximum(above, 1e-6 * reach)
        log = np.full(slope.shape, -np.inf)
        logs = np.log(above)
        for shape in _SHAPES:
            fit = (parts - 1) * np.log(shape) + (shape - 1) * logs.sum(axis=2)
            fit -= parts * np.log((above**shape).sum(axis=2))
            log = np.logaddexp(log, fit)
        log *= _independent(off[lowest]) / parts
        log += np.log(np.maximum((high - low) * width, 1e-300))[:, None]
        weight = np.exp(log - log.max())
        levels = np.broadcast_to(level[:, None], slope.shape)
        return _Lines(levels.reshape(-1) + base, (slope.reshape(-1) + rough) / scale, weight.reshape(-1))

    def bounds(self, values: F64) -> Bounded:
        """Median and interval of a value of each line."""
        order = np.argsort(values)
        upto = np.cumsum(self.weight[order])
        at = np.searchsorted(upto, np.array([0.5, _CHANCE / 2, 1 - _CHANCE / 2]) * upto[-1])
        return Bounded(*values[order[np.minimum(at, order.size - 1)]].tolist())


def _independent(lowest: F64) -> float:
    """How many of the smallest differences count: less if neighbours are alike, as with a slow timer of reads."""
    away = lowest - lowest.mean()
    total = float((away**2).sum())
    if not total:
        return float(lowest.size)
    alike = max(0.0, float((away[1:] * away[:-1]).sum()) / total)
    return max(2.0, lowest.size * (1 - alike) / (1 + alike))


def _steepest(x: F64, y: F64) -> tuple[float, float]:
    """Slope and level, at x = 0, of the highest line that no point is below."""
    high = 4 * (float(np.ptp(y)) + 1.0) / max(float(np.abs(x).max()), 1e-9)
    low = -high
    for _ in range(_STEPS):
        third = (high - low) / 3
        if (y - (low + third) * x).min() < (y - (high - third) * x).min():
            low += third
        else:
            high -= third
    slope = (low + high) / 2
    return slope, float((y - slope * x).min())
