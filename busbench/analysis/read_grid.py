"""The time grid of an adapter's reads, and the jitter it can hide.

A polled adapter hands over whole frames at steps of a grid.
Its step shows in the spectrum of the times, unless its rate is a multiple of the frame
rate, or in clustered periods. If the period is a multiple of the step, a
jitter below the step moves no read and cannot be seen.

Source: derivation above; the limits are from simulated adapters (tools/study_timing.py).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from busbench.analysis.slot_numbers import around
from busbench.model import F64, I64

_READS = 192  # periods evaluated together
_WINDOWS = 6
_SIZE = 1 << 17
_BIN_NS = 100_000.0
_STEP_MIN_NS, _STEP_MAX_NS = 400_000.0, 22_000_000.0
_SEEN = 0.5  # min amplitude of a spectral line of a grid
_NEARLY_SEEN = 0.28  # the same half-way between two frequencies of a short transform
_NEAR, _AS_HIGH = 0.25, 0.03  # of the step of the spectrum; of the highest line
_HEAPS = 0.7  # min agreement of the other periods with the phase of the first cluster
_OTHERS, _OTHERS_MOST = 0.004, 8  # share and number of periods in other clusters that show nothing
_LOCKED = 0.9
_VISITED = 0.3  # below this agreement the frames visit all phases of a step
_PARTS = 16
_NOMINAL_NS = (16e6, 8e6, 4e6, 2e6, 1.5e6, 1e6)  # common steps of adapters and of USB
_TUNED = 2e-4  # max difference of two crystals


@dataclass(frozen=True, slots=True)
class ReadGrid:
    """The grid, as far as known."""

    step_ns: float = 0.0  # its step, 0 if none was found
    hides_ns: float = 0.0  # the jitter that this grid can hide
    may_hide_ns: float = 0.0  # the same for a grid in step with the period, which cannot be detected


def find_grid(read_ns: I64, period_ns: F64, error_ns: F64, *, mean_ns: float) -> ReadGrid:
    """Search for a grid.

    Args:
        read_ns: times of reads that ended with a frame, rising, int64 (M,).
        period_ns: single periods, float64 (P,).
        error_ns: deviations of frames from an even frame period, float64 (N,).
    """
    step_ns = _spectral_step(read_ns, mean_ns) or _heaped_step(period_ns, mean_ns)
    hides_ns = 0.0
    if step_ns:
        parts = (part for part in range(1, _PARTS + 1) if _agreement(error_ns, step_ns / part) > _VISITED)
        hides_ns = step_ns / next(parts, math.inf)
    may_hide_ns = hides_ns
    in_step = (ns for ns in _NOMINAL_NS if abs(mean_ns - round(mean_ns / ns) * ns) < _TUNED * mean_ns)
    nominal_ns = next(in_step, 0.0)
    # The computer's clock may drift against the grid's, so that only neighbours agree.
    if nominal_ns > step_ns and _agreement(error_ns - around(error_ns), nominal_ns) > _LOCKED:
        may_hide_ns = max(hides_ns, nominal_ns / 4)
    return ReadGrid(step_ns, hides_ns, may_hide_ns)


def _agreement(error_ns: F64, step_ns: float) -> float:
    """How well deviations agree on one phase of a step, 0-1."""
    return float(np.abs(np.mean(np.exp(2j * np.pi / step_ns * error_ns))))


def _heaped_step(period_ns: F64, mean_ns: float) -> float:
    """The longest fraction of the mean period at multiples of which the periods cluster, 0 for none."""
    away_ns = np.abs(period_ns - np.median(period_ns))
    first, few = max(1, int(mean_ns / _STEP_MAX_NS)), max(_OTHERS_MOST, _OTHERS * period_ns.size)
    for part in range(first, int(mean_ns / _STEP_MIN_NS) + 1):
        step_ns = mean_ns / part
        others = away_ns[away_ns > step_ns / 2]  # a grid makes more than one cluster
        if others.size > few and np.cos(2 * np.pi / step_ns * others).mean() > _HEAPS:
            return step_ns
    return 0.0


def _spectral_step(read_ns: I64, mean_ns: float) -> float:
    """The longest step with a spectral line that is not a multiple of the frame rate, 0 for none."""
    if read_ns.size < 64:
        return 0.0
    count = min(_WINDOWS, max(1, read_ns.size // _READS))
    starts = np.linspace(0, max(0, read_ns.size - _READS), count).astype(np.int64)
    windows = [(read_ns[start : start + _READS] - read_ns[start]).astype(np.float64) for start in starts.tolist()]
    windows = [t[t < _BIN_NS * _SIZE] for t in windows]
    span = max(float(t[-1]) for t in windows)
    # Without a line in a short transform, the long one would show none.
    if _spectrum(windows, 1 << int(2 * span / _BIN_NS).bit_length(), mean_ns)[1].max() < _NEARLY_SEEN:
        return 0.0
    frequency, amplitude = _spectrum(windows, _SIZE, mean_ns)
    middle = amplitude[1:-1]
    tops = np.flatnonzero((middle > amplitude[:-2]) & (middle >= amplitude[2:]) & (middle > _SEEN - 0.1)) + 1
    if not tops.size:
        return 0.0
    left, top, right = amplitude[tops - 1], amplitude[tops], amplitude[tops + 1]
    is_whole = (left > 0) & (right > 0)  # else a multiple of the frame rate cuts it
    rates = frequency[tops] + frequency[1] * is_whole * (left - right) / (2 * (left - 2 * top + right))
    # The bins raise a line or lower it by where in a bin its times are, so its height is taken from the times.
    height = np.mean([np.abs(np.exp(2j * np.pi * rates[:, None] * t).mean(1)) for t in windows], axis=0)
    highest = int(height.argmax())
    if height[highest] < _SEEN:
        return 0.0
    # Harmonics are as high if reads keep to the grid exactly.
    parts = np.rint(rates[highest] / rates)
    is_part = np.abs(rates * parts - rates[highest]) < parts * _NEAR * frequency[1]
    longest = int(np.flatnonzero(is_part & (height > height[highest] - _AS_HIGH))[0])
    return float(1 / rates[longest])


def _spectrum(windows: list[F64], size: int, mean_ns: float) -> tuple[F64, F64]:
    """Frequencies in 1/ns and mean amplitudes, 0 at multiples of the frame rate, (size // 2 + 1,) each."""
    amplitude = np.zeros(size // 2 + 1)
    for t in windows:
        amplitude += np.abs(np.fft.rfft(np.bincount((t / _BIN_NS).astype(np.int64), minlength=size))) / t.size
    frequency = np.arange(amplitude.size) / (size * _BIN_NS)
    amplitude /= len(windows) * np.sinc(frequency * _BIN_NS)
    width = max(0.8e-9, 2 / (mean_ns * max(t.size for t in windows)))  # width of a line in so short a time
    on_beat = np.abs(frequency - np.rint(frequency * mean_ns) / mean_ns) < width
    amplitude[on_beat | (frequency < 1 / _STEP_MAX_NS) | (frequency > 1 / _STEP_MIN_NS)] = 0
    return frequency, amplitude
