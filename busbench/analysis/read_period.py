"""The frame period after reads: the one that explains their times best for the losses it needs.

A grid on which an adapter's reads return fits the times as well as the period does,
but leaves most of its places empty, and each empty place costs. To fit better than a
computer is late proves nothing.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from busbench.analysis.slot_numbers import number
from busbench.analysis.stats import block_steps
from busbench.model import F64, I64, Bools

FRAME_NS = 3_000_000  # two frames of one line end at least so far apart
PERIOD_MAX_NS = 100e6
_SILENCE_NS = 500_000_000  # after such a silence the phase may have changed
_RUN, _RUN_ENOUGH = 40, 256  # a run without a silence is taken if it has a quarter of all frames, within these limits
_WINDOW = 1024  # frames on which periods are tried, at the start, in the middle and at the end
_FIT = 0.08  # of the period
_CUT_FIT_NS = 1e5  # where reads cut the frames
_PLACE = 3.0  # what losses cost, in units of the entropy of full and empty places
_PLACES_SEEN = 0.95  # min share of the places by time that are counted; a drift of the phase may hide others
_SKIPPED_MOST = 8  # a long silence costs no more than so many places
_BIN_NS = 400_000.0
_BINS_MOST = 1 << 16
_GROUPS = 256  # of frames whose phases are summed before they are turned
_LINE = 0.05  # amplitude of a line of the spectrum that is looked at
_FEW = 8
_SAME, _CLEARLY = 2e-3, 0.55  # periods apart by less are one; cost per frame by which another one is worse


class PeriodChoice(NamedTuple):
    """The period in ns, and False if another one explains the times of cut frames nearly as well."""

    period_ns: float
    is_alone: bool


def choose_period(latest_ns: I64, cut: Bools, *, by_cut: bool) -> PeriodChoice | None:
    """Choose the period, None if none of 3 to 100 ms fits.

    Args:
        latest_ns: latest ends of the frames, int64 (N,).
        cut: frames that a read cut, bool (N,).
        by_cut: True tries the periods on those alone.
    """
    windows = [_Window.of(latest_ns[rows], cut[rows], by_cut=by_cut) for rows in _windows(latest_ns)]
    slack = _CLEARLY * sum(one.t_ns.size for one in windows) if by_cut else 0.0
    found = _costs(windows, [one.mean_ns for one in windows if one.holds(one.mean_ns)], slack)
    # If the frames lie evenly on their mean period, no other period can cost less.
    if not any(one.is_even for one in found):
        found += _costs(windows, [ns for one in windows for ns in _lines_of(one)], slack, found)
    if not found:
        return None
    best = min(found)
    others = [one.cost for one in found if abs(one.period_ns / best.period_ns - 1) > _SAME]
    return PeriodChoice(best.period_ns, not by_cut or min(others, default=math.inf) - best.cost > slack)


def after_silences(t_ns: I64) -> list[int]:
    """Indices of the frames after a long silence, by times that rise, int64 (N,)."""
    return [at + 1 + i for at, apart in block_steps(t_ns) for i in np.flatnonzero(apart > _SILENCE_NS).tolist()]


def _windows(latest_ns: I64) -> list[slice]:
    """Windows in the longest run of frames without a silence, whose frames a rough period would miscount."""
    begin, end = max(pairwise([0, *after_silences(latest_ns), latest_ns.size]), key=lambda run: run[1] - run[0])
    if end - begin < min(max(latest_ns.size // 4, _RUN), _RUN_ENOUGH):
        begin, end = 0, latest_ns.size
    if end - begin <= 2 * _WINDOW:
        return [slice(begin, end)]
    return [slice(at, at + _WINDOW) for at in (begin, (begin + end - _WINDOW) // 2, end - _WINDOW)]


class _Cost(NamedTuple):
    """The cost of a period: misfit and empty places."""

    cost: float
    period_ns: float  # the period that fits best near it
    is_even: bool  # True if no other period can cost less


@dataclass(frozen=True, slots=True, eq=False)
class _Window:
    """Frames on which periods are tried."""

    t_ns: F64  # their times from the first on, float64 (N,)
    cut: I64  # indices of those that a read cut
    rows: F64  # rows, row_t_ns: indices of those that are numbered, and their times, float64 (M,)
    row_t_ns: F64
    by_cut: bool  # True if those are the cut ones

    @staticmethod
    def of(latest_ns: I64, is_cut: Bools, *, by_cut: bool) -> _Window:
        """A window of frames; by_cut numbers only those that a read cut, if there are enough."""
        t_ns = (latest_ns - latest_ns[0]).astype(np.float64)
        cut = np.flatnonzero(is_cut)
        by_cut = by_cut and cut.size >= _FEW
        rows = cut if by_cut else np.arange(t_ns.size)
        return _Window(t_ns, cut, rows.astype(np.float64), t_ns[rows], by_cut)

    @property
    def mean_ns(self) -> float:
        """The mean step, 0 without any."""
        return float(self.t_ns[-1]) / max(1, self.t_ns.size - 1)

    def holds(self, period_ns: float) -> bool:
        """True if it may be the period; none is shorter than FRAME_NS, since the ends are so far apart."""
        return period_ns <= min(1.05 * self.mean_ns, PERIOD_MAX_NS)

    def cost_of(self, period_ns: float) -> _Cost:
        """Number the frames on a period."""
        found = number(self.row_t_ns, self.rows, period_ns)
        misfit, least = float(np.mean(np.abs(found.off_ns()))) / found.period_ns, self._least(found.period_ns)
        steps = np.diff(self.rows)
        frames, places = float(steps.sum()) + 1, 1 + float(np.minimum(np.diff(found.slot), _SKIPPED_MOST * steps).sum())
        cost = self.t_ns.size * math.log(max(misfit, least)) + _cost_of_places(frames, places)
        return _Cost(cost, found.period_ns, misfit <= least and places == frames)

    def least_cost(self, period_ns: float) -> float:
        """A lower bound of the cost, from the time between the frames."""
        steps = np.diff(self.rows)
        slots = np.minimum(np.diff(self.row_t_ns) / period_ns, _SKIPPED_MOST * steps)
        frames = float(steps.sum()) + 1
        places = max(frames, _PLACES_SEEN * float(slots.sum()))
        return self.t_ns.size * math.log(self._least(period_ns)) + _cost_of_places(frames, places)

    def _least(self, period_ns: float) -> float:
        """The misfit that is not exceeded by a good fit, in periods."""
        return _CUT_FIT_NS / period_ns if self.by_cut else _FIT


def _cost_of_places(frames: float, places: float) -> float:
    full = min(max(frames / places, 1e-9), 1 - 1e-9)
    entropy = -full * math.log(full) - (1 - full) * math.log(1 - full)
    return _PLACE * places * entropy


def _costs(windows: list[_Window], periods_ns: list[float], slack: float, known: Sequence[_Cost] = ()) -> list[_Cost]:
    """Costs of the periods that may cost less than the best plus the slack; the others are passed over."""
    ordered = sorted(set(periods_ns))
    apart = [ns for i, ns in enumerate(ordered) if not i or ns >= ordered[i - 1] * 1.0001]
    best, found = min((one.cost for one in known), default=math.inf), []
    for least, period_ns in sorted((sum(one.least_cost(ns) for one in windows), ns) for ns in apart):
        if least > best + slack:
            break
        each = [one.cost_of(period_ns) for one in windows]
        total, fitted_ns = sum(one.cost for one in each), sorted(one.period_ns for one in each)
        found.append(_Cost(total, fitted_ns[len(each) // 2], all(one.is_even for one in each)))  # one window, or three
        best = min(best, total)
    return found


def _lines_of(window: _Window) -> list[float]:
    """Candidate periods from the lines of the spectrum, ns."""
    t_ns, cut = window.t_ns, window.cut
    steps = np.diff(t_ns)
    steps = steps[steps > 0]
    if not steps.size:
        return []
    found: list[float] = []
    if t_ns.size >= _FEW:
        usual = [(1 / float(step_ns), 0.02) for step_ns in np.quantile(steps, [0.3, 0.5])]
        found += _lines(t_ns, most=10, near=[*usual, (1 / window.mean_ns, 0.05)])
    if cut.size >= _FEW:
        per_frame = np.quantile(np.diff(t_ns[cut]) / np.diff(cut), [0.1, 0.5])
        found += _lines(t_ns[cut], most=6, near=[(1 / float(step_ns), 0.005) for step_ns in per_frame if step_ns > 0])
    return [1 / one for one in found if one > 0 and window.holds(1 / one)]


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
    return _sharpened(t_ns, frequency[list(dict.fromkeys(taken))], float(frequency[1]))


def _sharpened(t_ns: F64, frequency: F64, width: float) -> list[float]:
    """For each frequency (F,), the one within +-width at which the times agree best on a phase.

    Within that width the phases of a few neighbours turn by nearly the same, so they are summed first.
    """
    each = -(-t_ns.size // _GROUPS)
    first = np.arange(0, t_ns.size, each)
    turned, middle_ns = _turn(frequency, t_ns), t_ns[(first + each // 2).clip(0, t_ns.size - 1)]
    turned = np.add.reduceat(turned, first, axis=1) if each > 1 else turned
    off = np.zeros(frequency.size)
    for _ in range(3):
        steps = width * np.linspace(-1, 1, 9)
        tried, step = turned * _turn(off + steps[0], middle_ns), _turn(steps[1:2] - steps[0], middle_ns)
        agreement = np.empty((steps.size, off.size))
        for i in range(steps.size):
            agreement[i] = np.abs(tried.sum(1))
            tried *= step
        off, width = off + steps[agreement.argmax(0)], width / 4
    sharp: list[float] = (frequency + off).tolist()
    return sharp


def _turn(frequency: F64, t_ns: F64) -> NDArray[np.complex128]:
    """Phases of times on frequencies, complex128 (F, N)."""
    turned: NDArray[np.complex128] = np.exp(2j * np.pi * frequency[:, None] * t_ns)
    return turned
