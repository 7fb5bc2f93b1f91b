"""`virtual:RIG`: a virtual aircraft with its pilot, as a port."""

from __future__ import annotations

import time
from collections.abc import Callable
from time import perf_counter_ns

from busbench.line import BUS_LINE, Chunk, LineSettings
from busbench.port.ipc import EventKind, PortEvent
from busbench.port.port import HearingPort
from busbench.sim.aircraft import VirtualAircraft
from busbench.verify.procedure import TestStep, round_of

REHEARSAL = "A rehearsal on a virtual aircraft, with a virtual pilot: nothing real is checked."
_NAP_S = 0.02


class AircraftPort(HearingPort):
    """A virtual aircraft on its bus."""

    cannot_send = "`drive --to virtual:RIG` and `walk virtual:RIG` move its devices"

    def __init__(
        self,
        source: str,
        *,
        aircraft: VirtualAircraft,
        line: LineSettings = BUS_LINE,
        is_fast: bool = False,
        flies_alone: bool = False,
        clock: Callable[[], int] = perf_counter_ns,
    ) -> None:
        super().__init__(source, line=line)
        self.aircraft, self.is_fast = aircraft, is_fast
        self._clock_ns = clock
        self._begin_ns = 0 if is_fast else clock()
        if is_fast:
            self.start_utc_ns = time.time_ns()
        self._t_ns = 0  # time of a fast one
        self._events = [PortEvent(self._begin_ns, EventKind.OPENED, "the virtual aircraft is on")]
        self._left: list[TestStep] = list(round_of(aircraft.rig)) if flies_alone else []
        self._flies_alone = flies_alone
        self._step_ends_ns = 0
        self._is_over = False

    def now(self) -> int:
        """The current time of its chunks, in ns."""
        return self._begin_ns + (self._t_ns if self.is_fast else self._clock_ns() - self._begin_ns)

    def restart(self) -> None:
        """Start the clock now, for the first listener."""
        if not self.is_fast:
            self._begin_ns = self._clock_ns()

    def begin_step(self, step: TestStep, *, t_ns: int) -> float:
        """Let the pilot do a step from a time of its chunks on; returns its duration in s."""
        self.aircraft.begin(step, t_ns=t_ns - self._begin_ns)
        return self.aircraft.pilot.step_s(step)

    @property
    def has_ended(self) -> bool:
        """True if a pilot who flies alone has finished."""
        return self._is_over

    def read(self, timeout_s: float) -> list[Chunk]:
        """See LivePort; a fast one lets this time pass at once."""
        if not self.is_fast or self.is_closed:
            return super().read(timeout_s)
        self._t_ns += round(timeout_s * 1e9)
        return self._on_time(self._take(self._t_ns))

    def _nap_s(self, now_ns: int) -> float:
        del now_ns
        return _NAP_S

    def _take(self, until_ns: int) -> list[Chunk]:
        chunks: list[Chunk] = []
        while self._flies_alone and not self._is_over and self._step_ends_ns <= until_ns:
            at = self._step_ends_ns
            chunks += self.aircraft.run(at)
            self._is_over = not self._left
            if not self._is_over:
                step = self._left.pop(0)
                self._events.append(PortEvent(self._begin_ns + at, EventKind.PILOT, step.mark))
                self._step_ends_ns = at + round(self.begin_step(step, t_ns=self._begin_ns + at) * 1e9)
        if not self._is_over:
            chunks += self.aircraft.run(until_ns)
        self._events += [PortEvent(self._begin_ns + e.t_ns, e.kind, e.text) for e in self.aircraft.events()]
        return chunks
