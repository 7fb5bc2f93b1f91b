"""Volts and amperes in the supply tree: one nodal solve, many load cases.

Each lead is one resistance out and back, so a node's voltage is what stands
between its two wires. Devices are current sinks. The supply is a source behind
its inner resistance; further feeds start at its terminals.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from busbench.model import F64
from busbench.rig.conductor import REFERENCE_C, lead_limit_a, lead_ohm
from busbench.rig.model import RECEIVER, SUPPLY, Lead, Rig
from busbench.rig.topology import require_tree

CONTACT_OHM = 1e-6  # stands for leads that are not stated: two names for one point


@dataclass(frozen=True, slots=True)
class Branch:
    """One resistance of the network.

    Args:
        name: for people.
        start, end: node names; start "" is the source itself.
        ohm: out and back.
        limit_a: current it stands for long, None where unknown.
        lead: as stated, None for the source's inner resistance and unknown leads.
        key: name of the hub or device that the lead goes to, "" for none.
    """

    name: str
    start: str
    end: str
    ohm: float
    limit_a: float | None = None
    lead: Lead | None = None
    key: str = ""


@dataclass(frozen=True, slots=True)
class Network:
    """A source, nodes and resistances.

    Args:
        voltage_v: of the source without load.
        nodes: names, the supply's terminals first.
        branches: between them.
    """

    voltage_v: float
    nodes: tuple[str, ...]
    branches: tuple[Branch, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Solution:
    """Volts and amperes of T cases, one row a case.

    Args:
        volts: at each node, (T, nodes).
        branch_a: through each branch from start to end, (T, branches).
        through_a: drawn by or passing through each node, (T, nodes).
    """

    volts: F64
    branch_a: F64
    through_a: F64


def build_network(rig: Rig, *, temperature_c: float = REFERENCE_C) -> Network:
    """The supply network of a plan.

    Args:
        rig: the plan.
        temperature_c: of all leads.

    Returns:
        The network: supply, receiver, hubs and devices in the order of the file.

    Raises:
        RigError: the leads form no tree.
    """
    require_tree(rig)

    def branch(name: str, start: str, end: str, lead: Lead | None) -> Branch:
        ohm = max(lead_ohm(lead, temperature_c=temperature_c), CONTACT_OHM)
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

    Args:
        network: the network.
        load_ohm: resistances between a node's two wires, by node name.

    Source: nodal analysis, G v = i.
    """

    def __init__(self, network: Network, *, load_ohm: dict[str, float] | None = None) -> None:
        self.network = network
        place = {name: index for index, name in enumerate(network.nodes)}
        count = len(place)
        conductance = np.zeros((count, count))
        injected = np.zeros(count)
        self._incidence = np.zeros((len(network.branches), count))
        self._siemens = np.array([1 / branch.ohm for branch in network.branches])
        self._driven = np.zeros(len(network.branches))
        for row, branch in enumerate(network.branches):
            self._incidence[row, place[branch.end]] = -1
            if branch.start:
                self._incidence[row, place[branch.start]] = 1
            else:
                self._driven[row] = network.voltage_v
                injected[place[branch.end]] += network.voltage_v / branch.ohm
        conductance = self._incidence.T @ (self._siemens[:, None] * self._incidence)
        for name, ohm in (load_ohm or {}).items():
            conductance[place[name], place[name]] += 1 / ohm
        self._z = np.linalg.inv(conductance)
        self._open = self._z @ injected

    def volts(self, sinks_a: ArrayLike) -> F64:
        """Node voltages alone.

        Args:
            sinks_a: current drawn at each node, (nodes,) or (T, nodes).

        Returns:
            Volts, (T, nodes).
        """
        sinks = np.atleast_2d(np.asarray(sinks_a, np.float64))
        return np.asarray(self._open - sinks @ self._z.T, np.float64)

    def solve(self, sinks_a: ArrayLike) -> Solution:
        """Node voltages, currents in the branches and through the nodes.

        Args:
            sinks_a: current drawn at each node, (nodes,) or (T, nodes).
        """
        volts = self.volts(sinks_a)
        branch_a = (volts @ self._incidence.T + self._driven) * self._siemens
        # What flows into a node along its branches is what it draws or passes on.
        into = np.maximum(branch_a, 0) @ (self._incidence < 0) + np.maximum(-branch_a, 0) @ (self._incidence > 0)
        return Solution(volts, branch_a, np.asarray(into, np.float64))


def sinks_of(rig: Rig, network: Network, drawn_a: Sequence[float] | F64) -> F64:
    """Currents of the devices placed on their nodes.

    Args:
        rig: the plan.
        network: built from it.
        drawn_a: of each device in the order of the file, (devices,) or (T, devices).

    Returns:
        (nodes,) or (T, nodes).
    """
    drawn = np.asarray(drawn_a, np.float64)
    sinks = np.zeros((*drawn.shape[:-1], len(network.nodes)))
    if rig.devices:
        sinks[..., -len(rig.devices) :] = drawn  # devices stand last
    return sinks
