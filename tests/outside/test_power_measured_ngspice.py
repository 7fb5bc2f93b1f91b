"""The contact that explains measured voltages, of harnesses solved by ngspice, a general-purpose circuit simulator."""

from __future__ import annotations

import shutil
import subprocess
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from busbench.analysis.lead_fit import explain_measurement
from busbench.model import F64
from busbench.rig.harness import Network, build_network, sinks_of
from busbench.rig.load import read_rig
from busbench.rig.measurement import Measurement

NGSPICE = shutil.which("ngspice")
pytestmark = pytest.mark.skipif(NGSPICE is None, reason="outside tool missing: ngspice")
HERON = read_rig(Path(__file__).parents[2] / "captures" / "heron.toml")
CONTACT_OHM, NOISE_V, OPEN_V = 0.03, 0.010, 7.62
STATES, READINGS = 12, 16  # loads, and readings of each


def solve(network: Network, sinks: F64, folder: Path) -> F64:
    """Node voltages of load states, one run for all, float64 (states, nodes)."""
    number = {"": "src", **{name: f"n{index}" for index, name in enumerate(network.nodes)}}
    lines = ["harness", f"V1 src 0 {network.voltage_v!r}"]
    lines += [f"R{i} {number[b.start]} {number[b.end]} {b.ohm!r}" for i, b in enumerate(network.branches)]
    drawing = np.flatnonzero(sinks.any(axis=0)).tolist()
    lines += [f"I{i} n{i} 0 0" for i in drawing]
    lines += [".options reltol=1e-9 abstol=1e-15 vntol=1e-12", ".control", "set numdgt=12"]
    for row in sinks:
        lines += [f"alter I{i} = {float(row[i])!r}" for i in drawing] + ["op"]
        lines += [f"print v(n{index})" for index in range(len(network.nodes))]
    deck = folder / "harness.cir"
    deck.write_text("\n".join([*lines, ".endc", ".end"]) + "\n")
    done = subprocess.run([str(NGSPICE), "-b", str(deck)], capture_output=True, text=True, timeout=60, check=False)
    values = [float(line.split("=")[1]) for line in done.stdout.splitlines() if line.startswith("v(n")]
    return np.array(values).reshape(len(sinks), len(network.nodes))


def test_a_contact_of_30_milliohms_is_named_in_95_of_100(tmp_path: Path) -> None:
    # 100 measurements with noise of their own make this test longer than most.
    network = build_network(HERON)
    random = np.random.default_rng(7)
    draws = [device.current_a for device in HERON.devices]
    idle = np.array([draw.idle or 0.0 for draw in draws])
    moving = np.array([draw.moving or draw.idle or 0.0 for draw in draws])
    stall = np.array([draw.stall or draw.idle or 0.0 for draw in draws])
    duty = random.integers(0, 3, (STATES, len(draws)))
    drawn = np.choose(duty, (idle, moving, stall))
    order = random.permutation(np.repeat(np.arange(STATES), READINGS))
    # Leads that carry an ampere at times: what draws 20 mA shows no contact.
    places = [at for at, one in enumerate(network.branches) if one.end not in ("supply", "sustainer", "pack voltage")]
    solved = {}
    for at in places:
        branches = list(network.branches)
        branches[at] = replace(branches[at], ohm=branches[at].ohm + CONTACT_OHM)
        faulty = replace(network, voltage_v=OPEN_V, branches=tuple(branches))
        solved[at] = solve(faulty, sinks_of(HERON, network, drawn), tmp_path)
    named = held = 0
    for trial in range(100):
        at = places[trial % len(places)]
        volts = solved[at][order] + random.normal(0, NOISE_V, (order.size, len(network.nodes)))
        measured = Measurement(
            {name: volts[:, node].round(3) for node, name in enumerate(network.nodes)},
            {device.name: drawn[order, which].round(3) for which, device in enumerate(HERON.devices)},
            None, False, (), 0.001, (),
        )  # fmt: skip
        fit = explain_measurement(HERON, measured)
        if [one.name for one in fit.leads] == [network.branches[at].name] and not fit.alternatives:
            (lead,) = fit.leads
            named += abs(lead.extra_ohm - CONTACT_OHM) <= 0.2 * CONTACT_OHM
            held += lead.low_ohm <= CONTACT_OHM <= lead.high_ohm
    assert named >= 95
    assert held >= 90  # the interval of 95 % holds the contact
