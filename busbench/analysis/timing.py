"""How steady the beat is: period, jitter, time error, and the floor of the measurement.

Definitions: period jitter is the deviation of a period from the mean period,
cycle-to-cycle jitter the change between adjacent periods (JEDEC JESD65B,
attribution from memory); the time error (TIE) is taken against the best line
through all frames; MTIE by ITU-T G.810.

With a clock a read, frames that a read cut through have a time to one character;
stamps of other frames are late by what the adapter and the system took. `floor_s`
is an upper estimate of what the measurement itself adds to the rms of the period
jitter: a figure near it says nothing of the receiver.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from busbench.analysis.continuity import longest_stretch, period_change
from busbench.analysis.mtie import mtie
from busbench.analysis.period import Missing, find_missing, find_period, is_batched, is_pinned
from busbench.analysis.stats import BLOCK, Spread, dot, quantiles, spread
from busbench.errors import pluralize
from busbench.model import F64, I64, Clock, ClockKind, FrameTimes

I32 = NDArray[np.int32]

# What a stamp is late by at the least, rms: waking a process (measured: median 0.08 ms,
# 99 % within 0.14 ms), and where an adapter batches, the 1 ms beat of its bus besides.
STAMP_NS = 100_000.0
ADAPTER_STAMP_NS = 300_000.0
LATE_MARGIN = 1.2  # the lateness is itself an estimate
FEW = 3.0  # the rms of some periods stands for that of all within so many times rms / sqrt(periods): long tails
_FILL_SLOTS = 64  # shorter holes are bridged when time errors are put on an even beat
_DETREND = 8
_GROUPS = 1 << 14  # groups of that many samples that are looked at
_I32_MAX = 2**31 - 1
_COARSE_NS = 2_500  # a quarter of a bit: a clock of longer steps cannot show the bits
_NEED = 3  # frames cut by a read, and periods between such, without which there is no jitter


@dataclass(frozen=True, slots=True)
class Jitter:
    """The jitter of a beat, in seconds.

    Args:
        period_sd_s, period_min_s, period_max_s, period_median_s, period_p01_s, period_p99_s: of the periods.
        period_rms_s, period_peak_s, period_pp_s: deviations of periods from their mean.
        cycle_rms_s, cycle_peak_s: changes between adjacent periods, None with fewer than two.
        tie_rms_s, tie_pp_s: time error against the best line.
        mtie_s: (window, value).
        lag1: autocorrelation of the periods.
        floor_s: rms below which the period jitter means nothing.
    """

    period_median_s: float
    period_sd_s: float
    period_min_s: float
    period_max_s: float
    period_p01_s: float
    period_p99_s: float
    period_rms_s: float
    period_peak_s: float
    period_pp_s: float
    cycle_rms_s: float | None
    cycle_peak_s: float | None
    tie_rms_s: float
    tie_pp_s: float
    mtie_s: tuple[tuple[float, float], ...]
    lag1: float | None
    floor_s: float


@dataclass(frozen=True, slots=True)
class Timing:
    """The beat of a recording.

    Args:
        frames: frames seen.
        missing: frames missing between the first and the last, None without a period.
        period_mean_s: mean period, None without a clock or with one frame.
        jitter: None where the clock tells nothing of it.
        clock: the clock.
        note: for people: what was measured and what could not be.
    """

    frames: int
    missing: int | None
    period_mean_s: float | None
    jitter: Jitter | None
    clock: Clock
    note: str

    def to_json(self) -> dict[str, Any]:
        """All figures with their units in the keys; null where there is none."""
        j = self.jitter

        def get(name: str) -> float | None:
            return None if j is None else getattr(j, name)

        return {
            "frames": self.frames,
            "missing": self.missing,
            "period_s": {
                "mean": self.period_mean_s,
                **{name: get(f"period_{name}_s") for name in ("median", "sd", "min", "max", "p01", "p99")},
            },
            "period_jitter_s": {name: get(f"period_{name}_s") for name in ("rms", "peak", "pp")},
            "cycle_jitter_s": {name: get(f"cycle_{name}_s") for name in ("rms", "peak")},
            "tie_s": {name: get(f"tie_{name}_s") for name in ("rms", "pp")},
            "mtie_s": [] if j is None else [list(pair) for pair in j.mtie_s],
            "lag1": get("lag1"),
            "clock": {
                "kind": self.clock.kind.value,
                "resolution_s": self.clock.resolution_ns / 1e9 if self.clock.is_known else None,
                "floor_s": get("floor_s"),
            },
            "note": self.note,
        }


def timing(times: FrameTimes, *, clock: Clock) -> Timing:
    """Measure the beat.

    Args:
        times: the frames of a recording.
        clock: the clock they came with.

    Returns:
        All figures that the clock allows.

    Source: JEDEC JESD65B (period and cycle-to-cycle jitter, attribution from
    memory), ITU-T G.810 (time error, MTIE); the floor is derived here.
    """
    seen = len(times)
    if not clock.is_known:
        return Timing(seen, None, None, None, clock, "no clock: the recording has bytes but no times")
    times, broken = longest_stretch(times)
    count = len(times)
    period_ns = find_period(times)
    if period_ns is None:
        return Timing(seen, None, None, None, clock, _note("too few frames for a period", broken, _coarse(clock)))
    missing = find_missing(times, period_ns)
    rows, stamp_ns, note = _instants(times, clock)
    jitter, mean_ns = None, period_ns
    if rows is not None and rows.size < _NEED:
        note = "every read held whole frames: they limit the beat but say nothing of jitter"
    else:
        x = _Instants(times, rows)
        holes = missing if rows is None or rows.size == count else missing.among(rows)
        mean_ns = (int(x.block(x.size - 1, 1)[0]) - int(x.block(0, 1)[0])) / (x.size - 1 + holes.total)
        jitter = _jitter(x, holes, mean_ns, stamp_ns)
        if jitter is None:
            note = "too few neighbouring frames have times: they limit the beat but say nothing of jitter"
    has_times = jitter is not None and (rows is None or 2 * rows.size >= count)
    note = _note(note, broken, period_change(times) if has_times else "", _coarse(clock))
    return Timing(seen, missing.total, mean_ns / 1e9, jitter, clock, note)


def _note(*words: str) -> str:
    return "; ".join(word for word in words if word)


def _coarse(clock: Clock) -> str:
    """A word where the steps of the clock cannot show single bits, so that frames may be misread."""
    if clock.kind is not ClockKind.PER_BYTE or clock.resolution_ns <= _COARSE_NS:
        return ""
    steps = f"times in steps of {clock.resolution_ns / 1e3:g} µs"
    return f"{steps} are too coarse for bits of 10 µs: record with shorter steps"


@dataclass(frozen=True, slots=True)
class _Instants:
    """When frames ended, as well as it is known, block by block: nothing is held for it.

    Args:
        times: all frames.
        rows: those that a read cut through: the middle of their bounds; None for
            all, by their stamps.
    """

    times: FrameTimes
    rows: I32 | None

    @property
    def size(self) -> int:
        """Frames."""
        return len(self.times) if self.rows is None else self.rows.size

    def block(self, at: int, size: int) -> I64:
        """Times of some frames, int64."""
        if self.rows is None:
            return self.times.t_ns[at : at + size]
        some = self.rows[at : at + size]
        middle: I64 = self.times.t_ns[some] - (self.times.slack_ns[some] >> 1)
        return middle


def _instants(times: FrameTimes, clock: Clock) -> tuple[I32 | None, float, str]:
    """Which frames have a time (None: all), what their stamps add (rms, ns) and a word on it."""
    if clock.kind is ClockKind.PER_BYTE:
        # A steady period reads as two neighbouring steps of the clock, which is half a step rms at most.
        return None, clock.resolution_ns / (2 * math.sqrt(2)), "each byte has its own time"
    if not is_batched(times):
        return None, STAMP_NS, "one read for each frame: its time is late by however long the system took"
    pinned = _pinned_rows(times)
    squares = (times.slack_ns[pinned[at : at + BLOCK]].astype(np.float64) for at in range(0, pinned.size, BLOCK))
    width_ns = math.sqrt(sum(dot(width, width) for width in squares) / max(1, pinned.size))
    frames = pluralize(len(times), "frame")
    how = f"a read cut {pinned.size:,} of {frames}: those have a time, the others only limit the beat"
    return pinned, math.hypot(ADAPTER_STAMP_NS, width_ns / math.sqrt(12)), how


def _pinned_rows(times: FrameTimes) -> I32:
    """Rows of the frames that a read cut through, found block by block."""
    pinned = is_pinned(times)
    rows = np.empty(int(np.count_nonzero(pinned)), np.int32)
    have = 0
    for at in range(0, pinned.size, BLOCK):
        some = np.flatnonzero(pinned[at : at + BLOCK]) + at
        rows[have : have + some.size] = some
        have += some.size
    return rows


def _jitter(x: _Instants, holes: Missing, period_ns: float, stamp_ns: float) -> Jitter | None:
    """All figures from instants x (N,) and the holes between them."""
    periods = _periods(x, holes)
    if periods.size < (1 if x.rows is None else _NEED):
        return None
    p = spread(periods)
    lag1 = _lag1(periods, holes, p)
    low, middle, high = quantiles(periods, (0.01, 0.5, 0.99))
    cycle = _cycle(periods, holes)
    del periods
    error = _line_error(x, holes, period_ns)
    tie = spread(error)
    late_ns = LATE_MARGIN * _lateness(error) if stamp_ns >= STAMP_NS else 0.0
    few_ns = 0.0 if x.rows is None else FEW * p.rms / math.sqrt(p.count)
    return Jitter(
        period_median_s=middle / 1e9,
        period_sd_s=p.sd / 1e9,
        period_min_s=p.low / 1e9,
        period_max_s=p.high / 1e9,
        period_p01_s=low / 1e9,
        period_p99_s=high / 1e9,
        period_rms_s=p.rms / 1e9,
        period_peak_s=max(p.high - p.mean, p.mean - p.low) / 1e9,
        period_pp_s=(p.high - p.low) / 1e9,
        cycle_rms_s=None if cycle is None else cycle[0] / 1e9,
        cycle_peak_s=None if cycle is None else cycle[1] / 1e9,
        tie_rms_s=tie.rms / 1e9,
        tie_pp_s=(tie.high - tie.low) / 1e9,
        mtie_s=tuple((n * period_ns / 1e9, value / 1e9) for n, value in mtie(_even_runs(error, holes))),
        lag1=lag1,
        floor_s=math.hypot(math.sqrt(2) * math.hypot(stamp_ns, late_ns), few_ns) / 1e9,
    )


def _periods(x: _Instants, holes: Missing) -> I32:
    """Periods between neighbours on the beat, ns."""
    steps = np.empty(max(0, x.size - 1), np.int32)
    for at in range(0, steps.size, BLOCK):
        part = np.diff(x.block(at, BLOCK + 1))
        steps[at : at + part.size] = np.clip(part, 0, _I32_MAX)
    return np.delete(steps, holes.row - 1) if holes.row.size else steps


def _apart(holes: Missing) -> I64:
    """Numbers of the periods that a hole stands behind: the next one is beside them, but not adjacent."""
    return holes.row - np.arange(holes.row.size) - 2


def _lag1(periods: I32, holes: Missing, p: Spread) -> float | None:
    """Autocorrelation of adjacent periods: what pairs across holes add is taken off."""
    apart = np.unique(_apart(holes))
    apart = apart[(apart >= 0) & (apart < periods.size - 1)]
    pairs = periods.size - 1 - apart.size
    if p.lag1 is None or not apart.size or not pairs:
        return p.lag1 if pairs else None
    across = float(np.sum((periods[apart] - p.mean) * (periods[apart + 1] - p.mean)))
    return (p.lag1 - across / (p.rms**2 * p.count)) * (periods.size - 1) / pairs


def _cycle(periods: I32, holes: Missing) -> tuple[float, float] | None:
    """rms and peak of the changes between adjacent periods, ns."""
    apart = _apart(holes)
    squares, peak, count = 0.0, 0.0, 0
    for at in range(0, periods.size - 1, BLOCK):
        part = np.diff(periods[at : at + BLOCK + 1]).astype(np.float64)
        here = apart[np.searchsorted(apart, at) : np.searchsorted(apart, at + part.size)]
        part = np.delete(part, here - at) if here.size else part
        if part.size:
            squares, count = squares + dot(part, part), count + part.size
            peak = max(peak, float(np.abs(part).max()))
    return (math.sqrt(squares / count), peak) if count else None


def _slots(holes: Missing, at: int, size: int) -> F64:
    """Numbers on the beat of `size` frames from row `at` on."""
    first, last = np.searchsorted(holes.row, [at, at + size])
    step = np.ones(size)
    step[holes.row[first:last] - at] += holes.count[first:last]
    step[0] += at - 1 + int(holes.count[:first].sum())
    return np.cumsum(step, out=step)


def _line_error(x: _Instants, holes: Missing, period_ns: float) -> NDArray[np.signedinteger]:
    """Deviations from the least-squares line through (number on the beat, x), whole ns, (N,)."""
    base, count = int(x.block(0, 1)[0]), x.size
    middle = (count - 1 + holes.total) / 2  # near the mean slot; any number would do
    error = np.empty(count, np.int32)
    sums = np.zeros(5)
    for at in range(0, count, BLOCK):
        slot = _slots(holes, at, min(BLOCK, count - at))
        off = (x.block(at, slot.size) - base) - period_ns * slot
        if np.abs(off).max() > _I32_MAX and error.dtype == np.int32:
            error = error.astype(np.int64)
        error[at : at + slot.size] = np.rint(off)
        slot -= middle
        sums += (slot.sum(), off.sum(), dot(slot, slot), dot(slot, off), slot.size)
    s, o, ss, so, n = sums.tolist()
    slope = (n * so - s * o) / (n * ss - s * s) if count > 1 else 0.0
    level = (o - slope * s) / n
    for at in range(0, count, BLOCK):
        slot = _slots(holes, at, min(BLOCK, count - at))
        error[at : at + slot.size] -= np.rint(level + slope * (slot - middle)).astype(error.dtype)
    return error


def _lateness(error: NDArray[np.signedinteger]) -> float:
    """What late stamps add, rms in ns: how much wider the upper half of the errors is than the lower."""
    groups = error.size // _DETREND
    if not groups:
        return 0.0
    rows = error[: groups * _DETREND].reshape(-1, _DETREND)[:: max(1, groups // _GROUPS)].astype(np.float64)
    rows -= np.median(rows, axis=1, keepdims=True)
    up, down = rows[rows > 0], rows[rows < 0]
    below = dot(down, down) / down.size if down.size else 0.0
    both = (dot(up, up) + dot(down, down)) / max(1, up.size + down.size)
    return math.sqrt(max(0.0, both - below))


def _even_runs(error: NDArray[np.signedinteger], holes: Missing) -> Iterator[NDArray[np.signedinteger]]:
    """Time errors one a slot: short holes hold the value before, long ones end a run."""
    is_long = holes.count > _FILL_SLOTS
    for start, stop in pairwise([0, *holes.row[is_long].tolist(), error.size]):
        run = error[start:stop]
        inside = slice(*np.searchsorted(holes.row, [start + 1, stop]).tolist())
        if inside.start < inside.stop:
            row, count = holes.row[inside] - start, holes.count[inside]
            run = np.insert(run, row.repeat(count), run[row - 1].repeat(count))
        yield run
