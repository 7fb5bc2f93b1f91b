"""Sags of a measured voltage beside the outages of a recording of the same time."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from busbench.analysis.coincidence import Coincidence, find_coincidence, join_spans
from busbench.analysis.outages import Outage, Outages
from busbench.model import F64, I64
from busbench.rig.measurement import Measurement
from busbench.rig.model import RECEIVER


@dataclass(frozen=True, slots=True)
class Sag:
    """A time in which the voltage was below the minimum."""

    start_s: float  # start_s, end_s: from the first byte of the recording
    end_s: float
    min_v: float  # lowest voltage in it


@dataclass(frozen=True, slots=True)
class OutageVoltage:
    """An outage beside the voltage."""

    outage: Outage
    min_v: float | None  # lowest in it and in the two readings before it; None if none was taken
    has_sag: bool  # True if that is below the minimum


@dataclass(frozen=True, slots=True, eq=False)
class Sags:
    """Sags and outages of one time."""

    node: str  # where the voltage was measured: the receiver, else the node with the lowest voltage
    below_v: float  # what counts as a sag
    reading_s: float  # median time from reading to reading; shorter sags may be missing
    t_s: F64  # time of each reading from the first byte of the recording, float64 (N,)
    volts: F64  # float64 (N,)
    sags: tuple[Sag, ...]
    outages: tuple[OutageVoltage, ...]  # each outage of the recording that has a time
    coincidence: Coincidence  # how sags and outages lie to one another

    def beside(self, sag: Sag) -> list[Outage]:
        """Outages that began during a sag, or within two readings after it, or were going on when it began."""
        near_s = 2 * self.reading_s
        return [
            one.outage
            for one in self.outages
            if (one.outage.start_s or 0.0) <= sag.end_s + near_s and (one.outage.end_s or 0.0) >= sag.start_s
        ]

    def to_json(self) -> dict[str, object]:
        """Plain values with units in the keys."""
        return {
            "node": self.node,
            "below_v": self.below_v,
            "reading_s": self.reading_s,
            "events": [{"start_s": one.start_s, "end_s": one.end_s, "min_v": one.min_v} for one in self.sags],
            "outages": [
                {"kind": one.outage.kind, "start_s": one.outage.start_s, "end_s": one.outage.end_s, "min_v": one.min_v}
                for one in self.outages
            ],
            "coincidence": self.coincidence.to_json(),
        }


def find_sags(measured: Measurement, found: Outages, *, below_v: float, zero_s: float = 0.0) -> Sags:
    """Lay sags beside outages.

    Args:
        measured: with times.
        found: outages of the recording.
        below_v: what counts as a sag.
        zero_s: time of the recording's first byte, as the measurement counts.

    Raises:
        ValueError: there are fewer than two readings with a time.
    """
    lowest = min(measured.volts, key=lambda name: float(np.nanmin(measured.volts[name])))
    node = RECEIVER if RECEIVER in measured.volts else lowest
    known = ~np.isnan(measured.volts[node])
    if measured.t_s is None or known.sum() < 2:
        raise ValueError("fewer than two readings with a time")
    t_s, volts = measured.t_s[known] - zero_s, measured.volts[node][known]
    reading_s = float(np.median(np.diff(t_s)))
    ends_s = np.append(t_s[1:], t_s[-1] + reading_s)
    low = volts < below_v
    spans = join_spans(_in_ns(t_s[low], ends_s[low]), 0)
    sags = tuple(
        Sag(start / 1e9, end / 1e9, float(volts[(t_s * 1e9 >= start - 1) & (t_s * 1e9 < end)].min()))
        for start, end in spans.tolist()
    )
    timed = [one for one in found.events if one.start_s is not None and one.end_s is not None]
    outages = _in_ns(np.array([one.start_s or 0.0 for one in timed]), np.array([one.end_s or 0.0 for one in timed]))
    measured_ns = (round(float(t_s[0]) * 1e9), round(float(ends_s[-1]) * 1e9))
    coincidence = find_coincidence(
        [outages, spans],
        [(0, round((found.duration_s or 0.0) * 1e9)), measured_ns],
        period_ns=max(found.period_s or 0.0, reading_s) * 1e9,
    )
    lows = [_low(one, t_s, volts, 2 * reading_s) for one in timed]
    pairs = zip(timed, lows, strict=True)
    voltages = tuple(OutageVoltage(one, low, low is not None and low < below_v) for one, low in pairs)
    return Sags(node, below_v, reading_s, t_s, volts, sags, voltages, coincidence)


def _in_ns(start_s: F64, end_s: F64) -> I64:
    return np.column_stack([start_s * 1e9, end_s * 1e9]).round().astype(np.int64)


def _low(outage: Outage, t_s: F64, volts: F64, before_s: float) -> float | None:
    inside = volts[(t_s >= (outage.start_s or 0.0) - before_s) & (t_s <= (outage.end_s or 0.0))]
    return float(inside.min()) if inside.size else None
