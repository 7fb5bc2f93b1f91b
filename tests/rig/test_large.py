"""Plans of the largest size: nothing grows with the square of it, and the figures are those of a plain solution."""

from __future__ import annotations

import numpy as np
import pytest

from busbench.errors import RigError
from busbench.model import F64
from busbench.rig import power
from busbench.rig.check import check_rig
from busbench.rig.finding import listed
from busbench.rig.harness import Branch, Network, Solver, build_network
from busbench.rig.load import parse_rig
from busbench.rig.power import power_cases, unlisted_stalls
from busbench.rig.power_text import power_lines
from busbench.rig.topology import find_loose, require_tree
from busbench.rig.weakest import find_weakest
from busbench.rig.wiring_tree import draw_tree, layout_tree
from tests.rig.rigs import device, hub, rig
from tests.rig.test_power import HEAD_OHM, OHM


def chain(hubs: int, *, lead: str = OHM) -> str:
    """Hubs one after another; the first is h0."""
    return "".join(hub(f"h{i}", lead, f'from = "{f"h{i - 1}" if i else "receiver"}"') for i in range(hubs))


def test_a_chain_of_a_thousand_hubs_by_hand() -> None:
    plan = rig(
        chain(1000, lead="lead = {resistance_ohm = 0.001}"),
        device("tip", 1, OHM, 'on = "h999"', "current_a = {idle = 0.5, moving = 1}"),
        head=HEAD_OHM,
    )
    idle, moving, _ = power_cases(plan)
    # Supply, its lead and the device's lead 0.1 ohm each, and 1000 of 0.001 ohm.
    assert (moving.node("tip").voltage_v, moving.node("h0").voltage_v) == pytest.approx((8 - 1.3, 8 - 0.201))
    assert idle.node("tip").voltage_v == pytest.approx(8 - 0.65)
    rows = layout_tree(plan)
    assert (rows[-1].name, rows[-1].depth, rows[-1].parent) == ("tip", 1002, 1001)
    assert draw_tree(rows).splitlines()[-1].startswith(" " * 3 * 1001 + "└─  1 tip")
    weakest = find_weakest(plan)
    assert weakest is not None
    assert weakest.device == "tip"
    assert weakest.voltage_v == pytest.approx(6.7)


def test_the_matrix_holds_hubs_not_devices() -> None:
    plan = rig(hub("wing", OHM), *(device(f"d{i}", 1, 'on = "wing"') for i in range(500)), head=HEAD_OHM)
    assert Solver(build_network(plan))._z.shape == (3, 3)


def dense(network: Network, sinks: F64, loads: dict[str, float]) -> tuple[F64, F64]:
    """Volts and branch currents by the full matrix of all nodes. Source: nodal analysis, G v = i."""
    index = {name: at for at, name in enumerate(network.nodes)}
    matrix, drive = np.zeros((len(index), len(index))), -sinks.copy()
    for branch in network.branches:
        ends = np.zeros(len(index))
        ends[index[branch.end]] = -1
        if branch.start:
            ends[index[branch.start]] = 1
        else:
            drive[index[branch.end]] += network.voltage_v / branch.ohm
        matrix += np.outer(ends, ends) / branch.ohm
    for name, ohm in loads.items():
        matrix[index[name], index[name]] += 1 / ohm
    volts = np.linalg.solve(matrix, drive)
    currents = [
        ((volts[index[b.start]] if b.start else network.voltage_v) - volts[index[b.end]]) / b.ohm
        for b in network.branches
    ]
    return np.asarray(volts, np.float64), np.asarray(currents, np.float64)


@pytest.mark.parametrize("seed", range(20))
def test_trees_with_loops_and_loads_agree_with_the_full_matrix(seed: int) -> None:
    draw = np.random.default_rng(seed)
    names = [f"n{i}" for i in range(1 + seed)]
    branches = [Branch("supply", "", "n0", 0.05)]
    branches += [
        Branch(f"lead to n{i}", f"n{draw.integers(i)}", f"n{i}", float(draw.uniform(0.01, 1)))
        for i in range(1, len(names))
    ]
    branches += [Branch("loop", "n0", str(draw.choice(names[1:])), 0.3) for _ in range(seed % 3) if seed]
    loads = {str(draw.choice(names)): 4.0} if seed % 2 else {}
    sinks = draw.uniform(-0.5, 2, len(names))
    network = Network(8.0, tuple(names), tuple(branches))
    solved = Solver(network, load_ohm=loads).solve(sinks)
    volts, currents = dense(network, sinks, loads)
    np.testing.assert_allclose(solved.volts[0], volts, atol=1e-9)
    np.testing.assert_allclose(solved.branch_a[0], currents, atol=1e-9)
    into = np.zeros(len(names) + 1)
    for branch, amps in zip(branches, currents, strict=True):
        into[names.index(branch.end)] += max(amps, 0)
        into[names.index(branch.start) if branch.start else -1] += max(-amps, 0)
    np.testing.assert_allclose(solved.through_a[0], into[:-1], atol=1e-9)


