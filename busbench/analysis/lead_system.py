"""The equations of measured voltages: what each lead does to each reading, and all else that may differ."""

from __future__ import annotations

import math

import numpy as np

from busbench.analysis.measured_currents import Currents
from busbench.model import F64, I64, Bools
from busbench.rig.harness import Network, Solver
from busbench.rig.measurement import Measurement

_ROWS_AT_ONCE = 20_000
_DRIFT_ROWS = 8  # fewer readings cannot distinguish a drift from a load
_LAG_MOST = 200
_ROUNDING = 1e-9  # of a volt or ampere: what rounding leaves of none


class LeadSystem:
    """Normal equations of a harness, linear in what is added to the resistance of each lead.

    Args:
        network: the plan's, with resistances as they are assumed.

    Attributes:
        leads: branches of the network that lie between readings and carry a current, int64 (K,).
        falls: by how many amperes the current of each falls for each volt lost in it, (K,).
        fixed: parameters without bounds; `open` more are bounded by what the plan says of currents.
        count: voltages measured.
    """

    def __init__(self, network: Network, measured: Measurement, currents: Currents) -> None:
        self.network, self._measured, self._currents = network, measured, currents
        solver = Solver(network)
        at = {name: index for index, name in enumerate(network.nodes)}
        nodes = np.array([at[name] for name in measured.volts], np.int64)
        one_a = np.zeros((len(currents.nodes), len(network.nodes)))
        one_a[np.arange(len(currents.nodes)), currents.nodes] = 1.0
        solved = solver.solve(one_a)
        self._ohm = network.voltage_v - solved.volts[:, nodes].T  # what a group's ampere takes from a reading, (M, G)
        drop, falls = solver.series_drop(nodes)
        self.leads = np.flatnonzero(_is_large(drop) & _is_large(solved.branch_a))
        self._drop, self.falls = drop[:, self.leads], falls[self.leads]
        self._branch_a = solved.branch_a[:, self.leads]  # a group's ampere makes flow in each lead, (G, K)
        self.has_offsets = _load_changes(currents.amps)
        self._drift = len(measured) >= _DRIFT_ROWS
        self.fixed = (len(nodes) if self.has_offsets else 1) + self._drift
        self._elapsed = _elapsed(measured)
        self.open = currents.spread.shape[1]
        self.first = self.fixed + self.open  # column of the first lead
        self.mean_v = float(np.nanmean(np.concatenate(list(measured.volts.values()))))
        size = self.first + self.leads.size + 1
        self.normal, self.count = np.zeros((size, size)), 0
        for _, _, table in self._tables():
            self.normal += table.T @ table
            self.count += len(table)

    def _tables(self) -> list[tuple[int, I64, F64]]:
        """Column of the measurement, its rows, and for each a row of all parameters and the voltage."""
        return [one for number in range(len(self._measured.volts)) for one in self._column(number)]

    def _column(self, number: int) -> list[tuple[int, I64, F64]]:
        volts = list(self._measured.volts.values())[number]
        known = np.flatnonzero(~np.isnan(volts))
        tables = []
        for first in range(0, known.size, _ROWS_AT_ONCE):
            rows = known[first : first + _ROWS_AT_ONCE]
            amps = self._currents.amps[rows]
            table = np.zeros((rows.size, len(self.normal)))
            table[:, number if self.has_offsets else 0] = 1.0
            if self._drift:
                table[:, self.fixed - 1] = self._elapsed[rows]
            drops = amps * self._ohm[number]
            table[:, self.fixed : self.first] = -drops @ self._currents.spread
            table[:, self.first : -1] = -self._drop[number] * (amps @ self._branch_a)
            table[:, -1] = volts[rows] - self.mean_v + drops.sum(axis=1)
            tables.append((number, rows, table))
        return tables

    def reduced(self, variance: float) -> F64:
        """Normal equations of the leads and the voltage alone, the rest fitted."""
        rest = self.normal[: self.first, : self.first].copy()
        place = np.arange(self.fixed, self.first)
        rest[place, place] += variance  # each is one standard deviation wide
        across = self.normal[: self.first, self.first :]
        inner = self.normal[self.first :, self.first :]
        return np.asarray(inner - across.T @ np.linalg.pinv(rest, hermitian=True) @ across, np.float64)

    def parameters(self, leads: list[int], variance: float) -> F64:
        """All parameters where these leads are fitted, others nil."""
        used = [*range(self.first), *(self.first + one for one in leads)]
        matrix = self.normal[np.ix_(used, used)].copy()
        place = np.arange(self.fixed, self.first)
        matrix[place, place] += variance
        found = np.zeros(len(self.normal) - 1)
        found[used] = np.linalg.pinv(matrix, hermitian=True) @ self.normal[used, -1]
        return found

    def inflation(self, parameters: F64) -> float:
        """By how much the variance of an estimate is larger than if all readings were independent.

        Residuals that follow one another, or those of one row, may go together: a source that sags, a late reading.
        """
        residuals = np.full((len(self._measured.volts), len(self._measured)), np.nan)
        for number, rows, table in self._tables():
            residuals[number, rows] = table[:, -1] - table[:, :-1] @ parameters
        square = float(np.nanmean(residuals**2))
        if not square or len(self._measured) < _DRIFT_ROWS:
            return 1.0
        values = np.nan_to_num(residuals)
        count = max(1, values.shape[1])
        total = 1.0
        for lag in range(1, min(_LAG_MOST, count // 4) + 1):
            one = float((values[:, lag:] * values[:, :-lag]).sum()) / float((values**2).sum())
            if one * math.sqrt(values.size) < 2:  # no more than chance
                break
            total += 2 * one
        across = np.nanmean(values, axis=0).var() * len(values) / square
        return total * max(1.0, float(across) if across > 1 + 3 * math.sqrt(2 / count) else 1.0)

    def highest_a(self) -> F64:
        """Highest current through each lead, (K,)."""
        most = np.zeros(self.leads.size)
        for first in range(0, len(self._measured), _ROWS_AT_ONCE):
            flows = np.abs(self._currents.amps[first : first + _ROWS_AT_ONCE] @ self._branch_a)
            most = np.maximum(most, flows.max(axis=0))
        return most

    def most_loaded(self) -> F64:
        """Current through each lead in the row of the highest total, (K,)."""
        row = int(np.abs(self._currents.amps.sum(axis=1)).argmax())
        return np.asarray(self._currents.amps[row] @ self._branch_a, np.float64)

    def planned_drops_v(self) -> list[float]:
        """Mean of what each column is below the source, by the network alone."""
        means = []
        for number, volts in enumerate(self._measured.volts.values()):
            rows = ~np.isnan(volts)
            means.append(float((self._currents.amps[rows] * self._ohm[number]).sum(axis=1).mean()))
        return means


def _is_large(table: F64) -> Bools:
    return np.asarray((np.abs(table) > _ROUNDING).any(axis=0), np.bool_)


def _load_changes(amps: F64) -> bool:
    """True if the load differs enough for a constant of each column to differ from a resistance."""
    total = amps.sum(axis=1)
    return bool(total.max() - total.min() > total.max() / 2)


def _elapsed(measured: Measurement) -> F64:
    """Time of each row, -1 to 1."""
    t_s = np.arange(len(measured), dtype=np.float64) if measured.t_s is None else measured.t_s
    length = float(t_s[-1] - t_s[0])
    return np.asarray(2 * (t_s - t_s[0]) / length - 1 if length else np.zeros(t_s.size), np.float64)
