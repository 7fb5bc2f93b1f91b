"""Voltage and current in the supply tree: one nodal solve, many load cases.

Each lead is one resistance out and back, so a node's voltage is what is
between its two wires. Devices are current sinks. The supply is a source with
internal resistance; further feeds start at its terminals.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from busbench.model import F64, I64
from busbench.rig.conductor import REFERENCE_C, lead_limit_a, lead_ohm
from busbench.rig.model import RECEIVER, SUPPLY, Lead, Rig
from busbench.rig.topology import require_tree

_AT_ONCE = 1000  # columns per block of a large matrix
_ROUNDING = 1e-9  # of a current that the inverse of the matrix leaves in a branch that is in no loop
CONTACT_OHM = 1e-6  # resistance of unstated leads: two names for one point


@dataclass(frozen=True, slots=True)
class Branch:
    """One resistance of the network."""

    name: str
    start: str  # start, end: node names; start "" is the source
    end: str
    ohm: float
    limit_a: float | None = None  # max continuous current, None if unknown
    lead: Lead | None = None  # as stated; None for the internal resistance and unknown leads
    key: str = ""  # name of the hub or device that the lead goes to, "" for none


@dataclass(frozen=True, slots=True)
class Network:
    """A source, nodes and resistances."""

    voltage_v: float  # voltage of the source without load
    nodes: tuple[str, ...]  # names, the supply's terminals first
    branches: tuple[Branch, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Solution:
    """Voltage and current of T cases, one row per case."""

    volts: F64  # at each node, (T, nodes)
    branch_a: F64  # through each branch from start to end, (T, branches)
    through_a: F64  # current drawn at or passing through each node, (T, nodes)


def branch_ohm(lead: Lead | None, *, temperature_c: float = REFERENCE_C) -> float:
    """Resistance of a lead as a branch of the network, never zero."""
    return max(lead_ohm(lead, temperature_c=temperature_c), CONTACT_OHM)


def build_network(rig: Rig, *, temperature_c: float = REFERENCE_C) -> Network:
    """The network of supply, receiver, hubs and devices, in the file's order (raises RigError: leads form no tree)."""
    require_tree(rig)

    def branch(name: str, start: str, end: str, lead: Lead | None) -> Branch:
        ohm = branch_ohm(lead, temperature_c=temperature_c)
        limit_a = lead_limit_a(lead, has_servo_connector=start != SUPPLY)
        return Branch(name, start, end, ohm, limit_a, lead, end)

    supply = rig.supply
    branches = [
        Branch("supply", "", SUPPLY, max(supply.resistance_ohm, CONTACT_OHM), supply.limit_a),
        branch("lead from supply to receiver", SUPPLY, RECEIVER, supply.lead),
    ]
    branches += [branch(f"lead to hub {hub.name}", hub.parent, hub.name, hub.lead) for hub in rig.hubs]
    branches += [branch(f"second feed to {feed.to}", SUPPLY, feed.to, feed.lead) for feed in rig.feeds]
    branches += [branch(f"lead to {device.name}", device.parent, device.name, device.lead) for device in rig.devices]
    nodes = (SUPPLY, RECEIVER, *(hub.name for hub in rig.hubs), *(device.name for device in rig.devices))
    return Network(supply.voltage_v, nodes, tuple(branches))