@pytest.mark.parametrize("seed", range(10))
def test_the_least_voltage_with_one_device_stalled_is_that_of_its_case(seed: int) -> None:
    draw = np.random.default_rng(seed)
    hubs = "".join(hub(f"h{i}", OHM, f'from = "{f"h{draw.integers(i)}" if i else "receiver"}"') for i in range(5))
    devices = [
        device(f"d{i}", 1, f"lead = {{resistance_ohm = {draw.uniform(0.01, 1):.3f}}}", f'on = "h{draw.integers(5)}"',
               f"current_a = {{moving = {draw.uniform(0, 0.1):.3f}, stall = {draw.uniform(0.1, 1):.3f}}}")
        for i in range(12)
    ]  # fmt: skip
    feed = f'[[feed]]\nto = "h{draw.integers(5)}"\n{OHM}\n'
    harness = power.build_harness(rig(hubs, *devices, feed, head=HEAD_OHM))
    cases = list(harness.loads().values())[2:-1]
    moving_v = harness.solve([harness.moving_a]).volts[0]
    nodes = len(moving_v) - 12 + np.arange(12)
    least = harness.solver.least_with_more(moving_v, nodes, harness.stall_a - harness.moving_a)
    np.testing.assert_allclose(least, harness.solve(cases).volts.min(axis=1), atol=1e-9)


def test_of_many_stalls_the_worst_are_listed_and_the_others_counted(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(power, "CELLS_MAX", 0)
    monkeypatch.setattr(power, "STALLS_LEAST", 2)
    plan = rig(
        *(device(f"d{i}", 1, OHM, f"current_a = {{moving = 0, stall = {i % 3 + 1}}}") for i in range(6)), head=HEAD_OHM
    )
    cases = power_cases(plan)
    assert [case.case for case in cases] == [
        "all idle", "all moving", "d2 stalled, rest moving", "d5 stalled, rest moving", "all stalled",
    ]  # fmt: skip
    assert unlisted_stalls(plan, cases) == 4
    text = list(power_lines(plan, cases, None, None, temperature_c=20))
    assert "left out: 4 cases of one device stalled that leave more voltage than those above" in text


def test_a_program_is_solved_in_parts_with_the_same_result(monkeypatch: pytest.MonkeyPatch) -> None:
    one = device("one", 1, OHM, "speed_s_per_60deg = 0.1", "current_a = {idle = 0.1, moving = 2}")
    counts = np.full((100, 16), 992, np.uint16)
    counts[40:, 0] = 1811
    whole = power.run_program(rig(one, head=HEAD_OHM), counts, period_s=0.01)
    monkeypatch.setattr(power, "CELLS_MAX", 20)
    parts = power.run_program(rig(one, head=HEAD_OHM), counts, period_s=0.01)
    assert (parts.case, parts.worst_s) == (whole.case, whole.worst_s)
    assert parts.mean_a == pytest.approx(whole.mean_a)


def test_warnings_of_many_nodes_are_cut_in_text_only() -> None:
    plan = rig(*(device(f"d{i}", 1, OHM, "current_a = {moving = 1}") for i in range(30)), head=HEAD_OHM)
    moving = power_cases(plan)[1]
    assert len(moving.warnings) == 31
    text = list(power_lines(plan, [moving], None, None, temperature_c=20))
    assert sum(line.startswith("  ! ") for line in text) == 21
    assert "  ! and 11 more warnings" in text


def test_rings_and_loose_ends_of_a_large_plan() -> None:
    ring = "".join(hub(f"h{i}", f'from = "h{(i + 1) % 1000}"') for i in range(1000))
    loose = find_loose(rig(ring, device("x", 1, 'on = "nowhere"')))
    assert loose.rings == (tuple(f"h{i}" for i in range(1000)),)
    assert loose.hanging == (("x", "nowhere"),)
    with pytest.raises(RigError, match=r"h0 → h1 → .* → h19 → … → h999 → h0; "):
        require_tree(rig(ring))
    lasso = rig(hub("a", 'from = "b"'), hub("b", 'from = "c"'), hub("c", 'from = "b"'))
    assert find_loose(lasso).rings == (("b", "c"),)


@pytest.mark.parametrize(
    ("tables", "line"),
    [
        (chain(1001), "rig, hub: 1,001 tables are too many: state at most 1,000"),
        ("[[device]]\nname = 1\n" * 10_001, "rig, device: 10,001 tables are too many: state at most 10,000"),
        ('[[feed]]\nto = "a"\n' * 1001, "rig, feed: 1,001 tables are too many: state at most 1,000"),
    ],
)
def test_more_than_a_bus_can_hold_is_refused(tables: str, line: str) -> None:
    with pytest.raises(RigError) as caught:
        parse_rig(HEAD_OHM + tables)
    assert str(caught.value) == line


def test_a_long_list_is_cut() -> None:
    assert listed(map(str, range(3))) == "0, 1, 2"
    assert listed(map(str, range(100))).endswith(", 98, 99")
    assert listed(map(str, range(1234))).endswith(", 98, 99 and 1,134 more")


def test_groups_of_one_are_compared_where_they_are_few() -> None:
    few = [device("a", 1, 'group = "left flaps"'), device("b", 2, 'group = "left flap"')]
    many = [device(f"d{i}", i % 16 + 1, f'group = "g{i}"') for i in range(41)]
    alone = [one.advice for one in check_rig(rig(*few)) if "alone in the group" in one.what]
    assert alone[0].startswith('did you mean "left flap"? ')
    alone = [one.advice for one in check_rig(rig(*many)) if "alone in the group" in one.what]
    assert alone == ["Give the partner the same group, or leave the group out"] * 41
