"""Pilots of flesh and blood: sticks that drag one another along, slips, overshoot, hesitation, springs that bounce.

Written without a look at the checks: what a hand does to a stick, not what a check allows.
All of it follows from a seed. Shares and times are common practice, no source.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np

from busbench.model import F64
from busbench.rig.model import Rig
from busbench.sim.scripted_pilot import RoundPilot
from busbench.verify.procedure import TestStep

SWITCHES = ("switch",)  # a control with this in its name goes from end to end at once
SPRINGLESS = ("lever", "slider")  # stays where it is put
Way = list[tuple[float, float]]


class Hands(RoundPilot):
    """One person, who reads an instruction and does it as people do.

    Args:
        rig: the aircraft.
        seed: of the person; each has habits of its own.
    """

    def __init__(self, rig: Rig, *, seed: int) -> None:
        super().__init__(rig)
        dice = self._dice = np.random.default_rng(seed)
        self.drags = dice.uniform(0.02, 0.07)  # of one axis, that the other axis of a gimbal comes along
        self.clumsy = dice.uniform(0.0, 0.35)  # chance of a slip a step
        self.bounce = dice.uniform(0.02, 0.08)
        self.move_s = dice.uniform(0.25, 0.9)
        self.react_s = dice.uniform(0.2, 0.7)
        self.tremor = dice.uniform(0.0, 0.0015)
        self.slips = 0
        self._at = {mapped.control: self._share(mapped.channel) for mapped in self.channels}
        self._rest = dict(self._at)
        self._paths: dict[str, Callable[[float], float]] = {}
        self._beside: dict[str, Callable[[float], float]] = {}
        self._switch_s, self._goes_on = 0.0, True
        self._ends_s = 0.0

    def _share(self, channel: int) -> float:
        mapped = next(one for one in self.channels if one.channel == channel)
        reach = mapped.ends.high_counts - mapped.ends.neutral_counts
        return (mapped.rest_counts - mapped.ends.neutral_counts) / reach

    def step_s(self, step: TestStep) -> float:
        """Until the person says that it is done."""
        return self._ends_s

    def is_on_at(self, t_s: float) -> bool:
        if t_s >= self._switch_s:
            self.is_on = self._goes_on
        return self.is_on

    def begin(self, step: TestStep, *, t_s: float) -> None:
        """Do what a step says, each time a little otherwise."""
        dice = self._dice
        self._freeze(t_s)
        react = t_s + self.react_s * dice.uniform(0.7, 1.5)
        ends = react
        match step.mark:
            case "controls held away":
                for control in self._at:
                    ends = max(ends, self._reach(control, react + dice.uniform(0, 0.6), self._far(control)))
            case "transmitter off":
                self._switch_s, self._goes_on = react + dice.uniform(0.0, 0.5), False
            case "transmitter on":
                for mapped in self.channels:
                    if mapped.devices[0].motor:  # put to rest before going on, as asked
                        self._at[mapped.control] = self._rest[mapped.control]
                self._switch_s, self._goes_on = react + dice.uniform(0, 0.3), True
            case "controls let go":
                for control in self._at:
                    ends = max(ends, self._let_go(control, react + dice.uniform(0, 0.8)))
            case "receiver on":
                self._switch_s, self._goes_on = t_s, False
            case "transmitter on after the receiver":
                self._switch_s, self._goes_on = react, True
            case _ if step.channels:
                ends = self._wiggle(next(m.control for m in self.channels if m.channel in step.channels), react)
        self._ends_s = max(step.least_s, ends + dice.uniform(0.05, 0.8) - t_s)

    def levels(self, t_s: float) -> F64:
        places = self.rests.copy()
        for mapped in self.channels:
            x = self._x(mapped.control, t_s)
            ends = mapped.ends
            reach = ends.high_counts - ends.neutral_counts if x >= 0 else ends.neutral_counts - ends.low_counts
            places[mapped.channel - 1] = min(max(ends.neutral_counts + x * reach, 0.0), 2047.0)
        return places

    # A hand on one control.

    def _x(self, control: str, t_s: float) -> float:
        x = self._paths[control](t_s) if control in self._paths else self._at[control]
        if control in self._beside:
            x += self._beside[control](t_s)
        if not _is(control, SWITCHES) and abs(x) < 0.98 and self._is_held(control, t_s):
            x += self.tremor * math.sin(61 * t_s) + self.tremor * math.sin(37 * t_s + 1)
        return float(min(max(x, -1.0), 1.0))  # the stops of the gimbal; numpy is slow with one number

    def _is_held(self, control: str, t_s: float) -> bool:
        return control in self._paths and abs(self._paths[control](t_s) - self._rest[control]) > 0.05

    def _freeze(self, t_s: float) -> None:
        """From here on everything goes from where it is."""
        for control, path in list(self._paths.items()):
            self._at[control] = float(np.clip(path(t_s), -1, 1))
            if abs(self._at[control] - self._rest[control]) < 0.004:
                self._at[control] = self._rest[control]
        self._paths.clear()
        self._beside.clear()

    def _far(self, control: str) -> float:
        """The end that is farther from failsafe and rest."""
        mapped = next(one for one in self.channels if one.control == control)
        failsafe = mapped.devices[0].failsafe
        goal = failsafe / 100 if isinstance(failsafe, int | float) else self._rest[control]
        return 1.0 if goal < 0.5 else -1.0

    def _reach(self, control: str, begin_s: float, goal: float) -> float:
        """Straight to a place; gives the time of arrival."""
        way = [(begin_s, self._at[control])]
        self._leg(control, way, goal)
        self._paths[control] = _path(way)
        return way[-1][0]

    def _leg(self, control: str, way: Way, goal: float) -> None:
        """One move, with a hesitation on the way and a little too far, as far as the stop lets it."""
        dice, (t_s, x) = self._dice, way[-1]
        if _is(control, SWITCHES):
            way += [(t_s + 0.001, goal)]
            return
        if dice.random() < 0.4:  # hesitates
            on_way = x + (goal - x) * dice.uniform(0.2, 0.7)
            t_s += self.move_s * dice.uniform(0.5, 1.0)
            way += [(t_s, on_way), (t_s + (stop := dice.uniform(0.1, 0.5)), on_way)]
            t_s += stop
        t_s += self.move_s * dice.uniform(0.7, 1.3)
        over = goal + np.sign(goal - x) * dice.uniform(0, 0.05)
        way += [(t_s, float(over)), (t_s + 0.15, goal)]

    def _wiggle(self, control: str, begin_s: float) -> float:
        """As the instruction has it: one end, hold, the other end, hold, let go."""
        dice = self._dice
        way = [(begin_s, self._at[control])]
        rest = self._rest[control]
        for goal in (1.0, -1.0) if abs(rest) < 0.5 else (-float(np.sign(rest)),):
            self._leg(control, way, goal)
            way.append((way[-1][0] + dice.uniform(0.4, 1.2), goal))
        self._paths[control] = _path(way)
        self._drag(control, begin_s, way[-1][0])
        if _is(control, SWITCHES + SPRINGLESS):
            t_s = way[-1][0]
            way += [(t_s + (0.001 if _is(control, SWITCHES) else self.move_s), rest)]
            self._paths[control] = _path(way)
            return way[-1][0]
        return self._spring(control, way[-1][0])

    def _let_go(self, control: str, begin_s: float) -> float:
        if _is(control, SWITCHES + SPRINGLESS):
            return self._go_home(control, begin_s)
        return self._spring(control, begin_s)

    def _go_home(self, control: str, begin_s: float) -> float:
        length = 0.001 if _is(control, SWITCHES) else self.move_s
        self._paths[control] = _path([(begin_s, self._x(control, begin_s)), (begin_s + length, self._rest[control])])
        return begin_s + length

    def _spring(self, control: str, begin_s: float) -> float:
        """A stick let go: back within a tenth of a second, a bounce beyond, and at rest."""
        before, start, rest = self._paths.get(control), self._x(control, begin_s), self._rest[control]
        side = np.sign(start - rest) or 1.0

        def path(t_s: float) -> float:
            if t_s < begin_s:
                return before(t_s) if before is not None else start
            since = t_s - begin_s
            if since < 0.09:
                return float(start + (rest - start) * since / 0.09)
            swing = -side * self.bounce * np.exp(-(since - 0.09) / 0.05) * np.sin((since - 0.09) / 0.02)
            return float(rest + swing) if since < 0.5 else rest

        self._paths[control] = path
        return begin_s + 0.35

    def _drag(self, control: str, begin_s: float, end_s: float) -> None:
        """The other axis of the gimbal comes along; now and then a thumb slips."""
        gimbals = {mapped.control: mapped.devices[0].gimbal for mapped in self.channels}
        other = next(
            (one for one, name in gimbals.items() if name is not None and name == gimbals[control] and one != control),
            None,
        )
        if other is None:
            return
        dice, own, share = self._dice, self._paths[control], self.drags * self._dice.choice([-1.0, 1.0])
        slip_s, slip = begin_s - 1, 0.0
        if dice.random() < self.clumsy:
            slip_s, slip = dice.uniform(begin_s, end_s), dice.uniform(0.12, 0.3)
            self.slips += 1

        def beside(t_s: float) -> float:
            if not begin_s - 0.15 <= t_s <= end_s + 0.1:
                return 0.0
            dragged = share * (own(t_s) - self._rest[control]) + 0.01 * np.sin(3 * t_s) * (t_s <= end_s)
            return float(dragged + (slip if 0 <= t_s - slip_s <= 0.2 else 0.0))

        self._beside[other] = beside


def _is(control: str, words: tuple[str, ...]) -> bool:
    return any(word in control for word in words)


def _path(way: Way) -> Callable[[float], float]:
    times, places = np.array(way).T.copy()
    return lambda t_s: float(np.interp(t_s, times, places))
