"""Period and jitter of two recordings.

Neighbouring frames depend on one another, and jitter may come and go, so the errors are those between parts of a
recording, not between frames. What adapter, computer and clock add is taken from the recordings (see jitter_range).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from busbench.analysis.change import Figure, Sample, change_of, half_width, parts, sample_of
from busbench.analysis.continuity import longest_interval
from busbench.analysis.frame_ends import FrameEnds
from busbench.analysis.jitter import Jitter
from busbench.analysis.period import number_frames
from busbench.analysis.pulses import PulseLine, Pulses
from busbench.analysis.read_slots import latest_ends
from busbench.analysis.recording import RecordingTimes
from busbench.model import F64, ClockKind

PERIOD_MATTERS = 0.0005  # of the period: two crystals differ by a fifth of that
JITTER_MATTERS = 1.22  # times: half of one and a half, on a scale of ratios
_PART = 32  # frames in a part at least
LATENCY_MATTERS_S = 0.001
_OF_A_PART = 4  # latencies in a part at least
_DRIFT = 3.0  # the means of parts vary so many times as much as the latencies in them explain
_TURN = 0.8  # of an output's period: an output that drifted so far went through all latencies


@dataclass(frozen=True, slots=True)
class MeasuredTiming:
    """Timing of one recording, with errors."""

    period: Sample | None  # mean period in s, None if it cannot be known
    period_beside_s: float  # what ends that came early or late may add to it
    jitter: Jitter | None  # its figures, None if there are none
    jitter_log: Sample | None  # natural logarithm of its rms


def measure_timing(timeline: RecordingTimes) -> MeasuredTiming:
    """Period and jitter of a recording, as `timing` reports them, with errors from its parts."""
    found = timeline.timing()
    if found.period_mean_s is None:
        return MeasuredTiming(None, 0.0, None, None)
    times, _ = longest_interval(timeline.times)
    numbers = number_frames(times)
    if numbers is None:
        return MeasuredTiming(None, 0.0, None, None)
    is_by_byte = timeline.info.clock.kind is ClockKind.PER_BYTE
    ends = FrameEnds(times.t_ns if is_by_byte else latest_ends(times.t_ns), None, numbers.missing)
    error = ends.line_error()
    slopes = _slopes(ends, numbers.period_ns)
    spread = sample_of(slopes)
    period = None if spread is None else Sample(found.period_mean_s, spread.error / 1e9, spread.freedom)
    beside_s = 2 * (float(np.sqrt(np.mean(np.square(error, dtype=np.float64)))) + timeline.info.clock.resolution_ns)
    beside_s /= 1e9 * max(1, ends.size - 1 + numbers.missing.total)
    log = None
    if found.jitter is not None and found.jitter.period_rms_s > 0:
        periods = ends.periods().astype(np.float64)
        square = (periods - periods.mean()) ** 2
        squares = sample_of(np.array([square[part].mean() for part in parts(square.size, least=_PART)]))
        if squares is not None and squares.mean:
            log = Sample(math.log(found.jitter.period_rms_s), squares.error / squares.mean / 2, squares.freedom)
    return MeasuredTiming(period, beside_s, found.jitter, log)


def _slopes(ends: FrameEnds, period_ns: float) -> F64:
    """Mean period of each part, by its best line, ns."""
    step = np.ones(ends.size)
    step[ends.missing.row] += ends.missing.count
    slot = np.cumsum(step)
    off = ends.block(0, ends.size) - ends.block(0, 1)[0] - period_ns * slot
    made = []
    for part in parts(ends.size, least=_PART):
        x = slot[part] - slot[part].mean()
        made.append(period_ns + float((x * off[part]).sum() / (x * x).sum()))
    return np.array(made)


def compare_period(old: MeasuredTiming, new: MeasuredTiming, *, chance: float) -> Figure:
    """The frame period."""
    matters = 0.0 if old.period is None else PERIOD_MATTERS * old.period.mean
    beside = old.period_beside_s + new.period_beside_s
    return change_of("period", "s", old.period, new.period, chance=chance, tolerance=matters, beside=beside)


def compare_jitter(old: MeasuredTiming, new: MeasuredTiming, *, chance: float) -> Figure:
    """The receiver's period jitter: what adapter and computer may have added widens the interval."""
    name, unit, one, other = "period jitter rms", "s", old.jitter, new.jitter
    seen = [None if jitter is None else jitter.period_rms_s for jitter in (one, other)]
    if one is None or other is None:
        return Figure(name, unit, seen[0], seen[1], None, None, None, (0.0, 0.0))
    before, after = one.period_rms_s, other.period_rms_s
    limits = (before / JITTER_MATTERS - before, before * JITTER_MATTERS - before)
    if old.jitter_log is None or new.jitter_log is None:
        return Figure(name, unit, seen[0], seen[1], None, None, None, limits)
    width = half_width(old.jitter_log, new.jitter_log, chance)
    low = after * math.exp(-width) - before - (after - other.period_low_s) - (one.period_high_s - before)
    high = after * math.exp(width) - before + (other.period_high_s - after) + (before - one.period_low_s)
    floor = max(high - (after - before), after - before - low)
    return Figure(name, unit, before, after, floor, low, high, limits)


def compare_latency(old: Pulses, new: Pulses, *, chance: float) -> list[Figure]:
    """The mean latency of each output that is in both recordings, by name, if one of them shows it."""
    later = {line.name: line for line in new.lines}
    both = [(line, later[line.name]) for line in old.lines if line.name in later]
    step_s = (old.resolution_us + new.resolution_us) / 1e6
    made = []
    for pair in both:
        before, after = (_sample(line) for line in pair)
        if before is not None or after is not None:
            share, beside_s = chance / len(both), step_s + sum(map(_phase_s, pair))
            figure = change_of(
                "latency", "s", before, after, chance=share, tolerance=LATENCY_MATTERS_S, beside=beside_s
            )
            made.append(replace(figure, subject=pair[0].name))
    return made


def _phase_s(line: PulseLine) -> float:
    """How far the mean of an output that runs freely may be off: where its period is to that of the bus as two whole
    numbers, few latencies come again and again, in turns that begin anywhere."""
    if line.latency is None or np.ptp(line.latency.seconds) < _TURN * line.period_s.mean:
        return 0.0
    return float(np.diff(np.sort(line.latency.seconds)).max()) / 2


def _sample(line: PulseLine) -> Sample | None:
    """Mean and error of all latencies; without an error if they are few, or drifted by less than a turn."""
    if line.latency is None:
        return None
    late_s = line.latency.seconds
    alone = Sample(float(late_s.mean()), 0.0, 0)
    some = [late_s[part] for part in parts(late_s.size, least=_OF_A_PART)]
    found = sample_of(np.array([part.mean() for part in some]))
    if found is None:
        return alone
    explained_s = np.sqrt(np.mean([part.var(ddof=1) / part.size for part in some]) / len(some))
    has_drifted = found.error > _DRIFT * explained_s and found.error * len(some) > LATENCY_MATTERS_S / 10
    if has_drifted and np.ptp(late_s) < _TURN * line.period_s.mean:
        return alone
    return replace(found, mean=alone.mean)
