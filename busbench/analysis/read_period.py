"""The frame period after reads: the one that explains their times best for the losses it needs.

A grid on which an adapter's reads return fits the times as well as the period does,
but leaves most of its places empty, and each empty place costs. To fit better than a
computer is late proves nothing.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from busbench.analysis.slot_numbers import number
from busbench.model import F64, I64, Bools

FRAME_NS = 3_000_000  # two frames of one line end at least so far apart
PERIOD_MAX_NS = 100e6
_WINDOW = 1024  # frames on which periods are tried, at the start, in the middle and at the end
_FIT = 0.08  # of the period
_CUT_FIT_NS = 1e5  # where reads cut the frames
_PLACE = 3.0  # what losses cost, in units of the entropy of full and empty places
_SKIPPED_MOST = 8  # a long silence costs no more than so many places
_BIN_NS = 400_000.0
_BINS_MOST = 1 << 16
_LINE = 0.05  # amplitude of a line of the spectrum that is looked at
_FEW = 8
_SAME, _CLEARLY = 2e-3, 0.55  # periods apart by less are one; cost per frame by which another one is worse


class PeriodChoice(NamedTuple):
    """The period in ns, and False where another one explains the times of cut frames nearly as well."""

    period_ns: float
    is_alone: bool


def choose_period(latest_ns: I64, cut: Bools, *, by_cut: bool) -> PeriodChoice | None:
    """Choose the period, None where none of 3 to 100 ms fits.

    Args:
        latest_ns: latest ends of the frames, int64 (N,).
        cut: frames that a read cut, bool (N,).
        by_cut: True tries the periods on those alone.
    """
    parts = []
    for window in _windows(latest_ns.size):
        t_ns = (latest_ns[window] - latest_ns[window.start]).astype(np.float64)
        parts.append((t_ns, np.arange(t_ns.size, dtype=np.float64), cut[window]))
    tried = sorted({period_ns for t_ns, _, is_cut in parts for period_ns in _candidates(t_ns, is_cut)})
    found: list[tuple[float, float]] = []
    for i, period_ns in enumerate(tried):
        if i and period_ns < tried[i - 1] * 1.0001:
            continue
        total, fitted = 0.0, []
        for t_ns, index, is_cut in parts:
            rows = is_cut if by_cut and np.count_nonzero(is_cut) >= _FEW else None
            cost, fit_ns = _cost(t_ns, index, rows, period_ns)
            total += cost
            fitted.append(fit_ns)
        found.append((total, float(np.median(fitted))))
    if not found:
        return None
    best, period_ns = min(found)
    frames = sum(t_ns.size for t_ns, _, _ in parts)
    others = [cost for cost, other_ns in found if abs(other_ns / period_ns - 1) > _SAME]
    return PeriodChoice(period_ns, not by_cut or min(others, default=math.inf) - best > _CLEARLY * frames)


def _windows(count: int) -> list[slice]:
    if count <= 2 * _WINDOW:
        return [slice(0, count)]
    return [slice(at, at + _WINDOW) for at in (0, (count - _WINDOW) // 2, count - _WINDOW)]


def _cost(t_ns: F64, index: F64, cut: Bools | None, period_ns: float) -> tuple[float, float]:
    """What a period costs on some frames: misfit and empty places; and the period that fits best near it, ns."""
    rows = slice(None) if cut is None else cut
    found = number(t_ns[rows], index[rows], period_ns)
    misfit = float(np.mean(np.abs(found.off_ns()))) / found.period_ns
    least = _FIT if cut is None else _CUT_FIT_NS / found.period_ns
    steps = np.diff(index[rows])
    places = float(np.minimum(np.diff(found.slot), _SKIPPED_MOST * steps).sum()) + 1
    full = min(max((float(steps.sum()) + 1) / places, 1e-9), 1 - 1e-9)
    entropy = -full * math.log(full) - (1 - full) * math.log(1 - full)
    return t_ns.size * math.log(max(misfit, least)) + _PLACE * places * entropy, found.period_ns


def _candidates(t_ns: F64, cut: Bools) -> list[float]:
    """Periods that may be it, ns: the mean step, and lines of the spectrum."""
    steps = np.diff(t_ns)
    steps = steps[steps > 0]
    if not steps.size:
        return []
    mean = (t_ns.size - 1) / float(t_ns[-1])
    found = [mean]
    if t_ns.size >= _FEW:
        usual = [(1 / float(step_ns), 0.02) for step_ns in np.quantile(steps, [0.3, 0.5])]
        found += _lines(t_ns, most=10, near=[*usual, (mean, 0.05)])
    if np.count_nonzero(cut) >= _FEW:
        rows = np.flatnonzero(cut)
        per_frame = np.quantile(np.diff(t_ns[rows]) / np.diff(rows), [0.1, 0.5])
        found += _lines(t_ns[rows], most=6, near=[(1 / float(step_ns), 0.005) for step_ns in per_frame if step_ns > 0])
    most_ns = min(1.05 / mean, PERIOD_MAX_NS)
    return [1 / one for one in found if one > 0 and 0.99 * FRAME_NS <= 1 / one <= most_ns]


def _lines(t_ns: F64, *, most: int, near: list[tuple[float, float]]) -> list[float]:
    """Frequencies in 1/ns of the strongest lines, and of the strongest near some (frequency, share of it)."""
    t_ns = t_ns - t_ns[0]
    span = min(float(t_ns[-1]), _BIN_NS * _BINS_MOST)
    t_ns = t_ns[t_ns <= span]
    size = 1 << max(10, int(2 * span / _BIN_NS).bit_length())
    count = np.bincount((t_ns / _BIN_NS).astype(np.int64), minlength=size)[:size].astype(np.float64)
    bins = int(span / _BIN_NS) + 1
    count[:bins] -= t_ns.size / bins
    amplitude = np.abs(np.fft.rfft(count)) / t_ns.size
    frequency = np.arange(amplitude.size) / (size * _BIN_NS)
    amplitude[(frequency < 1 / PERIOD_MAX_NS) | (frequency > 1 / FRAME_NS)] = 0
    tops = np.flatnonzero((amplitude[1:-1] > amplitude[:-2]) & (amplitude[1:-1] >= amplitude[2:])) + 1
    tops = tops[amplitude[tops] > _LINE]
    taken = tops[np.argsort(amplitude[tops])[::-1][:most]].tolist()
    for middle, share in near:
        some = np.flatnonzero(np.abs(frequency - middle) < share * middle)
        if some.size and amplitude[some].max() > 0:
            taken.append(int(some[int(amplitude[some].argmax())]))
    return [_sharpened(t_ns, float(frequency[top]), float(frequency[1])) for top in dict.fromkeys(taken)]


def _sharpened(t_ns: F64, frequency: float, width: float) -> float:
    """The frequency within +-width at which the times agree best on a phase."""
    for _ in range(3):
        tried = frequency + width * np.linspace(-1, 1, 9)
        turned, step = np.exp(2j * np.pi * tried[0] * t_ns), np.exp(2j * np.pi * (tried[1] - tried[0]) * t_ns)
        agreement = np.empty(tried.size)
        for i in range(tried.size):
            agreement[i] = abs(turned.sum())
            turned *= step
        frequency, width = float(tried[int(agreement.argmax())]), width / 4
    return frequency
