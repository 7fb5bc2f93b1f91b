"""Pulse outputs beside the bus: their widths, the channel that each follows, and the scale of the receiver.

The bus carries counts, a pulse output microseconds: where both were recorded, the straight line between them
is measured instead of assumed. Method: ordinary least squares of the width on the counts of the frame that
came before, of which the pulse may lag by a frame or more.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

import numpy as np

from busbench.model import BUS_LINE, F64, I64, ByteLog, Clock, ClockKind, LineSettings
from busbench.wire.edges import Edges
from busbench.wire.frame_spec import CHANNELS, FLAG_FAILSAFE, FLAG_LOST
from busbench.wire.framing import find_frames
from busbench.wire.scale import Scale
from busbench.wire.table import FrameTable
from busbench.wire.uart import LineBytes, decode_line

CENTRE_COUNTS = 992.0
WIDTHS_US = (300.0, 3000.0)  # what counts as a servo pulse; common practice, no source: 900-2100
PERIODS_S = (0.002, 0.060)
PULSES_LEAST = 20
SPAN_COUNTS = 100  # a channel must move so far to be distinguished from the others
LAGS = 4  # frames by which a pulse mostly comes late at most; tried at a time
_LATEST_NS = 200_000_000  # an older frame is not what a pulse follows
_OUTLIER, _OUTLIER_LEAST_US = 6.0, 0.5  # times the median deviation; but no less
_OUTLIERS_MOST = 0.02
_CORRELATED = 0.98


@dataclass(frozen=True, slots=True)
class WidthStats:
    """A measured quantity over all pulses."""

    mean: float
    sd: float
    min: float
    max: float


@dataclass(frozen=True, slots=True)
class Fit:
    """The straight line from counts to pulse width.

    Args:
        channel: 1-16 that the output follows.
        also: other channels that fit as well; empty if there is no doubt.
        centre_us: width at CENTRE_COUNTS.
        us_per_count: slope, below 0 if the output runs against the channel.
        us_per_count_se: standard error of the slope.
        residual_us: rms deviation of the widths from the line.
        lag_frames: frames between a frame and the pulse that obeys it.
        min_counts, max_counts: range in which the line was measured.
    """

    channel: int
    also: tuple[int, ...]
    centre_us: float
    us_per_count: float
    us_per_count_se: float
    residual_us: float
    worst_us: float
    lag_frames: int
    outliers: int
    min_counts: int
    max_counts: int

    @property
    def scale(self) -> Scale | None:
        """The receiver's scale; None if the output runs against the channel."""
        return Scale(CENTRE_COUNTS, self.centre_us, self.us_per_count) if self.us_per_count > 0 else None

    def width_us(self, counts: float) -> float:
        """Width on the line at some counts."""
        return self.centre_us + self.us_per_count * (counts - CENTRE_COUNTS)


@dataclass(frozen=True, slots=True)
class PulseLine:
    """One pulse output.

    Args:
        is_inverted: True if a pulse is low.
        fit: the line, None if no channel was found.
        note: for people, why not; or "".
    """

    name: str
    pulses: int
    width_us: WidthStats
    period_s: WidthStats
    is_inverted: bool
    fit: Fit | None
    note: str


@dataclass(frozen=True, slots=True)
class Pulses:
    """All pulse outputs of a record.

    Args:
        bus: name of the signal with the bus.
        resolution_us: step of the times; widths are not known better.
        lines: pulse outputs, in the record's order.
    """

    bus: str
    frames: int
    resolution_us: float
    lines: tuple[PulseLine, ...]
    idle: tuple[str, ...]


def find_pulses(signals: Mapping[str, Edges], *, line: LineSettings = BUS_LINE) -> Pulses | None:
    """Measure the pulse outputs among some signals.

    Args:
        signals: all of one record, by name.

    Returns:
        The outputs; None if no signal carries frames.
    """
    read = {name: _frames(edges, line) for name, edges in signals.items() if len(edges)}
    bus = max(read, key=lambda name: len(read[name]), default=None)
    if bus is None or not len(read[bus]):
        return None
    frames = read[bus]
    lines, idle = [], []
    for name, edges in signals.items():
        if name == bus:
            continue
        found = measure_line(name, edges, frames)
        if found is None:
            idle.append(name)
        else:
            lines.append(found)
    return Pulses(bus, len(frames), _step_ns(signals.values()) / 1e3, tuple(lines), tuple(idle))


def _frames(edges: Edges, line: LineSettings) -> FrameTable:
    found: LineBytes = decode_line(edges, line=line)
    ends = np.arange(1, len(found) + 1)
    log = ByteLog(0, found.data, ends, found.t_ns + line.character_ns, found.bad if found.bad.any() else None)
    return find_frames(log, clock=Clock(ClockKind.PER_BYTE, 1), line=line).frames


def _step_ns(signals: Iterable[Edges]) -> int:
    """The largest step of which all times are multiples."""
    times = [edges.t_ns for edges in signals if len(edges)]
    step = int(np.gcd.reduce(np.concatenate(times))) if times else 1
    return max(1, step)


def measure_line(name: str, edges: Edges, frames: FrameTable) -> PulseLine | None:
    """Measure one signal as a pulse output.

    Args:
        frames: of the bus beside it, on the same clock.

    Returns:
        The output, None if the signal carries no servo pulses.
    """
    found = _pulses(edges)
    if found is None:
        return None
    begin_ns, width_us, is_inverted = found
    fit, note = _follow(begin_ns, width_us, frames)
    period = _spread(np.diff(begin_ns) / 1e9)
    return PulseLine(name, width_us.size, _spread(width_us), period, is_inverted, fit, note)


