"""Comparisons of made recordings with every figure as literal text.

A changed weight, share of chance or limit shows. Where one was changed on purpose, `BUSBENCH_SNAPSHOTS=write` writes
comparisons.txt again; read it then.
"""

from __future__ import annotations

import os
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from study_comparison import State

from busbench.analysis.change import Figure
from busbench.analysis.comparison import compare
from busbench.analysis.comparison_text import bar_of, interval_of, sentences, to_list, unit_of, values_of
from busbench.analysis.pulses import Pulses
from tests.analysis.test_compared_latency import locked, outputs
from tests.analysis.test_lead_fit import PLAN

KEPT = Path(__file__).with_name("comparisons.txt")
BASE = State(seconds=30.0, bursts=60.0)
PAIRS: dict[str, tuple[State, State]] = {
    "alike": (BASE, BASE),
    "worse in all": (
        BASE,
        replace(BASE, period_s=0.00702, jitter_s=0.0006, bursts=150.0, burst_frames=9.0, high=1640.0, centre=1001.0,
                noise=2.5, failsafe_s=0.9, failsafe_counts=700),
    ),
    "few losses": (replace(BASE, bursts=4.0), replace(BASE, bursts=20.0, storms=True)),
}  # fmt: skip
PULSES: dict[str, tuple[Pulses, Pulses]] = {
    "alike": (outputs(rudder=locked(0.004), flap=None), outputs(rudder=locked(0.0041, seed=2), flap=None)),
    "worse in all": (outputs(rudder=locked(0.004), flap=locked(0.003)), outputs(rudder=locked(0.007), flap=None)),
}


def digits(value: float | None) -> str:
    return "-" if value is None else f"{value:.6g}"


def line(figure: Figure) -> str:
    values = (figure.old, figure.new, figure.floor, figure.low, figure.high, *figure.tolerance)
    bar = bar_of(figure)
    drawn = "" if bar is None else " ".join(digits(value) for value in (bar.low, bar.change, bar.high))
    said = f"{' '.join(values_of(figure))} {unit_of(figure)}, {interval_of(figure)}, {figure.verdict} {figure.doubt}"
    return f"{figure.name}: {' '.join(digits(value) for value in values)} {figure.unit}; {said}; {drawn}"


def compared(name: str) -> list[str]:
    old, new = (state.record(np.random.default_rng([3, number])) for number, state in enumerate(PAIRS[name]))
    found = compare(old, new, pulses=PULSES.get(name), rig=PLAN if name == "few losses" else None)
    still = {f"ch{channel}" for channel in range(6, 16)}  # as channels 5 and 16
    said = [f"listed: {', '.join(figure.name for figure in to_list(found))}", *sentences(found)]
    return [
        name,
        found.verdict,
        *said,
        *(line(figure).strip() for figure in found.figures if figure.subject not in still),
    ]


HELD = KEPT.read_text("utf-8").split("\n\n") if KEPT.exists() else []


@pytest.mark.parametrize("number", range(len(PAIRS)), ids=list(PAIRS))
def test_comparisons_of_made_recordings(number: int) -> None:
    if os.environ.get("BUSBENCH_SNAPSHOTS") == "write":
        if not number:
            KEPT.write_text("\n\n".join("\n".join(compared(name)) for name in PAIRS), "utf-8")
        return
    assert compared(list(PAIRS)[number]) == HELD[number].split("\n")
