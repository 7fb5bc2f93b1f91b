"""Latency of two recordings, output by output: from the end of a frame to the pulse that first shows it.

An output that runs freely drifts against the bus: its mean latency is that of whole turns. Latencies near one another
depend on one another, so the errors are those between parts of a recording, as for the period.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from busbench.analysis.change import Figure, Sample, change_of, parts, sample_of
from busbench.analysis.pulses import PulseLine, Pulses

LATENCY_MATTERS_S = 0.001
_PART = 4  # latencies in a part at least
_DRIFT = 3.0  # the means of parts vary so many times as much as the latencies in them explain
_TURN = 0.8  # of an output's period: an output that drifted so far went through all latencies


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
    some = [late_s[part] for part in parts(late_s.size, least=_PART)]
    found = sample_of(np.array([part.mean() for part in some]))
    if found is None:
        return alone
    explained_s = np.sqrt(np.mean([part.var(ddof=1) / part.size for part in some]) / len(some))
    has_drifted = found.error > _DRIFT * explained_s and found.error * len(some) > LATENCY_MATTERS_S / 10
    if has_drifted and np.ptp(late_s) < _TURN * line.period_s.mean:
        return alone
    return replace(found, mean=alone.mean)
