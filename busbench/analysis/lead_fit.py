"""Measured voltages and currents beside the plan: which lead or contact explains the difference, and how sure that is.

Each voltage is what the plan gives at the measured currents, less the drop in one further resistance in series with
one lead. All leads are tried in turn by least squares. A lead is named where it explains more than noise does (F-test
of one parameter, its chance shared among all leads tried). Another lead "fits as well" where, with that one fitted, the
named lead explains nothing more. More leads are named as long as they explain more than noise.

The fit leaves open: the voltage of the source and its drift; a constant of each column if the load changes, so that
the offset of a meter is not taken for a resistance; and how a current that was not measured at the device may deviate.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np

from busbench.analysis.change import student
from busbench.analysis.lead_system import LeadSystem
from busbench.analysis.measured_currents import Currents, find_currents
from busbench.model import F64
from busbench.rig.harness import Network, Solver, build_network
from busbench.rig.measurement import Measurement
from busbench.rig.model import Rig

Verdict = Literal["explained", "nothing found", "cannot tell"]
FALSE_ALARM = 0.01  # chance of naming a lead of a harness that is as planned
OUTSIDE = 0.05  # chance of an interval that misses the true value, and of dropping the true lead from those that fit
LEADS_MOST = 5  # named in one harness
_ROUNDS = 4  # of variance and fit, which depend on one another
_UNSEEN = 1e-9  # of a lead's effect is left when the nuisances are fitted: none


@dataclass(frozen=True, slots=True)
class LeadExtra:
    """A lead whose resistance differs from the plan.

    Args:
        name, to: the lead, and the node that it goes to.
        planned_ohm: by the plan, out and back, contacts included.
        extra_ohm, low_ohm, high_ohm: what it has more, and the 95 % interval of that.
        lost_v: what the extra loses at the highest current through the lead.
        current_a: that current.
    """

    name: str
    to: str
    planned_ohm: float
    extra_ohm: float
    low_ohm: float
    high_ohm: float
    lost_v: float
    current_a: float


@dataclass(frozen=True, slots=True)
class NodeReading:
    """One measured voltage beside the plan.

    Args:
        mean_v, min_v: as measured.
        planned_v: mean, at the measured currents and the fitted voltage of the source.
        current_a: mean, where it was measured.
    """

    name: str
    mean_v: float
    min_v: float
    planned_v: float
    current_a: float | None


@dataclass(frozen=True, slots=True)
class LeadFit:
    """What explains a measurement.

    Args:
        verdict: "explained" by `leads`; "nothing found" where no lead differs by more than its interval; "cannot tell"
            where several explain it equally well (`alternatives`) or the readings do not show it (`reason`).
        leads: those named, first named first.
        alternatives: of which one explains what is left, best first; empty unless the verdict is "cannot tell".
        bounds: every other lead that the readings show, with the interval of what it may have more.
        unseen: leads that the readings do not show.
        next_node: node whose voltage would distinguish the alternatives, "" for none.
        next_differs_v: by how much it would differ at the highest load.
        next_current: node whose current, were it measured, would narrow the intervals most, "" if all are.
        source_v: the source without load.
        noise_v: what the fit leaves, rms.
        readings: each measured voltage.
        reason: why nothing can be distinguished, "" otherwise.
        notes: what was assumed.
    """

    verdict: Verdict
    leads: tuple[LeadExtra, ...]
    alternatives: tuple[LeadExtra, ...]
    bounds: tuple[LeadExtra, ...]
    unseen: tuple[str, ...]
    next_node: str
    next_differs_v: float
    next_current: str
    source_v: float | None
    noise_v: float | None
    readings: tuple[NodeReading, ...]
    reason: str = ""
    notes: tuple[str, ...] = ()


def explain_measurement(
    rig: Rig, measured: Measurement, *, temperature_c: float = 20.0, path: str = "measurement"
) -> LeadFit:
    """Find the lead or contact that explains the difference between a measurement and the plan.

    Args:
        temperature_c: of the leads, degrees Celsius.
        path: of the measurement, for errors.

    Raises:
        RigError: the leads form no tree, or the load of a row is not known.
    """
    network = build_network(rig, temperature_c=temperature_c)
    return _Search(network, measured, find_currents(rig, network, measured, path=path)).explain()


@dataclass(frozen=True, slots=True)
class _Trial:
    """Some leads fitted together; the last is the one in question."""

    values: F64
    errors: F64
    squares: float
    freedom: int

    @property
    def t(self) -> float:
        return abs(float(self.values[-1])) / float(self.errors[-1]) if self.errors[-1] > 0 else 0.0


class _Search:
    """Names one lead after another."""

    def __init__(self, network: Network, measured: Measurement, currents: Currents) -> None:
        self._plan, self._measured, self._currents = network, measured, currents
        self._system = LeadSystem(network, measured, currents)
        self._planned = [network.branches[at] for at in self._system.leads.tolist()]
        self._drops_v = self._system.planned_drops_v()
        self._highest_a = self._system.highest_a()
        self._named: list[int] = []  # places in that list
        self._least = (measured.step_v**2) / 12  # variance of the last digit
        self._variance, self._inflation = self._least, 1.0

    def explain(self) -> LeadFit:
        """Name leads until what is left is noise."""
        tried = self._visible()
        if self._system.count - self._system.fixed < 2:
            return self._result("cannot tell", tried, [], reason="there are too few readings")
        if not tried:
            return self._result("cannot tell", tried, [], reason="no lead between two readings carries a current")
        while len(self._named) < min(LEADS_MOST, self._system.count - self._system.fixed - 1):
            left = [one for one in tried if one not in self._named]
            trials = {one: trial for one, trial in self._try_each(left).items() if self._matters(one, trial)}
            if not trials:
                break
            best = max(trials, key=lambda one: trials[one].t)
            if trials[best].t <= student(FALSE_ALARM / len(left), self._freedom(trials[best])):
                break
            rivals = [one for one in left if one != best and self._fits_as_well(one, best, trials)]
            if rivals:
                rivals.sort(key=lambda one: trials[one].squares)
                return self._result("cannot tell", tried, [best, *rivals])
            self._named.append(best)
        return self._result("explained" if self._named else "nothing found", tried, [])

    def _visible(self) -> list[int]:
        """Leads whose drop changes some reading in a way of its own."""
        effect = np.diag(self._system.normal)[self._system.first : -1]
        left = np.diag(self._system.reduced(self._least))[:-1]
        return np.flatnonzero((left > _UNSEEN * effect) & (left > 1e-9)).tolist()

    def _try_each(self, leads: list[int]) -> dict[int, _Trial]:
        """Each lead beside those named, by the noise that the best of them leaves."""
        for is_last in (False, True):
            reduced = self._system.reduced(self._variance)
            trials = {one: trial for one in leads if (trial := self._trial(reduced, [*self._named, one])) is not None}
            if trials and not is_last:
                best = min(trials, key=lambda one: trials[one].squares)
                self._note_noise(trials[best], [*self._named, best])
        return {one: trial for one, trial in trials.items() if self._is_possible(one, trial)}

    def _note_noise(self, trial: _Trial, leads: list[int]) -> None:
        for _ in range(_ROUNDS):
            self._variance = max(self._least, trial.squares / trial.freedom)
            trial = self._trial(self._system.reduced(self._variance), leads) or trial
        self._inflation = self._system.inflation(self._system.parameters(leads, self._variance))

    def _trial(self, reduced: F64, leads: list[int]) -> _Trial | None:
        """Leads fitted together; None if they cannot be distinguished, or too few readings are left."""
        freedom = self._system.count - self._system.fixed - len(leads)
        if freedom < 1:
            return None
        matrix = reduced[np.ix_(leads, leads)]
        scale = np.sqrt(np.diag(matrix))
        if not scale.all():
            return None
        even = matrix / np.outer(scale, scale)
        if np.linalg.eigvalsh(even)[0] < _UNSEEN:
            return None
        inverse = np.linalg.inv(even) / np.outer(scale, scale)
        values = inverse @ reduced[leads, -1]
        squares = max(0.0, float(reduced[-1, -1] - values @ reduced[leads, -1]))
        variance = max(self._least, squares / freedom) * self._inflation
        return _Trial(values, np.sqrt(variance * np.diag(inverse)), squares, freedom)

    def _freedom(self, trial: _Trial) -> int:
        return max(1, int(trial.freedom / self._inflation))

    def _fits_as_well(self, one: int, best: int, trials: dict[int, _Trial]) -> bool:
        """True if the best explains nothing more once another lead is fitted."""
        if one not in trials:
            return False
        both = self._trial(self._system.reduced(self._variance), [*self._named, one, best])
        return both is None or both.t <= student(OUTSIDE, self._freedom(both))

    def _matters(self, one: int, trial: _Trial) -> bool:
        """True if a lead changes a difference of two readings by more than rounding may."""
        return abs(float(trial.values[-1])) * float(self._highest_a[one]) > self._measured.step_v

    def _is_possible(self, one: int, trial: _Trial) -> bool:
        """False if a lead would have less than no resistance, or more than any could lose."""
        value, error = float(trial.values[-1]), student(OUTSIDE, self._freedom(trial)) * float(trial.errors[-1])
        if self._system.falls[one] * value >= 1:
            return False
        return self._planned[one].ohm + value + error >= 0

    def _result(self, verdict: Verdict, tried: list[int], alternatives: list[int], *, reason: str = "") -> LeadFit:
        reduced = self._system.reduced(self._variance)
        named = self._trial(reduced, self._named) if self._named else None
        leads = [self._extra_of(one, named, at) for at, one in enumerate(self._named)] if named is not None else []
        singles = {one: self._trial(reduced, [*self._named, one]) for one in tried if one not in self._named}
        bounds = [
            self._extra_of(one, trial, -1)
            for one, trial in singles.items()
            if trial is not None and one not in alternatives
        ]
        rivals = [self._extra_of(one, trial, -1) for one in alternatives if (trial := singles[one]) is not None]
        seen = {one.name for one in (*leads, *rivals, *bounds)}
        node, differs_v = self._next_node(alternatives, singles)
        parameters = self._system.parameters(self._named, self._variance)
        offsets = parameters[: self._system.fixed]
        source_v = self._system.mean_v + float(
            offsets[: len(self._measured.volts)].mean() if self._system.has_offsets else offsets[0]
        )
        squares = named.squares if named is not None else float(reduced[-1, -1])
        noise_v = math.sqrt(max(0.0, squares) / self._system.count)
        notes = list(self._currents.notes)
        if not self._system.has_offsets and len(self._measured.volts) > 1:
            notes.append("the load hardly changes, so all columns are taken to show the same at the same voltage")
        return LeadFit(
            verdict, tuple(leads), tuple(rivals), tuple(bounds),
            tuple(one.name for one in self._plan.branches if one.name not in seen),
            node, differs_v, self._next_current(), source_v, noise_v, self._readings(source_v), reason, tuple(notes),
        )  # fmt: skip

    def _extra_of(self, one: int, trial: _Trial, at: int) -> LeadExtra:
        branch = self._planned[one]
        value, error = float(trial.values[at]), student(OUTSIDE, self._freedom(trial)) * float(trial.errors[at])
        low, extra, high = (self._ohm_of(one, value + more) for more in (-error, 0.0, error))
        most_a = float(self._highest_a[one])
        return LeadExtra(
            branch.name, branch.end, branch.ohm, extra, max(low, -branch.ohm), high, extra * most_a, most_a
        )

    def _ohm_of(self, one: int, value: float) -> float:
        """Ohms more than planned; in a loop they lessen the current, so that more are needed for the same voltage."""
        return value / max(1 - float(self._system.falls[one]) * value, 1e-3)

    def _next_node(self, alternatives: list[int], singles: dict[int, _Trial | None]) -> tuple[str, float]:
        """The node not yet measured whose voltage differs most between the alternatives."""
        fits = [(one, trial) for one in alternatives if (trial := singles[one]) is not None]
        if len(fits) < 2:
            return "", 0.0
        network = self._system.network
        drop = Solver(network).series_drop(np.arange(len(network.nodes)))[0][:, self._system.leads]
        amps = self._system.most_loaded()
        lost = np.stack([drop[:, one] * amps[one] * float(trial.values[-1]) for one, trial in fits])
        differs = (lost.max(axis=0) - lost.min(axis=0)).round(6)
        for at, name in enumerate(network.nodes):
            if name in self._measured.volts:
                differs[at] = 0.0
        best = int(differs.argmax())
        return (network.nodes[best], float(differs[best])) if differs[best] > 0 else ("", 0.0)

    def _next_current(self) -> str:
        """The node whose current may deviate most from what was divided or planned."""
        currents = self._currents
        if not currents.spread.shape[1]:
            return ""
        deviates_a = np.sqrt((currents.spread**2).sum(axis=1)) * np.abs(currents.amps).max(axis=0)
        return self._plan.nodes[int(currents.nodes[int(deviates_a.argmax())])]

    def _readings(self, source_v: float) -> tuple[NodeReading, ...]:
        return tuple(
            NodeReading(
                name,
                float(np.nanmean(volts)),
                float(np.nanmin(volts)),
                source_v - drop,
                float(self._measured.amps[name].mean()) if name in self._measured.amps else None,
            )
            for (name, volts), drop in zip(self._measured.volts.items(), self._drops_v, strict=True)
        )
