"""Receivers and adapters of many kinds, made from how such devices work and from nothing that the analysis assumes.

A receiver gives the ends of its frames. An adapter with its computer turns the bytes into reads: how many bytes each
read returned, and when. Frames last 3 ms: 25 characters of 120 µs, the last one ending at the frame's end.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from busbench.model import F64, I64, FrameTimes
from busbench.wire.arrival_times import frame_bounds

CHARACTER_US, FRAME_BYTES = 120.0, 25
Rng = np.random.Generator
Reads = tuple[I64, F64]  # bytes handed over in all at the end of each read, and its time in µs


@dataclass(frozen=True, slots=True)
class Sent:
    """What a receiver sent.

    Args:
        end_us: ends of the frames that arrived, float64 (N,).
        number: their numbers on the frame timing, int64 (N,).
    """

    end_us: F64
    number: I64

    @property
    def missing(self) -> int:
        """Frames lost between the first and the last."""
        return int(self.number[-1] - self.number[0]) + 1 - self.number.size

    @property
    def period_jitter_us(self) -> float:
        """rms deviation of the periods whose frames both arrived from their mean."""
        return float(np.std(np.diff(self.end_us)[np.diff(self.number) == 1]))


def send(rng: Rng, *, count: int, period_us: float, shape: str, size_us: float, lost: float, burst: int = 1) -> Sent:
    """Frames of a receiver.

    Args:
        rng: source of chance.
        count: frames on the frame timing.
        period_us: its mean period.
        shape: how the period varies, see below.
        size_us: about the rms of the period jitter.
        lost: share of frames that are lost.
        burst: how many are lost together.
    """
    beat = period_us * np.arange(1, count + 1)
    off: F64
    match shape:
        case "even":
            off = np.zeros(count)
        case "bell":  # each frame a little off an even frame period
            off = rng.normal(0, size_us / np.sqrt(2), count)
        case "flat":
            off = rng.uniform(-1, 1, count) * size_us * np.sqrt(1.5)
        case "wander":  # each period starts from the frame before
            off = np.cumsum(rng.normal(0, size_us, count))
        case "turns":  # a long period and a short one in turn
            off = np.where(np.arange(count) % 2, size_us, 0.0)
        case "tick":  # its scheduler has a tick of a millisecond, which its frame timing is no multiple of
            off = np.ceil(beat / 1000) * 1000 - beat
        case "rare":  # now and then a frame waits for another task, by a quarter of the period at most
            off = (rng.random(count) < 0.02) * rng.uniform(0, min(10 * size_us, period_us / 4), count)
        case _:
            raise ValueError(shape)
    keep = np.ones(count, np.bool_)
    for first in np.flatnonzero(rng.random(count) < lost / burst):
        keep[first : first + burst] = False
    keep[[0, 1, 2, -3, -2, -1]] = True  # what is lost at the very ends cannot be distinguished from lateness
    ends = np.maximum.accumulate(beat + off - 3000.0 * np.arange(count)) + 3000.0 * np.arange(count)
    return Sent((ends + rng.uniform(0, 1e5))[keep], np.flatnonzero(keep))


def _bytes(end_us: F64) -> F64:
    """When each byte was in the adapter, float64 (25 N,)."""
    return (end_us[:, None] - (FRAME_BYTES - 1 - np.arange(FRAME_BYTES)) * CHARACTER_US).ravel()


def woken(rng: Rng, size: int, host: str) -> F64:
    """How late a computer's process gets to its read, in µs."""
    calm = rng.normal(85, 18, size).clip(45)
    match host:
        case "calm":
            return calm
        case "busy":  # one wake-up in 60 waits for another process
            return np.where(rng.random(size) < 1 / 60, rng.uniform(1000, 4800, size), calm)
        case "loaded":  # a queue of others before it, nearly always
            return rng.exponential(400, size) + 45
        case _:
            return rng.uniform(0, 1000 * float(host), size)


def _polled(rng: Rng, arrive: F64, tick_us: F64, host: str) -> Reads:
    """At each tick all bytes that came are handed over."""
    upto = np.searchsorted(arrive, tick_us, "right").astype(np.int64)
    has = np.diff(upto, prepend=0) > 0
    return _returned(rng, upto[has], tick_us[has], host)


