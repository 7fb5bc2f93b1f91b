"""A virtual aircraft as a port: its time is that of a clock that the test holds, or passes at once."""

from __future__ import annotations

import functools
import time

import pytest

from busbench.errors import PortError
from busbench.line import Chunk
from busbench.port.ipc import EventKind
from busbench.sim.aircraft import VirtualAircraft
from busbench.sim.aircraft_faults import parse_fault
from busbench.sim.aircraft_port import AircraftPort
from busbench.verify.procedure import round_of
from tests.sim.test_aircraft import OTHER_RIG
from tests.verify.rounds import RIG

MS = 1_000_000
STEPS = list(round_of(OTHER_RIG))


class Held:
    """A clock of real time that the test holds."""

    def __init__(self) -> None:
        self.t_ns = 5_000 * MS

    def __call__(self) -> int:
        return self.t_ns


def as_of(chunks: list[Chunk], zero_ns: int) -> list[Chunk]:
    return [Chunk(one.t_ns - zero_ns, one.data, one.bad) for one in chunks]


def made(clock: Held | None = None, *, flies_alone: bool = False, faults: tuple[str, ...] = ()) -> AircraftPort:
    built = VirtualAircraft(OTHER_RIG, faults=[parse_fault(text) for text in faults], seed=2)
    if clock is None:
        return AircraftPort("virtual:", aircraft=built, is_fast=True, flies_alone=flies_alone)
    return AircraftPort("virtual:", aircraft=built, flies_alone=flies_alone, clock=clock)


def test_in_real_time_what_came_by_now_is_read() -> None:
    clock, other = Held(), VirtualAircraft(OTHER_RIG, seed=2)
    port = made(clock)
    assert [(one.t_ns, one.kind, one.text) for one in port.events()] == [
        (5_000 * MS, EventKind.OPENED, "the virtual aircraft is on")
    ]
    for passed_ms in (0, 4, 5, 12, 40, 700):
        clock.t_ns = (5_000 + passed_ms) * MS
        assert port.now() == clock.t_ns
        assert as_of(port.read(0.0), 5_000 * MS) == other.run(passed_ms * MS)
    assert port.events() == []
    assert not port.has_ended


def test_its_clock_starts_with_the_first_listener() -> None:
    clock, other = Held(), VirtualAircraft(OTHER_RIG, seed=2)
    port = made(clock)
    clock.t_ns += 900 * MS
    port.restart()
    assert port.read(0.0) == []
    clock.t_ns += 100 * MS
    assert as_of(port.read(0.0), 5_900 * MS) == other.run(100 * MS)


def test_a_fast_one_lets_the_time_of_a_read_pass_at_once() -> None:
    port, other = made(), VirtualAircraft(OTHER_RIG, seed=2)
    for passed_s, until_ms in ((0.1, 100), (0.0, 100), (0.25, 350)):
        assert port.read(passed_s) == other.run(until_ms * MS)
        assert port.now() == until_ms * MS
    port.restart()
    assert port.now() == 350 * MS
    port.close()
    with pytest.raises(PortError, match="the port is closed"):
        port.read(0.1)


def test_a_step_begins_now_and_lasts_as_its_pilot_needs() -> None:
    port, other = made(), VirtualAircraft(OTHER_RIG, seed=2)
    assert port.read(0.5) == other.run(500 * MS)
    length_s = port.begin_step(STEPS[1], t_ns=port.now())
    other.begin(STEPS[1])
    assert length_s == other.pilot.step_s(STEPS[1])
    assert port.read(1.0) == other.run(1500 * MS)


@pytest.mark.parametrize("at", range(len(STEPS)))
def test_a_step_that_begins_between_two_reads_changes_nothing_before(at: int) -> None:
    step, clock, other = STEPS[at], Held(), VirtualAircraft(OTHER_RIG, seed=2)
    port = made(clock)
    clock.t_ns += 500 * MS
    port.read(0.0)
    clock.t_ns += 290 * MS
    port.begin_step(step, t_ns=clock.t_ns)
    clock.t_ns += 900 * MS
    other.run(500 * MS)
    heard, still = as_of(port.read(0.0), 5_000 * MS), other.run(790 * MS)
    assert len(still) > 20
    assert heard[: len(still)] == still
    other.begin(step)
    assert heard[len(still) :] == other.run(1_690 * MS)


@functools.cache
def flown_alone() -> tuple[list[Chunk], list[tuple[int, str]]]:
    """What is heard while a pilot does step after step, and when each begins."""
    other, wanted, marks, now_ns = VirtualAircraft(OTHER_RIG, seed=2), list[Chunk](), [], 0
    for step in STEPS:
        wanted += other.run(now_ns)
        marks.append((now_ns, step.mark))
        other.begin(step)
        now_ns += round(other.pilot.step_s(step) * 1e9)
    return wanted + other.run(now_ns), marks


def test_a_pilot_alone_does_step_after_step() -> None:
    """Whatever time passes between the reads."""
    port, heard, seen = made(flies_alone=True), list[Chunk](), []
    while not port.has_ended:
        heard += port.read(0.73)
        seen += [(one.t_ns, one.text) for one in port.events() if one.kind is EventKind.PILOT]
    assert (heard, seen) == flown_alone()
    assert port.read(5.0) == []


def test_warnings_of_the_receiver_are_on_the_clock_of_the_port() -> None:
    clock = Held()
    built = VirtualAircraft(RIG, faults=[parse_fault("brown-out")], seed=1)
    port = AircraftPort("virtual:", aircraft=built, flies_alone=True, clock=clock)
    warned = []
    for _ in range(700):
        clock.t_ns += 100 * MS
        port.read(0.0)
        warned += [one for one in port.events() if one.kind is EventKind.WARNING]
        if len(warned) >= 2:
            break
    down, up = warned[:2]
    assert down.text == "the receiver has too little voltage (5.3 V) and restarts"
    assert up.text == "the receiver is up again"
    assert clock.t_ns - 110 * MS < up.t_ns <= clock.t_ns
    assert 1000 * MS < up.t_ns - down.t_ns < 5000 * MS


def test_the_date_of_a_fast_one_is_that_of_its_start(monkeypatch: pytest.MonkeyPatch) -> None:
    """Its time counts from 0; in real time it is that of the computer's clock, whose zero is long ago."""
    now_ns = time.time_ns()
    monkeypatch.setattr(time, "time_ns", lambda: now_ns)
    assert made().start_utc_ns == now_ns
    before_ns = time.perf_counter_ns()
    assert made(Held()).start_utc_ns <= now_ns - before_ns
