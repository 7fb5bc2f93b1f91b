"""Bounds of a receiver's period jitter, given what adapter and computer add.

Lateness widens the measured periods, so their rms is an upper bound, if
lateness does not cancel jitter; what a grid of reads can hide is added. There
is a lower bound only with evidence of the lateness: two reads that cut one frame, whose times
must agree, or the recorder's own log of how late its process woke.

Source: derivation above; the margins are from simulated adapters (tools/study_timing.py).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np

from busbench.analysis.frame_ends import I32, Errors, FrameEnds
from busbench.analysis.host_lateness import HostLateness
from busbench.analysis.period import FrameNumbers, is_cut
from busbench.analysis.read_grid import ReadGrid, find_grid
from busbench.analysis.read_slots import MIXED, latest_ends
from busbench.analysis.stats import Spread, dot, spread
from busbench.model import F64, Bools, FrameTimes
from busbench.wire.arrival_times import CUT_NS

Kind = Literal["figure", "at most", "unknown"]

_CHARACTER_NS = 120_000.0
_FEW = 8  # min frames and periods for any claim
_PAIRS_MIN, _PAIRS_SHARE, _PAIRS_MOST = 30, 0.05, 0.5
_SAMPLES = 4096
_SEEN = 2.0  # rms / sqrt(periods): how far random lateness can lower the rms
_CUT_SEEN = 3.0  # if only some periods are used
_SPARSE, _WIDE_NS = 0.9, 300_000.0  # few cut frames are those near a read: only half of a wide jitter shows
_BLOCKS_MOST = 0.05  # of the cut frames: if more are held back, they show nothing of lateness
_LATE_MARGIN = 2.4  # twice the variance of a timestamp, which is itself an estimate
_UNSEEN_NS = 100_000.0  # lateness of a read that can never be excluded, rms
_HALF = 0.5  # of the period: a wider range bounds nothing
_USEFUL_NS, _USEFUL = 300_000.0, 0.35  # a range this narrow counts as a figure
ADVICE = "record with a logic analyser, or with an adapter whose latency timer is short"


@dataclass(frozen=True, slots=True)
class JitterRange:
    """The period jitter, in ns."""

    kind: Kind  # "figure", "at most", or "unknown"
    rms: float  # rms, low, high: the measured rms, and the bounds of the receiver's own
    low: float
    high: float
    # what it was measured on: each byte's time, whole frames, frames that a read cut, or such frames where the adapter
    # hands over blocks, so that nothing bounds their ends from below
    way: Literal["bytes", "whole", "cut", "blocks"]
    grid: ReadGrid
    host: HostLateness | None = None  # the computer's lateness, if it was used


def range_by_bytes(rms_ns: float, resolution_ns: float) -> JitterRange:
    """For a clock per byte: a steady period reads as two neighbouring steps, at most half a step rms."""
    floor = resolution_ns / 2
    return JitterRange("figure", rms_ns, max(0.0, rms_ns - floor), rms_ns + floor, "bytes", ReadGrid())


def range_by_reads(
    times: FrameTimes, numbers: FrameNumbers, host: HostLateness | None
) -> tuple[FrameEnds, JitterRange | None]:
    """With a clock a read and clear numbers: the frames that show most, and the range; None if they show nothing."""
    latest_ns, cut, reads = latest_ends(times.t_ns), is_cut(times), numbers.reads
    whole = FrameEnds(latest_ns, None, numbers.missing)
    periods = whole.periods()
    if periods.size < _FEW or reads is None:
        return whole, None
    p = spread(periods)
    grid = _grid(times, cut, whole, periods, numbers.period_ns)
    bound = p.rms * (1 + _SEEN / math.sqrt(p.count)) + grid.may_hide_ns
    rows = np.flatnonzero(cut)
    pairs = FrameEnds(latest_ns, rows, numbers.missing.among(rows)) if rows.size >= _PAIRS_MIN else None
    has_evidence = bool(np.count_nonzero(times.slack_ns == CUT_NS) <= _BLOCKS_MOST * rows.size)
    way: Literal["cut", "blocks"] = "cut" if has_evidence else "blocks"
    if pairs is not None and (found := _by_cut(pairs, times, way, bound=bound, share_of=p.count)) is not None:
        return pairs, _judged(found, numbers.period_ns, has_evidence=has_evidence)
    if pairs is not None and reads.by_cut and reads.cut_is_mixed:
        # Too few neighbours: the difference of two ends spreads at most twice as much as one.
        high = 2 * reads.cut_sd_ns * (1 + _CUT_SEEN / math.sqrt(rows.size)) + _CHARACTER_NS / 2
        high *= 2 if reads.cut_sd_ns > _WIDE_NS else 1
        if high < bound:
            found = JitterRange("figure", math.sqrt(2) * reads.cut_sd_ns, 0.0, high, way, ReadGrid())
            ends = pairs if pairs.periods().size >= _FEW else whole
            return ends, _judged(found, numbers.period_ns, has_evidence=has_evidence)
    low = 0.0 if host is None else _below(p, periods, host, grid)
    found = JitterRange("at most", p.rms, min(low, p.rms), bound, "whole", grid, host)
    return whole, _judged(found, numbers.period_ns, has_evidence=host is not None)


def _judged(found: JitterRange, period_ns: float, *, has_evidence: bool) -> JitterRange | None:
    if found.high > _HALF * period_ns:
        return None
    is_narrow = found.high - found.low <= max(_USEFUL_NS, _USEFUL * found.rms)
    kind: Kind = "figure" if has_evidence and is_narrow else "at most"
    return JitterRange(kind, found.rms, found.low, found.high, found.way, found.grid, found.host)


def _grid(times: FrameTimes, cut: Bools, whole: FrameEnds, periods: I32, mean_ns: float) -> ReadGrid:
    is_last = np.append(np.diff(times.t_ns) > 0, True)
    error: Errors = whole.line_error()
    some = error[:: -(-error.size // _SAMPLES)].astype(np.float64)
    return find_grid(
        times.t_ns[is_last & ~cut], periods[:: -(-periods.size // _SAMPLES)].astype(np.float64), some, mean_ns=mean_ns
    )


def _by_cut(
    pairs: FrameEnds, times: FrameTimes, way: Literal["cut", "blocks"], *, bound: float, share_of: int
) -> JitterRange | None:
    """From neighbours that were both cut, if they give better bounds than whole frames."""
    periods = pairs.periods()
    if periods.size < _PAIRS_MIN or not _is_mixed(pairs):
        return None
    p = spread(periods)
    high = p.rms * max(1 + _CUT_SEEN / math.sqrt(p.count), math.sqrt(1 + _error_of_variance(p, periods)))
    high += _CHARACTER_NS / 2
    if pairs.size < _SPARSE * len(times) and p.rms > _WIDE_NS:
        high *= 2
    assert pairs.rows is not None
    slack = times.slack_ns[pairs.rows].astype(np.float64)
    apart = _CHARACTER_NS - slack[slack != _CHARACTER_NS]  # by two reads or more whose times differ by this much
    late, is_twice = dot(apart, apart) / (2 * max(apart.size, 1)), apart.size >= max(_PAIRS_MIN, 0.5 * slack.size)
    high = math.hypot(high, math.sqrt(2 * late))  # lateness that follows the jitter can make it look smaller
    if periods.size <= _PAIRS_MOST * share_of and (high >= bound or periods.size <= _PAIRS_SHARE * share_of):
        return None
    low = 0.0
    if way == "cut" and is_twice:
        low = p.rms**2 * (1 - _CUT_SEEN / math.sqrt(p.count)) - _CHARACTER_NS**2 / 4
        low = math.sqrt(max(0.0, low - _LATE_MARGIN * late))
    return JitterRange("figure", p.rms, min(low, p.rms), high, way, ReadGrid())


def _is_mixed(pairs: FrameEnds) -> bool:
    """True if periods from even to odd and from odd to even frames both occur; else they may be alike."""
    extra = np.zeros(pairs.size, np.int64)
    extra[pairs.missing.row] = pairs.missing.count
    number = np.arange(pairs.size) + np.cumsum(extra)
    first = np.delete(number[:-1], pairs.missing.row - 1)
    return MIXED < float((first % 2).mean()) < 1 - MIXED


def _below(p: Spread, periods: I32, host: HostLateness, grid: ReadGrid) -> float:
    """The rms minus all that the computer and a detected grid can have added."""
    if not math.isfinite(host.variance_ns2):
        return 0.0
    left = p.rms**2 * (1 - _error_of_variance(p, periods)) - _LATE_MARGIN * host.variance_ns2
    return math.sqrt(max(0.0, left - _UNSEEN_NS**2 - grid.step_ns**2 / 4))


def _error_of_variance(p: Spread, periods: I32) -> float:
    """The relative random error of a variance, at three times its standard error."""
    some: F64 = periods[:: -(-periods.size // (1 << 16))].astype(np.float64) - p.mean
    some *= some
    kurtosis = max(3.0, dot(some, some) / some.size / max(p.rms, 1.0) ** 4)
    return 3 * math.sqrt((kurtosis - 1) / p.count)


def explain_jitter(found: JitterRange | None) -> str:
    """What is known about the period jitter and why, in one line."""
    if found is None:
        return f"too few periods, or too late reads, to say anything of jitter; {ADVICE}"
    match found.way:
        case "bytes":
            return "each byte has its own time"
        case "cut":
            why = "reads cut frames, so that their ends are known to a character"
        case "blocks":
            why = "the adapter hands over blocks, so that bytes held back look late"
        case _ if found.grid.hides_ns:
            step_ms, hides_ms = found.grid.step_ns / 1e6, found.grid.hides_ns / 1e6
            why = f"reads come every {step_ms:.3g} ms and can hide jitter up to {hides_ms:.2g} ms"
        case _ if found.grid.step_ns:
            why = f"reads come every {found.grid.step_ns / 1e6:.3g} ms, which adds to the jitter"
        case _ if found.host is None:
            why = "each read held a whole frame, so the computer's share is unknown"
        case _:
            most_ns = found.host.most_ns
            why = f"the computer woke {'at most' if math.isfinite(most_ns) else 'over'}"
            why += f" {most_ns / 1e6 if math.isfinite(most_ns) else 50:g} ms late while recording"
    if found.way == "whole" and found.grid.may_hide_ns > found.grid.hides_ns:
        why += f"; reads in step with the period may hide {found.grid.may_hide_ns / 1e6:.2g} ms"
    return f"{describe_range(found.kind, found.rms / 1e9, found.low / 1e9, found.high / 1e9)}: {why}"


def describe_range(kind: str, rms_s: float, low_s: float, high_s: float) -> str:
    """The range alone: `kind` is "figure" or "at most"; what was seen, and the bounds."""
    if kind == "at most":
        return f"period jitter is at most {_ms(high_s)} ms rms"
    return f"period jitter {_ms(rms_s)} ms rms, true value within {_ms(max(high_s - rms_s, rms_s - low_s))} ms"


def _ms(value_s: float) -> str:
    return f"{value_s * 1e3:.2g}" if value_s < 0.1e-3 else f"{value_s * 1e3:.2f}"
