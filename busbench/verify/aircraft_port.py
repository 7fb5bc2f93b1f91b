"""`virtual:RIG`: a virtual aircraft with its pilot behind the same contract as a port."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from time import perf_counter_ns
from urllib.parse import parse_qsl

from busbench.errors import PortError
from busbench.model import BUS_LINE, Chunk, LineSettings
from busbench.port.live import VIRTUAL, HearingPort, LivePort, open_live
from busbench.port.messages import EventKind, PortEvent
from busbench.rig.fault import Fault
from busbench.rig.load import read_rig
from busbench.rig.model import Rig
from busbench.verify.steps import Step, round_of
from busbench.verify.virtual_aircraft import VirtualAircraft

REHEARSAL = "A rehearsal on a virtual aircraft, with a virtual pilot: nothing real is checked."
_NAP_S = 0.02


class AircraftPort(HearingPort):
    """A virtual aircraft on its bus.

    Args:
        source: as the person gave it.
        aircraft: what is heard.
        line: how the listener sets the line.
        is_fast: True where time passes only as far as it is waited for, so that a round takes no time.
        clock: time in ns, where it is not fast.
        flies_alone: True where the pilot goes through the whole round without being told, and it ends then.
    """

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
            self._start_utc_ns = time.time_ns()
        self._t_ns = 0  # of a fast one
        self._events = [PortEvent(self._begin_ns, EventKind.OPENED, "the virtual aircraft is on")]
        self._left: list[Step] = list(round_of(aircraft.rig)) if flies_alone else []
        self._flies_alone = flies_alone
        self._step_ends_ns = 0
        self._is_over = False

    def now(self) -> int:
        """The time of its chunks, in ns."""
        return self._begin_ns + (self._t_ns if self.is_fast else self._clock_ns() - self._begin_ns)

    def restart(self) -> None:
        """Have time begin now, where nobody listened before."""
        if not self.is_fast:
            self._begin_ns = self._clock_ns()

    def begin_step(self, step: Step) -> float:
        """Have the pilot do what a step asks, from now on.

        Returns:
            How long that takes, in s.
        """
        self.aircraft.begin(step)
        return self.aircraft.pilot.step_s(step)

    @property
    def has_ended(self) -> bool:
        """True where a pilot who flies alone is through."""
        return self._is_over

    def read(self, timeout_s: float) -> list[Chunk]:
        """As LivePort says; a fast one lets so much time pass at once."""
        if self.is_closed:
            raise PortError(self.source, "is closed")
        if self.is_fast:
            self._t_ns += round(timeout_s * 1e9)
            return self._take(self._t_ns)
        until = self._clock_ns() + round(timeout_s * 1e9)
        while True:
            now = self._clock_ns()
            chunks = self._take(now - self._begin_ns)
            if chunks or now >= until:
                return chunks
            time.sleep(max(0.0, min(_NAP_S, (until - now) / 1e9)))

    def _take(self, until_ns: int) -> list[Chunk]:
        chunks: list[Chunk] = []
        while self._flies_alone and not self._is_over and self._step_ends_ns <= until_ns:
            at = self._step_ends_ns
            chunks += self.aircraft.run(at)
            self._is_over = not self._left
            if not self._is_over:
                step = self._left.pop(0)
                self._events.append(PortEvent(self._begin_ns + at, EventKind.PILOT, step.mark))
                self._step_ends_ns = at + round(self.begin_step(step) * 1e9)
        if not self._is_over:
            chunks += self.aircraft.run(until_ns)
        self._events += [PortEvent(self._begin_ns + e.t_ns, e.kind, e.text) for e in self.aircraft.events()]
        return [Chunk(self._begin_ns + chunk.t_ns, chunk.data, chunk.bad) for chunk in chunks]


def rig_in(source: str) -> str | None:
    """Path of the rig file in `virtual:RIG?seed=3`; None for all other sources."""
    if not source.startswith(VIRTUAL):
        return None
    return source.removeprefix(VIRTUAL).rpartition("?")[0 if "?" in source else 2] or None


def open_aircraft(
    source: str,
    *,
    rig: Rig | None = None,
    faults: Sequence[Fault] = (),
    line: LineSettings = BUS_LINE,
    is_fast: bool | None = None,
    flies_alone: bool = False,
) -> AircraftPort:
    """The virtual aircraft that a source names.

    Args:
        source: `virtual:RIG`, and after a ? `seed=` and `speed=` real or max.
        rig: how it was built where the source names no rig file.
        faults: what is wrong with it.
        line: how to set the line.
        is_fast, flies_alone: see AircraftPort; None leaves it to the source.

    Raises:
        PortError: the source cannot be understood.
        RigError: its rig file cannot be read, or a fault cannot be built in.
    """
    texts = dict(parse_qsl(source.partition("?")[2], keep_blank_values=True))
    seed, speed = texts.pop("seed", "1"), texts.pop("speed", "real")
    if texts or not seed.isdecimal() or speed not in ("real", "max"):
        raise PortError(source, "is not understood", hint="give it as in virtual:heron.toml?seed=3&speed=max")
    path = rig_in(source)
    if path is not None:
        rig = read_rig(path)
    if rig is None:
        raise PortError(source, "names no rig file", hint="give it as in virtual:heron.toml")
    aircraft = VirtualAircraft(rig, faults=faults, seed=int(seed))
    wants_fast = speed == "max" if is_fast is None else is_fast
    return AircraftPort(source, aircraft=aircraft, line=line, is_fast=wants_fast, flies_alone=flies_alone)


def open_source(
    source: str, *, faults: Sequence[Fault] = (), line: LineSettings = BUS_LINE, flies_alone: bool = False
) -> LivePort:
    """Open a port, an address, a virtual receiver, or a virtual aircraft.

    Args:
        source: as the person gave it.
        faults: what is wrong with the aircraft.
        line: how to set the line.
        flies_alone: True where a virtual pilot goes through the whole round by himself.

    Raises:
        PortError: it cannot be opened, or is no virtual aircraft that faults could be built into.
        RigError: see open_aircraft.
    """
    if rig_in(source) is not None:
        return open_aircraft(source, faults=faults, line=line, flies_alone=flies_alone)
    if faults:
        raise PortError("--fault", "goes with virtual:RIG only", hint="leave it out, or name a rig file there")
    return open_live(source, line=line)