def _pulses(edges: Edges) -> tuple[I64, F64, bool] | None:
    """Begin and width of each whole pulse, and whether they are low; None if they are no servo pulses."""
    t_ns = edges.t_ns
    for is_inverted in (False, True):
        first = int(edges.initial != is_inverted)  # a pulse that had begun before the record is left out
        starts = t_ns[first::2]
        ends = t_ns[first + 1 :: 2]
        starts = starts[: ends.size]
        if starts.size < PULSES_LEAST:
            continue
        width_us = (ends - starts) / 1e3
        period_s = float(np.median(np.diff(starts))) / 1e9
        usual = (width_us >= WIDTHS_US[0]) & (width_us <= WIDTHS_US[1])
        if usual.mean() > 0.9 and PERIODS_S[0] <= period_s <= PERIODS_S[1]:
            return starts, np.asarray(width_us, np.float64), is_inverted
    return None


def _spread(values: F64) -> WidthStats:
    return WidthStats(float(values.mean()), float(values.std()), float(values.min()), float(values.max()))


def _follow(begin_ns: I64, width_us: F64, frames: FrameTable) -> tuple[Fit | None, str]:
    """The channel and lag whose counts explain the widths best.

    Lags are tried a few at a time until one is better than those after it, or the frames are too old.
    """
    fits: list[Fit] = []
    moved = False
    lag = 0
    while lag % LAGS or not fits or _best(fits).lag_frames == lag - 1:
        found = _fits_at(lag, begin_ns, width_us, frames)
        if found is None:
            break
        moved |= found[1]
        fits += found[0]
        lag += 1
    if not fits:
        why = "it follows no channel that moved" if moved else "no channel moved: move its control while recording"
        return None, why
    best = _best(fits)
    if best.lag_frames == lag - 1 > 0:
        return None, (
            f"it follows channel {best.channel} by {best.lag_frames} frames or more:"
            f" later than {_LATEST_NS / 1e9:g} s is not searched"
        )
    near = {fit.channel for fit in fits if fit.residual_us <= 1.2 * best.residual_us + 0.05} - {best.channel}
    also = tuple(sorted(near))
    note = f"channel {', '.join(map(str, also))} moved alike: move one control at a time" if also else ""
    return replace(best, also=also), note


def _best(fits: list[Fit]) -> Fit:
    return min(fits, key=lambda fit: (fit.residual_us, fit.lag_frames))


def _fits_at(lag: int, begin_ns: I64, width_us: F64, frames: FrameTable) -> tuple[list[Fit], bool] | None:
    """Fits of all channels at one lag, and whether any channel moved; None if hardly a frame is young enough."""
    row = np.searchsorted(frames.t_ns, begin_ns, "right") - 1 - lag
    good = row >= 0
    row = np.maximum(row, 0)
    good &= begin_ns - frames.t_ns[row] < _LATEST_NS
    if np.count_nonzero(good) < PULSES_LEAST:
        return None
    good &= ((frames.flags & (FLAG_LOST | FLAG_FAILSAFE)) == 0)[row] & ~frames.suspect[row]
    fits: list[Fit] = []
    moved = False
    if np.count_nonzero(good) < PULSES_LEAST:
        return fits, moved
    for channel in range(CHANNELS):
        counts = frames.channels[row[good], channel].astype(np.float64)
        if np.ptp(counts) < SPAN_COUNTS:
            continue
        moved = True
        fit = _fit(channel + 1, lag, counts, width_us[good])
        if fit is not None:
            fits.append(fit)
    return fits, moved


def _fit(channel: int, lag: int, counts: F64, width_us: F64) -> Fit | None:
    """Least squares, and once more without outliers; None if counts do not explain the widths."""
    keep = np.ones(counts.size, np.bool_)
    for _ in range(2):
        x, y = counts[keep] - CENTRE_COUNTS, width_us[keep]
        spread = x - x.mean()
        square = float((spread * spread).sum())
        if not square or not np.ptp(y):
            return None
        slope = float((spread * (y - y.mean())).sum()) / square
        level = float(y.mean() - slope * x.mean())
        off = np.abs(width_us - level - slope * (counts - CENTRE_COUNTS))
        # A few may be false: where it is more, the channel or the lag is the wrong one.
        good = off <= max(_OUTLIER * float(np.median(off)), _OUTLIER_LEAST_US)
        if np.count_nonzero(~good) > _OUTLIERS_MOST * good.size or good.all():
            break
        keep = good
    x, y = counts[keep] - CENTRE_COUNTS, width_us[keep]
    spread, residual = x - x.mean(), y - level - slope * x
    total = y - y.mean()
    if float((residual**2).sum()) > (1 - _CORRELATED**2) * float((total**2).sum()):
        return None
    freedom = max(1, x.size - 2)
    error = math.sqrt(float((residual**2).sum()) / freedom / float((spread**2).sum()))
    return Fit(
        channel, (), level, slope, error, float(np.sqrt((residual**2).mean())), float(np.abs(residual).max()), lag,
        int(keep.size - np.count_nonzero(keep)), int(counts.min()), int(counts.max()),
    )  # fmt: skip
