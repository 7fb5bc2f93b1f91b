"""Number frames on a roughly known period, from times that may be late, but never early.

Lateness ends, a loss does not: the min deviation of all frames from
a given frame on rises only where frames are missing. That rise, in whole periods, is
their number.

Source: derivation above.
"""

from __future__ import annotations

from functools import lru_cache
from typing import NamedTuple

import numpy as np

from busbench.analysis.stats import low_quantile
from busbench.model import F64, I64, Bools, set_readonly

_EVEN = 0.125  # of a period: if all frames of a block are within this, the phase is clear
AROUND = 32  # frames on both sides over which deviations are averaged
_PHASE_AROUND = 8
_PHASE_CLEAR, _PHASE_SHARP = 0.5, 0.7
_CELLS = 72  # of a period: cell width for counting phases
_EMPTY = 15  # width of the emptiest stretch, in cells
_LATE_SIDE = 0.65  # where in an emptiest stretch the cut is: lateness is above


class Numbered(NamedTuple):
    """The numbers of frames."""

    slot: F64  # numbers, rising, float64 (N,)
    period_ns: float  # the period that fits them best
    rest_ns: F64  # deviations from the period that was given, or fitted before, float64 (N,)
    has_phase: bool  # True if the slow drift of the phase could be followed
    turns: int  # whole periods by which the phase may have slipped unseen
    late_run: int  # longest run of frames late by more than half a period
    is_even: bool = False  # True if no frame is missing

    def off_ns(self) -> F64:
        """Deviations without slow drift, float64 (N,)."""
        return self.rest_ns - (around(self.rest_ns) if self.has_phase else np.median(self.rest_ns))


class _Axis(NamedTuple):
    """Numbers that a line is fitted over."""

    number: F64  # rising, float64 (N,)
    from_first: F64  # less the first, float64 (N,)
    from_mean: F64  # less their mean, float64 (N,)
    square: float  # the sum of squares of that

    @staticmethod
    def of(number: F64) -> _Axis:
        from_mean = number - number.mean()
        return _Axis(number, number - number[0], from_mean, float(np.einsum("i,i", from_mean, from_mean)))


@lru_cache(2)
def _whole_numbers(count: int) -> _Axis:
    numbers = _Axis.of(np.arange(count, dtype=np.float64))
    set_readonly(numbers.number)
    return numbers


def number(t_ns: F64, index: F64 | None, period_ns: float, *, rounds: int = 2) -> Numbered:
    """Number frames on a rough period.

    Args:
        t_ns: times, float64 (N,).
        index: index among all received frames, rising, float64 (N,); None if these are all.
        period_ns: the period, to a part in a hundred thousand where N is a thousand.
        rounds: number of period fits.
    """
    received = _whole_numbers(t_ns.size) if index is None else _Axis.of(index)
    for _ in range(rounds):
        y = t_ns - received.number * period_ns
        is_even = float(y.max()) - float(y.min()) < _EVEN * period_ns
        if is_even:  # no frame missing, and none late enough to hide one: the rest would give the same
            slot, rest = received, y
        else:
            phase = _slow_phase(y, period_ns)
            if phase is not None:
                y -= phase.of_frame_ns
            low = np.minimum.accumulate(y[::-1])[::-1]
            numbers = received.number + np.floor((low - _threshold(low, period_ns)) / period_ns)
            numbers += received.number[0] - numbers[0]
            slot, rest = _Axis.of(numbers), t_ns - numbers * period_ns
        slope = float(np.einsum("i,i", slot.from_mean, rest - rest.mean())) / slot.square if slot.square else 0.0
        period_ns += slope
        rest -= slope * slot.from_first
    if is_even:
        return Numbered(slot.number, period_ns, rest, True, 0, 0, is_even=True)
    turns = 0 if phase is None else phase.turns
    return Numbered(slot.number, period_ns, rest, phase is not None, turns, _longest_run(y - low > period_ns / 2))


def around(values: F64, reach: int = AROUND) -> F64:
    """Moving mean over each value and up to `reach` others on both sides, (N,)."""
    size = values.size
    total = np.zeros(size + 1, values.dtype)
    np.cumsum(values, out=total[1:])
    mean = np.empty(size, values.dtype)
    inside = slice(reach, max(reach, size - reach))  # values with all neighbours
    np.subtract(total[2 * reach + 1 :], total[: max(0, size - 2 * reach)], out=mean[inside])
    mean[inside] /= 2 * reach + 1
    ends, first, after = _near_ends(size, reach)
    mean[ends] = (total[after] - total[first]) / (after - first)
    return mean


@lru_cache(2)
def _near_ends(size: int, reach: int) -> tuple[I64, I64, I64]:
    """Indices of values with fewer than `reach` others on a side, and where those around each begin and end."""
    ends = np.concatenate([np.arange(min(reach, size)), np.arange(max(reach, size - reach), size)])
    return ends, np.maximum(ends - reach, 0), np.minimum(ends + reach + 1, size)


class _SlotPhase(NamedTuple):
    of_frame_ns: F64
    turns: int


def _slow_phase(y: F64, period_ns: float) -> _SlotPhase | None:
    """Slow drift of the phase, ns (N,); losses are whole periods and do not change it. None if lateness blurs it."""
    mean = around(np.exp(2j * np.pi / period_ns * y), _PHASE_AROUND)
    agreement = np.abs(mean)
    if low_quantile(agreement[::8], 0.05) < _PHASE_CLEAR:
        return None
    angle = np.angle(mean) / (2 * np.pi)
    phase = _unwrapped(angle)
    phase -= phase[0]
    # Frames late by many periods turn the phase: is it steady without these?
    sharp = np.flatnonzero(agreement > _PHASE_SHARP)
    apart = _unwrapped(angle[sharp]) - phase[sharp]
    return _SlotPhase(phase * period_ns, round(float(np.ptp(apart))) if sharp.size else 0)


def _unwrapped(turns: F64) -> F64:
    """Phases in turns without jumps of whole ones, (N,)."""
    unwrapped = turns.copy()
    unwrapped[1:] -= np.cumsum(np.rint(np.diff(turns)))
    return unwrapped


def _longest_run(is_so: Bools) -> int:
    edges = np.flatnonzero(np.diff(np.concatenate([[False], is_so, [False]])))
    return int((edges[1::2] - edges[::2]).max(initial=0))


def _threshold(low: F64, period_ns: float) -> float:
    """The phase between whole periods with the fewest deviations."""
    cell = ((low / period_ns) % 1 * _CELLS).astype(np.int64) % _CELLS
    count = np.bincount(cell, minlength=_CELLS)
    half = _EMPTY // 2
    held = np.convolve(np.concatenate([count[-half:], count, count[:half]]), np.ones(_EMPTY), "valid")
    least = np.flatnonzero(held < held.min() + 0.5)
    runs = np.split(least, np.flatnonzero(np.diff(least) > 1) + 1)
    if len(runs) > 1 and runs[0][0] == 0 and runs[-1][-1] == _CELLS - 1:
        runs[0] = np.concatenate([runs.pop() - _CELLS, runs[0]])
    run = max(runs, key=len)
    return float((run[0] + _LATE_SIDE * (run[-1] - run[0]) + 0.5) / _CELLS * period_ns)
