"""The supply tree against ngspice, a general-purpose circuit simulator."""

from __future__ import annotations

import shutil
import subprocess
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest

from busbench.model import F64
from busbench.rig.harness import Branch, Network, Solver, build_network, sinks_of
from busbench.rig.load import parse_rig, read_rig
from busbench.rig.power import power_cases, run_program
from busbench.rig.weakest import find_weakest

NGSPICE = shutil.which("ngspice")
needs_ngspice = pytest.mark.skipif(NGSPICE is None, reason="outside tool missing: ngspice")
HERON = Path(__file__).parents[2] / "captures" / "heron.toml"

# 7.4 V after 0.05 ohm, a trunk, two hubs, three sinks and one resistor.
TREE = Network(
    7.4,
    ("supply", "A", "B", "s1", "s2", "s3", "s4"),
    (
        Branch("inner", "", "supply", 0.05),
        Branch("trunk", "supply", "A", 0.0666),
        Branch("A to B", "A", "B", 0.0999),
        Branch("A to s1", "A", "s1", 0.1335),
        Branch("A to s2", "A", "s2", 0.1335),
        Branch("B to s3", "B", "s3", 0.2124),
        Branch("B to s4", "B", "s4", 0.2124),
    ),
)
SINKS = (0.0, 0.0, 0.0, 1.5, 0.8, 2.0, 0.0)
LOADS = {"s4": 6.0}


def spice(network: Network, sinks: Sequence[float] | F64, loads: dict[str, float], folder: Path) -> list[float]:
    """Node voltages and the source's current by ngspice's operating point."""
    number = {"": "src", **{name: f"n{index}" for index, name in enumerate(network.nodes)}}
    lines = ["supply tree", f"V1 src 0 {network.voltage_v!r}"]
    lines += [f"R{i} {number[b.start]} {number[b.end]} {b.ohm!r}" for i, b in enumerate(network.branches)]
    lines += [f"I{i} n{i} 0 {float(a)!r}" for i, a in enumerate(sinks) if a]
    lines += [f"RL{i} {number[name]} 0 {ohm!r}" for i, (name, ohm) in enumerate(loads.items())]
    lines += [".options reltol=1e-9 abstol=1e-15 vntol=1e-12", ".control", "set numdgt=12", "op"]
    lines += [f"print v(n{index})" for index in range(len(network.nodes))] + ["print i(v1)", ".endc", ".end"]
    deck = folder / "tree.cir"
    deck.write_text("\n".join(lines) + "\n")
    done = subprocess.run([str(NGSPICE), "-b", str(deck)], capture_output=True, text=True, timeout=60, check=False)
    values = [float(line.split("=")[1]) for line in done.stdout.splitlines() if line.startswith(("v(n", "i(v1)"))]
    assert len(values) == len(network.nodes) + 1, done.stdout + done.stderr
    return values


def test_worked_example() -> None:
    # Solved once with ngspice; kept as numbers so that the check works without it.
    solved = Solver(TREE, load_ohm=LOADS).solve(SINKS)
    volts = dict(zip(TREE.nodes, solved.volts[0].tolist(), strict=True))
    assert volts["A"] == pytest.approx(6.777125, abs=5e-7)
    assert volts["B"] == pytest.approx(6.473230, abs=5e-7)
    assert volts["s3"] == pytest.approx(6.048430, abs=5e-7)
    assert solved.branch_a[0, 0] == pytest.approx(5.341985, abs=5e-7)


@needs_ngspice
def test_worked_example_by_ngspice(tmp_path: Path) -> None:
    *volts, source = spice(TREE, SINKS, LOADS, tmp_path)
    solved = Solver(TREE, load_ohm=LOADS).solve(SINKS)
    np.testing.assert_allclose(solved.volts[0], volts, atol=1e-9)
    assert -source == pytest.approx(solved.branch_a[0, 0], abs=1e-9)


@needs_ngspice
def test_a_whole_aircraft_by_ngspice(tmp_path: Path) -> None:
    heron = read_rig(HERON)
    network = build_network(heron, temperature_c=40.0)
    moving = next(case for case in power_cases(heron, temperature_c=40.0) if case.case == "all moving")
    drawn = [d.current_a.moving if d.current_a.moving is not None else d.current_a.idle or 0.0 for d in heron.devices]
    *volts, source = spice(network, sinks_of(heron, network, drawn), {}, tmp_path)
    np.testing.assert_allclose([node.voltage_v for node in moving.nodes], volts, atol=1e-7)
    assert -source == pytest.approx(moving.supply_a, abs=1e-9)


