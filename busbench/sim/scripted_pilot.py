"""A simulated pilot who does each step of the test sequence: sticks to both ends, transmitter off and on."""

from __future__ import annotations

import numpy as np

from busbench.model import F64
from busbench.rig.model import Rig
from busbench.sim.stick_motion import NEUTRAL
from busbench.verify.inputs import ChannelPlan, channel_plans
from busbench.verify.procedure import TestStep
from busbench.verify.windows import AWAY_MARK, OFF_MARK, ON_MARK, POWER_MARK
from busbench.wire.frame_spec import ALL_CHANNELS, CHANNELS, COUNTS_MAX
from busbench.wire.scale import FULL_COUNTS

REACT_S, MOVE_S, HOLD_S, REST_S = 0.3, 0.4, 0.6, 1.0
AWAY_S = 3.0  # so that an overloaded supply shows before the link is cut
_AWAY = 0.5  # share of the way to an end


class RoundPilot:
    """The pilot of one aircraft, who knows its plan; query with rising times."""

    def __init__(self, rig: Rig) -> None:
        self.channels = channel_plans(rig)
        self.rests = np.full(ALL_CHANNELS, float(NEUTRAL))
        self.rests[CHANNELS:] -= FULL_COUNTS
        for mapped in self.channels:
            self.rests[mapped.channel - 1] = np.clip(mapped.rest_counts, 0, COUNTS_MAX)
        self.is_on = True
        # The path of each moving channel: times and positions; it stays at the last.
        self._places = self.rests.copy()
        self._ways: dict[int, list[tuple[float, float]]] = {}

    def step_s(self, step: TestStep) -> float:
        """Duration of a step."""
        if step.mark == AWAY_MARK:
            return AWAY_S
        moves_s = REACT_S + 2 * (2 * MOVE_S + HOLD_S) + REST_S
        return max(step.least_s, moves_s if step.channels else 0.0)

    def begin(self, step: TestStep, *, t_s: float) -> None:
        """Start a step; an earlier one is abandoned."""
        self.is_on = step.mark not in (OFF_MARK, POWER_MARK)
        motors = {mapped.channel - 1 for mapped in self.channels if mapped.must_rest}
        for index, rest in enumerate(self.rests.tolist()):
            if step.mark == ON_MARK and index in motors:
                self._go(index, t_s, [(0.0, 0.001, rest)])
            elif step.mark not in (OFF_MARK, ON_MARK):  # in these steps the controls are held in position
                self._go(index, t_s, [(0.0, MOVE_S / 2, rest)])
        for mapped in self.channels:
            if step.mark == AWAY_MARK:
                self._go(mapped.channel - 1, t_s, [(0.0, MOVE_S, _away(mapped))])
            elif mapped.channel in step.channels:
                self._go(mapped.channel - 1, t_s, _out_and_back(mapped))

    def is_on_at(self, t_s: float) -> bool:  # noqa: ARG002 - a person is late
        """True while the transmitter is on."""
        return self.is_on

    def levels(self, t_s: float) -> F64:
        """Levels of the 18 channels set by the controls, in counts, float64 (18,)."""
        for index, way in list(self._ways.items()):
            self._places[index] = _place(way, t_s)
            if t_s >= way[-1][0]:
                del self._ways[index]
        return self._places.copy()

    def _go(self, index: int, t_s: float, legs: list[tuple[float, float, float]]) -> None:
        """Lay out a path of legs: start after t_s, duration, position."""
        way = [(t_s, float(self.levels(t_s)[index]))]
        for begin_s, length_s, place in legs:
            way += [(t_s + begin_s, way[-1][1]), (t_s + begin_s + length_s, float(np.clip(place, 0, COUNTS_MAX)))]
        self._ways[index] = way


def _place(way: list[tuple[float, float]], t_s: float) -> float:
    after = next((at for at, (knot_s, _) in enumerate(way) if knot_s > t_s), len(way))
    if after in (0, len(way)):
        return way[min(after, len(way) - 1)][1]
    (begin_s, start), (end_s, goal) = way[after - 1], way[after]
    share = (t_s - begin_s) / (end_s - begin_s)
    return start + (goal - start) * share * share * (3 - 2 * share)


def _out_and_back(mapped: ChannelPlan) -> list[tuple[float, float, float]]:
    """As instructed: both ends and back, or to the other end and back if it rests at one end."""
    low, high, rest = mapped.ends.low_counts, mapped.ends.high_counts, mapped.rest_counts
    if mapped.is_on_off:
        return [(REACT_S, 0.001, high if rest < mapped.ends.neutral_counts else low),
                (REACT_S + MOVE_S + HOLD_S, 0.001, rest)]  # fmt: skip
    if mapped.rest_side:
        return [(REACT_S, MOVE_S, low if mapped.rest_side > 0 else high), (REACT_S + MOVE_S + HOLD_S, MOVE_S, rest)]
    other_s = REACT_S + MOVE_S + HOLD_S
    return [(REACT_S, MOVE_S, high), (other_s, 2 * MOVE_S, low), (other_s + 2 * MOVE_S + HOLD_S, MOVE_S, rest)]


def _away(mapped: ChannelPlan) -> float:
    """A position that differs from the planned failsafe, so that holding is visible."""
    failsafe, ends = mapped.devices[0].failsafe, mapped.ends
    if failsafe == "hold":
        return ends.low_counts if mapped.rest_counts > ends.neutral_counts else ends.high_counts
    if not isinstance(failsafe, int | float):
        return mapped.rest_counts
    end = ends.low_counts if failsafe > 0 else ends.high_counts
    return end if mapped.is_on_off else ends.neutral_counts + _AWAY * (end - ends.neutral_counts)
