"""Latencies of two recordings: what is found, what is not, and outputs that run freely."""

from __future__ import annotations

import numpy as np
import pytest

from busbench.analysis.change import Figure
from busbench.analysis.compared_timing import compare_latency
from busbench.analysis.latency import Latency
from busbench.analysis.pulses import PulseLine, Pulses, WidthStats
from busbench.model import F64

WIDTH, OUTPUT_S = WidthStats(1500.0, 1.0, 1000.0, 2000.0), 0.02


def outputs(**late_s: F64 | None) -> Pulses:
    period = WidthStats(OUTPUT_S, 0.0, OUTPUT_S, OUTPUT_S)
    lines = []
    for name, values in late_s.items():
        end_ns = np.arange(0 if values is None else values.size) * 14_000_000
        latency = None if values is None else Latency(end_ns, np.rint(values * 1e9).astype(np.int64))
        lines.append(PulseLine(name, 1000, WIDTH, period, False, None, latency, ""))
    return Pulses("bus", 1000, 1.0, tuple(lines), (), ())


def compared(old: F64 | None, new: F64 | None) -> list[Figure]:
    return compare_latency(outputs(rudder=old), outputs(rudder=new), chance=0.004)


def locked(late_s: float, *, seed: int = 1, count: int = 300) -> F64:
    """Latencies of an output that follows the bus, whose frames jitter by 0.1 ms."""
    made: F64 = np.asarray(late_s + np.random.default_rng(seed).normal(0, 1e-4, count), np.float64)
    return made


def free(phase_s: float, *, step_s: float, count: int = 300) -> F64:
    """Latencies of an output that drifts against the bus by a step for each frame."""
    made: F64 = np.asarray(0.001 + (phase_s + step_s * np.arange(count)) % OUTPUT_S, np.float64)
    return made


@pytest.mark.parametrize(("new_s", "verdict"), [(0.004, "same"), (0.0042, "same"), (0.006, "different")])
def test_an_output_that_follows_the_bus(new_s: float, verdict: str) -> None:
    (found,) = compared(locked(0.004), locked(new_s, seed=2))
    assert (found.name, found.verdict) == ("latency, rudder", verdict)
    assert found.floor == pytest.approx(0.03e-3, abs=0.02e-3)


@pytest.mark.parametrize("step_s", [0.0013, 0.006, 0.0141])
def test_an_output_that_runs_freely_is_the_same_at_any_phase(step_s: float) -> None:
    phases = np.random.default_rng(4).uniform(0, OUTPUT_S, (40, 2))
    said = [compared(*(free(phase, step_s=step_s) for phase in pair))[0].verdict for pair in phases.tolist()]
    assert "different" not in said
    assert (said.count("same") > 10) == (step_s == 0.0141)


def test_an_output_that_drifted_by_less_than_a_turn_has_no_floor() -> None:
    (found,) = compared(free(0.001, step_s=1e-5), free(0.012, step_s=1e-5))
    assert (found.verdict, found.doubt) == ("cannot tell", "no floor")
    assert found.old == pytest.approx(0.0035, abs=1e-4)


def test_few_latencies_have_no_floor_and_missing_ones_are_named() -> None:
    assert [one.doubt for one in compared(locked(0.004), locked(0.004, count=20))] == ["no floor"]
    assert [one.doubt for one in compared(locked(0.004), None)] == ["not in both"]
    assert compared(None, None) == []
    assert compare_latency(outputs(rudder=locked(0.004)), outputs(gear=locked(0.004)), chance=0.004) == []


@pytest.mark.parametrize(("share", "has_floor"), [(0.49, True), (0.51, False)])
def test_means_of_parts_that_vary_three_times_as_much_as_their_latencies_explain_drift(
    share: float, has_floor: bool
) -> None:
    """Twelve parts of four, each d above and below its mean: their means are known to d / 6."""
    d_s = 2e-4
    step_s = share * d_s * np.sqrt(12 / 13)  # of twelve even means, whose error is then that share of d
    values = 0.004 + np.repeat(np.arange(12) * step_s, 4) + np.tile([d_s, -d_s], 24)
    (found,) = compared(values, values)
    assert (found.floor is not None) is has_floor