@needs_ngspice
def test_a_loop_by_a_second_feed_by_ngspice(tmp_path: Path) -> None:
    loop = Network(TREE.voltage_v, TREE.nodes, (*TREE.branches, Branch("second feed", "supply", "B", 0.12)))
    *volts, _ = spice(loop, SINKS, LOADS, tmp_path)
    np.testing.assert_allclose(Solver(loop, load_ohm=LOADS).solve(SINKS).volts[0], volts, atol=1e-9)


ROUGH = """
[rig]
name = "Heron"
period_ms = 14
[supply]
voltage_v = 6.6
resistance_ohm = 0.05
lead = {length_m = 0.3, awg = 18}
[[hub]]
name = "root"
lead = {length_m = 0.9, awg = 24, connector_ohm = 0.01}
[[hub]]
name = "tip"
from = "root"
lead = {length_m = 1.4, awg = 26, connector_ohm = 0.01}
[[device]]
name = "flap"
channel = 1
on = "root"
lead = {length_m = 0.3, awg = 24}
current_a = {idle = 0.02, moving = 0.6, stall = 2.5}
[[device]]
name = "aileron"
channel = 2
on = "tip"
lead = {length_m = 0.4, awg = 26}
current_a = {idle = 0.02, moving = 0.5, stall = 1.8}
"""


@needs_ngspice
def test_what_each_mend_gains_by_ngspice(tmp_path: Path) -> None:
    # Each change of the harness is made in the file by hand and solved outside.
    weakest = find_weakest(parse_rig(ROUGH), temperature_c=35.0)
    assert weakest is not None
    assert (weakest.case, weakest.device) == ("aileron stalled, rest moving", "aileron")
    feed_root = '[[feed]]\nto = "root"\nlead = {length_m = 1.2, awg = 24, connector_ohm = 0.01}\n'
    changed = {
        "use thicker wire in the lead from supply to receiver: 0.3 m AWG 14 instead of 0.3 m AWG 18": (
            "0.3, awg = 18",
            "0.3, awg = 14",
        ),
        "use thicker wire in the lead to hub root: 0.9 m AWG 20 instead of 0.9 m AWG 24": (
            "0.9, awg = 24",
            "0.9, awg = 20",
        ),
        "use thicker wire in the lead to hub tip: 1.4 m AWG 22 instead of 1.4 m AWG 26": (
            "1.4, awg = 26",
            "1.4, awg = 22",
        ),
        "use thicker wire in the lead to aileron: 0.4 m AWG 22 instead of 0.4 m AWG 26": (
            "0.4, awg = 26",
            "0.4, awg = 22",
        ),
        "add a second feed of 1.2 m AWG 24 to root": (
            '[[device]]\nname = "flap"',
            feed_root + '[[device]]\nname = "flap"',
        ),
        "add a second feed of 2.6 m AWG 26 to tip": (
            '[[device]]\nname = "flap"',
            feed_root.replace("root", "tip").replace("1.2, awg = 24", "2.6, awg = 26") + '[[device]]\nname = "flap"',
        ),
    }
    assert {one.text for one in weakest.advice} == set(changed)
    for one in weakest.advice:
        text = ROUGH.replace(*changed[one.text])
        assert text != ROUGH
        plan = parse_rig(text)
        network = build_network(plan, temperature_c=35.0)
        *volts, _ = spice(network, sinks_of(plan, network, [0.6, 1.8]), {}, tmp_path)
        assert one.voltage_after_v == pytest.approx(volts[network.nodes.index("aileron")], abs=1e-6), one.text
        assert one.gain_v == pytest.approx(one.voltage_after_v - weakest.voltage_v)


@needs_ngspice
def test_a_program_over_time_by_ngspice(tmp_path: Path) -> None:
    # Both move from 0.1 s on for 75 ms (45 degrees at 0.1 s for 60), the second later: at worst both move.
    plan = parse_rig(ROUGH.replace("channel =", "speed_s_per_60deg = 0.1\nchannel ="))
    counts = np.full((60, 16), 992, np.uint16)
    counts[10:, 0] = 1811
    counts[14:, 1] = 1811
    case = run_program(plan, counts, period_s=0.01, temperature_c=35.0).case
    network = build_network(plan, temperature_c=35.0)
    *volts, source = spice(network, sinks_of(plan, network, [0.6, 0.5]), {}, tmp_path)
    np.testing.assert_allclose([node.voltage_v for node in case.nodes], volts, atol=1e-6)
    assert -source == pytest.approx(case.supply_a, abs=1e-9)
