"""Made-up readings of a logger in the Heron, of the flight of heron-flight.pcapng: the same each time.

A contact on the way from the supply to the receiver has 150 mohm. At 66 s the gear jams while the pilot flares: the
voltage at the receiver falls below its minimum, and the receiver restarts.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import heron
import numpy as np

from busbench.model import F64
from busbench.rig.harness import Solver, build_network, sinks_of
from busbench.rig.model import Rig
from busbench.rig.servo import ServoMotion

STEP_S, READING_STEPS = 0.02, 5
CONTACT_OHM, OPEN_V = 0.15, 7.5
JAM_S = (65.9, 66.2)
JAMMED = ("gear", "left aileron", "right aileron", "left elevator", "right elevator")
NOISE_V, NOISE_A = 0.01, 0.005
VOLTS = ("supply", "receiver", "left wing", "right wing", "tail")
AMPS = ("supply", "left wing", "right wing", "tail")


def drawn_a(rig: Rig, t_s: F64) -> F64:
    """What each device draws in the flight, float64 (N, devices)."""
    levels = heron.FlightPilot(seed=12, dither=0.0).levels(t_s)
    motion = ServoMotion(rig.driven, scale=rig.scale)
    motion.settle(levels[0, :16])
    drawn = np.tile([device.current_a.idle or 0.0 for device in rig.devices], (t_s.size, 1))
    driven = [at for at, device in enumerate(rig.devices) if device.kind != "sensor"]
    for row, counts in enumerate(levels[:, :16]):
        motion.step(STEP_S, counts)
        drawn[row, driven] = motion.current_a()
    jam = (t_s >= JAM_S[0]) & (t_s < JAM_S[1])
    for at, device in enumerate(rig.devices):
        if device.name in JAMMED:
            drawn[jam, at] = device.current_a.stall or 0.0
    return drawn


def power_csv(rig: Rig, *, duration_s: float = 80.0) -> str:
    """The readings, ten per second."""
    t_s = np.arange(round(duration_s / STEP_S), dtype=np.float64) * STEP_S
    network = build_network(rig)
    branches = [
        replace(branch, ohm=branch.ohm + CONTACT_OHM * (branch.end == "receiver")) for branch in network.branches
    ]
    faulty = replace(network, voltage_v=OPEN_V, branches=tuple(branches))
    rows = slice(0, None, READING_STEPS)
    solved = Solver(faulty).solve(sinks_of(rig, network, drawn_a(rig, t_s)[rows]))
    random = np.random.default_rng(19)
    columns = [t_s[rows]]
    columns += [solved.volts[:, network.nodes.index(name)] for name in VOLTS]
    columns += [solved.through_a[:, network.nodes.index(name)] for name in AMPS]
    noise = [0.0, *[NOISE_V] * len(VOLTS), *[NOISE_A] * len(AMPS)]
    noisy = [column + random.normal(0, 1, column.size) * one for column, one in zip(columns, noise, strict=True)]
    head = ",".join(["time_s", *(f"{name} V" for name in VOLTS), *(f"{name} A" for name in AMPS)])
    form = ["%.1f", *["%.3f"] * len(VOLTS), *["%.3f"] * len(AMPS)]
    lines = (",".join(one % value for one, value in zip(form, row, strict=True)) for row in zip(*noisy, strict=True))
    return "\n".join([head, *lines]) + "\n"


def write_power(path: Path, rig: Rig) -> None:
    """Write the readings to a file."""
    path.write_text(power_csv(rig), encoding="utf-8", newline="\n")