def _returned(rng: Rng, upto: I64, ready_us: F64, host: str) -> Reads:
    """Reads of a process that is woken when bytes are ready; while it sleeps more may come."""
    t = np.maximum.accumulate(ready_us + woken(rng, ready_us.size, host))
    # A read takes all that is ready when it happens.
    takes = np.searchsorted(ready_us, t, "right") - 1
    first = np.concatenate([[True], takes[1:] > takes[:-1]])
    return upto[takes[first]], t[first]


def _ticks(rng: Rng, arrive: F64, step_us: float) -> F64:
    """Ticks of the bus's own clock, which is some ppm off the computer's."""
    step = step_us * (1 + rng.normal(0, 20e-6))
    return np.arange(arrive[0] - rng.uniform(0, step), arrive[-1] + 2 * step, step)


def whole(host: str) -> Callable[[Rng, Sent], Reads]:
    """Frame by frame, as a pipe or a UART that wakes its reader on an idle line hands over."""

    def reads(rng: Rng, sent: Sent) -> Reads:
        ends = sent.end_us
        return _returned(rng, FRAME_BYTES * np.arange(1, ends.size + 1), ends, host)

    return reads


def gridded(step_us: float, host: str) -> Callable[[Rng, Sent], Reads]:
    """Firmware that collects whole frames; the host asks for them at every step."""

    def reads(rng: Rng, sent: Sent) -> Reads:
        ends, ticks = sent.end_us, _ticks(rng, sent.end_us, step_us)
        upto = np.searchsorted(ends, ticks, "right").astype(np.int64)
        has = np.diff(upto, prepend=0) > 0
        return _returned(rng, FRAME_BYTES * upto[has], ticks[has], host)

    return reads


def polled(step_us: float, host: str) -> Callable[[Rng, Sent], Reads]:
    """A chip without a timer: every poll of the host takes what bytes there are."""

    def reads(rng: Rng, sent: Sent) -> Reads:
        arrive = _bytes(sent.end_us)
        return _polled(rng, arrive, _ticks(rng, arrive, step_us), host)

    return reads