class Solver:
    """A network ready for any number of load cases: the matrix is inverted once.

    A node at the end of a single lead, as every device is, has the voltage of that
    lead's start minus the drop in the lead. Such nodes are not in the matrix, which
    so holds only the supply, the receiver and the hubs.

    Args:
        load_ohm: resistances between a node's two wires, by node name.

    Source: nodal analysis, G v = i.
    """

    def __init__(self, network: Network, *, load_ohm: dict[str, float] | None = None) -> None:
        self.network = network
        index = {name: at for at, name in enumerate(network.nodes)}
        start = np.array([index.get(branch.start, -1) for branch in network.branches], np.int64)
        end = np.array([index[branch.end] for branch in network.branches], np.int64)
        siemens = np.array([1 / branch.ohm for branch in network.branches])
        uses = np.bincount(np.concatenate([start[start >= 0], end]), minlength=len(index))
        for name in load_ohm or ():
            uses[index[name]] += 2  # nodes that are not at the end of a single lead
        is_leaf_lead = (uses[end] == 1) & (start >= 0)
        self._core_branch, leaf_branch = np.flatnonzero(~is_leaf_lead), np.flatnonzero(is_leaf_lead)
        # Leaves ordered by their parents, so that sums per parent are one call.
        self._leaf_branch = leaf_branch[np.argsort(start[leaf_branch], kind="stable")]
        self._leaf = end[self._leaf_branch]
        self._leaf_siemens = siemens[self._leaf_branch]
        is_core = np.ones(len(index), np.bool_)
        is_core[self._leaf] = False
        self._core = np.flatnonzero(is_core)
        self._core_index = {network.nodes[node]: at for at, node in enumerate(self._core.tolist())}
        at_core = np.full(len(index) + 1, -1)
        at_core[self._core] = np.arange(self._core.size)
        self._leaf_parent = at_core[start[self._leaf_branch]]
        self._first_leaf = np.flatnonzero(np.diff(self._leaf_parent, prepend=-1))
        self._start, self._end = at_core[start[self._core_branch]], at_core[end[self._core_branch]]
        self._siemens = siemens[self._core_branch]
        conductance = np.zeros((self._core.size, self._core.size))
        injected = np.zeros(self._core.size)
        for from_, to, value in zip(self._start.tolist(), self._end.tolist(), self._siemens.tolist(), strict=True):
            conductance[to, to] += value
            if from_ < 0:
                injected[to] += network.voltage_v * value
            else:
                conductance[from_, from_] += value
                conductance[from_, to] -= value
                conductance[to, from_] -= value
        for name, ohm in (load_ohm or {}).items():
            conductance[at_core[index[name]], at_core[index[name]]] += 1 / ohm
        self._z = np.linalg.inv(conductance)
        self._open = self._z @ injected

    def _core_volts(self, sinks: F64) -> F64:
        """Volts at the nodes of the matrix, (nodes, T)."""
        drawn = sinks[self._core]
        if self._leaf.size:
            parents = self._leaf_parent[self._first_leaf]
            drawn[parents] += np.add.reduceat(sinks[self._leaf], self._first_leaf, axis=0)
        return np.asarray(self._open[:, None] - self._z @ drawn, np.float64)

    def _all_volts(self, core: F64, sinks: F64) -> F64:
        volts = np.empty_like(sinks)
        volts[self._core] = core
        volts[self._leaf] = core[self._leaf_parent] - sinks[self._leaf] / self._leaf_siemens[:, None]
        return volts

    def volts(self, sinks_a: ArrayLike) -> F64:
        """Node voltages only, (T, nodes), given the current drawn at each, (nodes,) or (T, nodes)."""
        sinks = np.atleast_2d(np.asarray(sinks_a, np.float64)).T
        return self._all_volts(self._core_volts(sinks), sinks).T

    def solve(self, sinks_a: ArrayLike) -> Solution:
        """Node voltages, and currents in branches and through nodes, given the drawn currents as in `volts`."""
        sinks = np.atleast_2d(np.asarray(sinks_a, np.float64)).T
        core = self._core_volts(sinks)
        # The last row is the source.
        ends_v = np.concatenate([core, np.full((1, core.shape[1]), self.network.voltage_v)])
        core_a = (ends_v[self._start] - core[self._end]) * self._siemens[:, None]
        branch_a = np.empty((len(self.network.branches), core.shape[1]))
        branch_a[self._core_branch] = core_a
        branch_a[self._leaf_branch] = sinks[self._leaf]
        # The current into a node is what it draws or passes on.
        into = np.zeros((self._core.size + 1, core.shape[1]))
        for start, end, amps in zip(self._start.tolist(), self._end.tolist(), core_a, strict=True):
            into[end] += np.maximum(amps, 0)
            into[start] += np.maximum(-amps, 0)
        if self._leaf.size:
            back = np.add.reduceat(np.maximum(-sinks[self._leaf], 0), self._first_leaf, axis=0)
            into[self._leaf_parent[self._first_leaf]] += back
        through = np.empty_like(sinks)
        through[self._core] = into[:-1]
        through[self._leaf] = np.maximum(sinks[self._leaf], 0)
        return Solution(self._all_volts(core, sinks).T, branch_a.T, through.T)

    def least_with_more(self, volts: F64, nodes: I64, more_a: F64) -> F64:
        """The min voltage anywhere if one node after another draws more.

        Args:
            volts: at each node before, (nodes,).
            nodes: the nodes that draw more, each at the end of a single lead, (N,).
            more_a: additional current, (N,).

        Returns:
            Volts, (N,).
        """
        place = np.empty(volts.size, np.int64)
        place[self._leaf] = np.arange(self._leaf.size)
        parents = self._leaf_parent[place[nodes]]
        group = volts[self._core].copy()
        np.minimum.at(group, self._leaf_parent, volts[self._leaf])
        own_ohm = self._z[parents, parents] + 1 / self._leaf_siemens[place[nodes]]
        least = volts[nodes] - own_ohm * more_a
        for first in range(0, nodes.size, _AT_ONCE):
            part = slice(first, first + _AT_ONCE)
            others = (group[:, None] - self._z[:, parents[part]] * more_a[part]).min(axis=0)
            least[part] = np.minimum(least[part], others)
        return np.asarray(least, np.float64)

    def series_drop(self, nodes: I64) -> tuple[F64, F64]:
        """What a volt lost in each branch, on top of its own drop, takes from the voltage of nodes.

        Args:
            nodes: indices of the network, (M,).

        Returns:
            Volts a volt, (M, branches): 1 below the branch in a tree; and by how many amperes the branch's own current
            falls, (branches,): 0 in a tree.

        Source: a source in series with a branch is a current source across it; nodal analysis.
        """
        place = np.full(len(self.network.nodes), -1)
        place[self._core] = np.arange(self._core.size)
        place[self._leaf] = self._leaf_parent
        z = np.pad(self._z, ((0, 1), (0, 1)))  # the last is the source, whose voltage nothing changes
        rows, start, end = z[place[nodes]], self._start, self._end
        drop = np.zeros((nodes.size, len(self.network.branches)))
        drop[:, self._core_branch] = (rows[:, end] - rows[:, start]) * self._siemens
        drop[:, self._leaf_branch] = nodes[:, None] == self._leaf
        loop_ohm = z[start, start] - z[start, end] - z[end, start] + z[end, end]
        falls = np.zeros(len(self.network.branches))
        part = 1 - self._siemens * loop_ohm
        falls[self._core_branch] = np.where(part > _ROUNDING, self._siemens * part, 0.0)
        return drop, falls

    def rise_v(self, volts: F64, *, at: str, start: str, end: str, siemens: float) -> float:
        """The rise of a node's voltage by an additional conductance between two nodes.

        Args:
            volts: at each node without it, (nodes,).
            at: a hub, the receiver or the supply: what is connected to it rises with it.

        Source: Sherman and Morrison, inverse of a matrix after a change of rank one.
        """
        a, b, row = self._core_index[start], self._core_index[end], self._z[self._core_index[at]]
        drop_v = float(volts[self._core[a]] - volts[self._core[b]])
        loop_ohm = float(self._z[a, a] - self._z[a, b] - self._z[b, a] + self._z[b, b])
        return float(row[b] - row[a]) * siemens * drop_v / (1 + siemens * loop_ohm)


def sinks_of(rig: Rig, network: Network, drawn_a: Sequence[float] | F64) -> F64:
    """Device currents in the order of the file, (devices,) or (T, devices), assigned to their nodes."""
    drawn = np.asarray(drawn_a, np.float64)
    sinks = np.zeros((*drawn.shape[:-1], len(network.nodes)))
    if rig.devices:
        sinks[..., -len(rig.devices) :] = drawn  # devices are last
    return sinks