def timer(latency_us: float, host: str, *, is_restarted: bool = False) -> Callable[[Rng, Sent], Reads]:
    """A chip that sends 62 bytes, or what it has when its timer runs out, at the next frame of a 1 ms bus.

    Its timer runs on by itself, or (is_restarted) starts with the first byte in an empty buffer.
    """

    def reads(rng: Rng, sent: Sent) -> Reads:
        arrive = _bytes(sent.end_us)
        upto, ready = [], []
        due, held = (np.inf if is_restarted else float(arrive[0]) + latency_us * float(rng.random())), 0
        for place, t in enumerate(arrive.tolist()):
            while t > due:
                if held:
                    upto.append(place)
                    ready.append(due)
                    held = 0
                due = np.inf if is_restarted else due + latency_us * max(1, (t - due) // latency_us)
            if is_restarted and not held:
                due = t + latency_us
            held += 1
            if held == 62:
                upto.append(place + 1)
                ready.append(t)
                held, due = 0, np.inf if is_restarted else t + latency_us
        if held:
            upto.append(arrive.size)
            ready.append(due)
        bus = _ticks(rng, np.array([ready[0], ready[-1]]), 1000.0)
        at = bus[np.searchsorted(bus, np.array(ready)).clip(0, bus.size - 1)]
        return _returned(rng, np.array(upto), at, host)

    return reads


def fifo(level: int, host: str) -> Callable[[Rng, Sent], Reads]:
    """A UART on the board: an interrupt at so many bytes, or after four idle characters."""

    def reads(rng: Rng, sent: Sent) -> Reads:
        arrive = _bytes(sent.end_us)
        upto, ready, held = [], [], 0
        for place, t in enumerate(arrive.tolist()):
            held += 1
            is_last = place % FRAME_BYTES == FRAME_BYTES - 1
            if held == level or is_last:
                upto.append(place + 1)
                ready.append(t if held == level else t + 4 * CHARACTER_US)
                held = 0
        return _returned(rng, np.array(upto), np.array(ready), host)

    return reads


def idle_sender(idle_us: float, host: str) -> Callable[[Rng, Sent], Reads]:
    """A bridge that sends a frame when the line was idle for this long, over a network with a queue."""

    def reads(rng: Rng, sent: Sent) -> Reads:
        ready = sent.end_us + idle_us + rng.exponential(250, sent.end_us.size)
        return _returned(rng, FRAME_BYTES * np.arange(1, ready.size + 1), np.maximum.accumulate(ready), host)

    return reads


def stalled(host: str) -> Callable[[Rng, Sent], Reads]:
    """Frame by frame, but every few seconds the computer does nothing for up to 60 ms."""

    def reads(rng: Rng, sent: Sent) -> Reads:
        ready = sent.end_us.copy()
        for begin in np.arange(ready[0] + 1e6, ready[-1], 4e6) + rng.uniform(0, 1e6):
            end = begin + rng.uniform(15e3, 60e3)
            ready[(ready > begin) & (ready < end)] = end
        return _returned(rng, FRAME_BYTES * np.arange(1, ready.size + 1), ready, host)

    return reads


def evened(period_us: float) -> Callable[[Rng, Sent], Reads]:
    """Reads of a program that looks every so often for itself, whatever comes (a timer tick of the system)."""

    def reads(rng: Rng, sent: Sent) -> Reads:
        arrive = _bytes(sent.end_us)
        return _polled(rng, arrive, _ticks(rng, arrive, period_us), "calm")

    return reads


KINDS: dict[str, Callable[[Rng, Sent], Reads]] = {
    "whole, calm": whole("calm"),
    "whole, busy": whole("busy"),
    "whole, loaded": whole("loaded"),
    "whole, 0-1 ms": whole("1"),
    "whole, 0-2 ms": whole("2"),
    "whole, 0-5 ms": whole("5"),
    "whole, stalls": stalled("calm"),
    "network": idle_sender(1000.0, "calm"),
    "grid 0.125 ms": gridded(125.0, "calm"),
    "grid 1 ms": gridded(1000.0, "calm"),
    "grid 1 ms, busy": gridded(1000.0, "busy"),
    "grid 1.5 ms": gridded(1500.0, "calm"),
    "grid 2 ms": gridded(2000.0, "calm"),
    "grid 4 ms": gridded(4000.0, "calm"),
    "grid 8 ms": gridded(8000.0, "calm"),
    "polled 0.125 ms": polled(125.0, "calm"),
    "polled 1 ms": polled(1000.0, "calm"),
    "polled 1 ms, busy": polled(1000.0, "busy"),
    "polled 10 ms": evened(10000.0),
    "polled 15.6 ms": evened(15625.0),
    "timer 1 ms": timer(1000.0, "calm"),
    "timer 2 ms, busy": timer(2000.0, "busy"),
    "timer 5 ms": timer(5000.0, "calm"),
    "timer 16 ms": timer(16000.0, "calm"),
    "timer 16 ms, busy": timer(16000.0, "busy"),
    "restarted 4 ms": timer(4000.0, "calm", is_restarted=True),
    "restarted 16 ms": timer(16000.0, "calm", is_restarted=True),
    "FIFO 8": fifo(8, "calm"),
    "FIFO 14, busy": fifo(14, "busy"),
    "FIFO 1": fifo(1, "calm"),
}


def seen(rng: Rng, sent: Sent, kind: str) -> FrameTimes:
    """What the analysis gets of a receiver after an adapter."""
    upto, t_us = KINDS[kind](rng, sent)
    if upto[-1] < FRAME_BYTES * sent.end_us.size:  # the recording ends with the last frame in any case
        upto, t_us = np.append(upto, FRAME_BYTES * sent.end_us.size), np.append(t_us, t_us[-1] + 1000)
    t_ns = np.rint(1000 * t_us).astype(np.int64)
    offset = FRAME_BYTES * np.arange(sent.end_us.size)
    latest, slack = frame_bounds(offset, upto, t_ns, character_ns=120_000)
    return FrameTimes(latest, slack, np.zeros(offset.size, np.uint8))


SHAPES = ("even", "bell", "flat", "wander", "turns", "tick", "rare")
PERIODS_US = (7000.21, 9000.13, 14000.37, 14300.0, 15000.11, 22000.5, 4500.2)


def draw(rng: Rng, *, count: int) -> Sent:
    """A receiver by chance: period, shape and size of its jitter, losses."""
    shape = SHAPES[int(rng.integers(len(SHAPES)))]
    size_us = float(rng.choice([20, 50, 100, 200, 400, 700]))
    lost, burst = ((0, 1), (0, 1), (0.02, 1), (0.1, 1), (0.3, 1), (0.1, 5))[int(rng.integers(6))]
    period_us = float(rng.choice(PERIODS_US)) * (1 + rng.normal(0, 10e-6))
    return send(rng, count=count, period_us=period_us, shape=shape, size_us=size_us, lost=lost, burst=burst)
