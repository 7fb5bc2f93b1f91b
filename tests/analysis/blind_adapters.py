"""Serial adapters and hosts, written from how hardware works and without sight of the estimator they judge.

A byte passes one stage after another: chip, bus, driver, operating system, program. A stage hands over all bytes that
are ready at the times at which it looks, so what stays is: no byte is handed over before it arrived, bytes keep their
order and none is lost. Sizes and times of the stages are common practice of such hardware, no source; each recording
draws its own from them.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np

from busbench.line import Chunk
from busbench.model import F64, I64, Bools, ByteLog
from busbench.wire.codec import pack_frames

Rng = np.random.Generator
Reads = list[tuple[int, int]]  # time at which a read returned, in ns; bytes it returned
Kind = Callable[..., Reads]
KINDS: dict[str, Kind] = {}

FRAME_BYTES, CHARACTER_NS = 25, 120_000
US, MS = 1e3, 1e6


# Stages: each takes the times at which its bytes are ready and gives those at which it hands them over, ns, (B,).


def hand_over(ready: F64, look: Callable[[int, float], float], most: int | None = None) -> F64:
    """Hand over all that is ready each time the stage looks.

    Args:
        ready: rising.
        look: gives the time of the next look, from the index of the first byte waiting and the time of the last look;
            never before that byte is ready.
        most: bytes that one look can take.
    """
    times, out, first, t_ns = ready.tolist(), np.empty_like(ready), 0, -MS
    while first < len(times):
        t_ns = look(first, t_ns)
        end = bisect_right(times, t_ns, first)
        end = min(end, first + most) if most else end
        out[first:end] = t_ns
        first = end
    return out


def fifo(ready: F64, level: int, silence_ns: float, *, is_ring: bool = False) -> F64:
    """A receive buffer that empties at a fill level, or when the line fell silent.

    Args:
        is_ring: the level counts from the start of a ring, as a DMA marks it, not from the last emptying.
    """
    times, out, first = ready.tolist(), np.empty_like(ready), 0
    for i, t_ns in enumerate(times):
        if i > first and t_ns - times[i - 1] > silence_ns:
            out[first:i] = times[i - 1] + silence_ns
            first = i
        if (i + 1) % level == 0 if is_ring else i + 1 - first == level:
            out[first : i + 1] = t_ns
            first = i + 1
    out[first:] = times[-1] + min(silence_ns, 100 * MS)
    return out


def grid(ready: F64, step_ns: float, phase_ns: float, most: int | None = None) -> F64:
    """Polls on an even grid, each taking no more than a packet."""

    def look(first: int, last_ns: float) -> float:
        slots = max(np.ceil((ready[first] - phase_ns) / step_ns), np.round((last_ns - phase_ns) / step_ns) + 1)
        return max(float(phase_ns + slots * step_ns), float(ready[first]))

    return hand_over(ready, look, most)


def moderated(ready: F64, gap_ns: float) -> F64:
    """An interrupt that is not raised again within a gap."""
    return hand_over(ready, lambda first, last_ns: max(float(ready[first]), last_ns + gap_ns))


def batches_later(ready: F64, delays: Iterator[float]) -> F64:
    """Delay what was handed over together, together; a batch never passes the one before."""
    times, batch = np.unique(ready, return_inverse=True)
    late = np.array([next(delays) for _ in range(times.size)])
    return np.maximum.accumulate(times + late)[batch]


def served(ready: F64, delays: Iterator[float], pauses: tuple[F64, F64] | None = None) -> F64:
    """A thread that wakes some time after bytes came, works off all there are, and may be stopped meanwhile."""

    def look(first: int, last_ns: float) -> float:
        return after_pause(max(float(ready[first]), last_ns) + next(delays), pauses)

    return hand_over(ready, look)


def after_pause(t_ns: float, pauses: tuple[F64, F64] | None) -> float:
    """Move a time inside a pause to its end."""
    if pauses is not None:
        i = int(np.searchsorted(pauses[0], t_ns, side="right")) - 1
        if i >= 0:
            return max(t_ns, float(pauses[1][i]))
    return t_ns


# Random things.


def endless(draw: Callable[[], F64]) -> Iterator[float]:
    """Values drawn by the batch; the first batch at once."""
    first = draw().tolist()

    def values() -> Iterator[float]:
        yield from first
        while True:
            yield from draw().tolist()

    return values()


def lognormal(rng: Rng, median_ns: float, sigma: float) -> Iterator[float]:
    """Delays without end; the usual shape of a wake-up on an idle computer."""
    while True:
        yield from (median_ns * np.exp(sigma * rng.standard_normal(1024))).tolist()


def idle_wake(rng: Rng) -> Iterator[float]:
    """A program on an idle computer."""
    return lognormal(rng, rng.uniform(15, 90) * US, rng.uniform(0.2, 0.6))


def pauses_of(rng: Rng, end_ns: float, gap_ns: float, draw: Callable[[], float]) -> tuple[F64, F64]:
    """Times at which pauses start and end: gaps exponential, lengths drawn."""
    starts, ends, t_ns = [], [], 0.0
    while t_ns < end_ns:
        t_ns += rng.exponential(gap_ns)
        starts.append(t_ns)
        t_ns += draw()
        ends.append(t_ns)
    return np.array(starts), np.array(ends)


def arrivals(starts_ns: I64, frame_bytes: int, character_ns: int) -> F64:
    """End of each byte on the line."""
    ends = starts_ns[:, None] + character_ns * np.arange(1, frame_bytes + 1)
    return ends.reshape(-1).astype(np.float64)


def as_reads(handed: F64) -> Reads:
    """Reads of a program, stamped in whole microseconds, never early."""
    times, counts = np.unique(np.ceil(handed / US), return_counts=True)
    return [(int(t) * 1000, int(n)) for t, n in zip(times, counts, strict=True)]


def kind(name: str) -> Callable[[Callable[[Rng, F64], F64]], Kind]:
    """Enter an adapter under its name; it takes arrival times and gives those at which reads returned."""

    def enter(passes: Callable[[Rng, F64], F64]) -> Kind:
        def reads(rng: Rng, starts_ns: I64, frame_bytes: int = FRAME_BYTES, character_ns: int = CHARACTER_NS) -> Reads:
            return as_reads(passes(rng, arrivals(starts_ns, frame_bytes, character_ns)))

        KINDS[name] = reads
        return reads

    return enter


def full_speed(rng: Rng, ready: F64, most: int = 64) -> F64:
    """A full-speed bulk endpoint that is polled each millisecond, by the crystal of the host controller."""
    return grid(ready, MS * (1 + rng.normal(0, 30e-6)), rng.uniform(0, MS), most)


@kind("uart: FIFO level and silence, idle computer")
def _uart(rng: Rng, line: F64) -> F64:
    out = fifo(line, int(rng.choice([1, 4, 8, 14])), 4 * CHARACTER_NS)
    out = served(out, lognormal(rng, 8 * US, 0.4))  # interrupt
    out = served(out, lognormal(rng, 25 * US, 0.6))  # work queue of the driver
    return served(out, idle_wake(rng))


@kind("uart: level alone, tail by a driver's poll")
def _uart_polled_tail(rng: Rng, line: F64) -> F64:
    """No silence interrupt, so that a timer of the driver fetches what the level leaves."""
    step_ns = float(rng.choice([1, 2, 4, 10])) * MS
    by_level = fifo(line, int(rng.choice([8, 16])), np.inf, is_ring=True)
    out = np.minimum(by_level, grid(line, step_ns, rng.uniform(0, step_ns)))
    return served(out, idle_wake(rng))


@kind("usb: timer runs on, restarts at each packet")
def _timer_free(rng: Rng, line: F64) -> F64:
    """The chip sends at 62 bytes or as its timer ends; the timer then starts again, bytes or not."""
    timer_ns = float(rng.choice([1, 2, 5, 8, 16])) * MS
    times, most = line.tolist(), 62

    def look(first: int, last_ns: float) -> float:
        ends_ns = last_ns + max(1.0, np.ceil((times[first] - last_ns) / timer_ns)) * timer_ns
        full_ns = times[first + most - 1] if first + most <= len(times) else np.inf
        return float(min(ends_ns, max(full_ns, last_ns)))

    return served(full_speed(rng, hand_over(line, look, most)), idle_wake(rng))


@kind("usb: timer starts at the first byte")
def _timer_first(rng: Rng, line: F64) -> F64:
    timer_ns = rng.uniform(0.5, 10) * MS * (1 + rng.normal(0, 5e-3))  # from an RC oscillator
    times, most = line.tolist(), 64

    def look(first: int, last_ns: float) -> float:
        full_ns = times[first + most - 1] if first + most <= len(times) else np.inf
        return float(min(times[first] + timer_ns, full_ns))

    return served(full_speed(rng, hand_over(line, look, most)), idle_wake(rng))


@kind("usb: sends at once, high speed, moderated interrupts")
def _high_speed(rng: Rng, line: F64) -> F64:
    out = fifo(line, int(rng.choice([1, 8, 16, 32])), rng.uniform(1.5, 5) * CHARACTER_NS)
    out = grid(out, 125 * US, rng.uniform(0, 125 * US), 512)
    out = moderated(out, float(rng.choice([40, 125, 250, 1000])) * US)
    return served(out, idle_wake(rng))


@kind("usb: packets of 8 bytes each millisecond")
def _small_packets(rng: Rng, line: F64) -> F64:
    return served(full_speed(rng, line, 8), idle_wake(rng))


@kind("usb: full speed after a hub with split transactions")
def _hub(rng: Rng, line: F64) -> F64:
    out = fifo(line, 64, rng.uniform(1, 4) * CHARACTER_NS)
    micro_ns = 125 * US
    out = grid(out, micro_ns * int(rng.choice([1, 8])), rng.uniform(0, micro_ns), 64)
    frames = np.array([2.0, 3.0, 4.0, 10.0])
    wait = endless(lambda: micro_ns * frames[rng.choice(4, 60_000, p=[0.6, 0.3, 0.08, 0.02])])
    return served(moderated(batches_later(out, wait), 125 * US), idle_wake(rng))


@kind("usb: report endpoint of 62 bytes on a long interval")
def _report_endpoint(rng: Rng, line: F64) -> F64:
    step_ns = float(rng.choice([4, 8, 10, 16])) * MS * (1 + rng.normal(0, 30e-6))
    return served(grid(line, step_ns, rng.uniform(0, step_ns), 62), idle_wake(rng))


@kind("microcontroller: DMA ring marks and line silence")
def _dma_ring(rng: Rng, line: F64) -> F64:
    silence_ns = float(rng.choice([1, 2, 4])) * CHARACTER_NS
    out = fifo(line, int(rng.choice([8, 16, 32])), silence_ns, is_ring=True)
    return served(full_speed(rng, out), idle_wake(rng))


@kind("microcontroller: main loop and double buffer")
def _main_loop(rng: Rng, line: F64) -> F64:
    """A main loop with other work, now and then a long piece of it, fills two packets in turn."""
    turn_ns = rng.uniform(50, 900) * US
    busy = pauses_of(rng, line[-1], rng.uniform(0.2, 2) * 1e9, lambda: rng.uniform(1, 12) * MS)
    turns = endless(lambda: turn_ns * rng.uniform(0.1, 1, 60_000))
    return served(full_speed(rng, served(line, turns, busy)), idle_wake(rng))


@kind("virtual machine: emulated controller and stolen time")
def _virtual_machine(rng: Rng, line: F64) -> F64:
    mean_ns = rng.uniform(0.5, 6) * MS
    stolen = pauses_of(rng, line[-1], rng.uniform(15, 150) * MS, lambda: rng.exponential(mean_ns))
    out = fifo(line, 62, 2 * CHARACTER_NS)
    out = grid(out, float(rng.choice([1, 1, 4])) * MS, rng.uniform(0, MS), 64)
    out = served(out, lognormal(rng, 60 * US, 0.7), stolen)
    return served(out, idle_wake(rng), stolen)


@kind("socket bridge: Wi-Fi with retries and bursts of interference")
def _wifi(rng: Rng, line: F64) -> F64:
    out = fifo(line, 64, rng.uniform(0.5, 5) * MS)
    disturbed = pauses_of(rng, line[-1], rng.uniform(1, 8) * 1e9, lambda: rng.exponential(400) * MS)
    air = lognormal(rng, rng.uniform(0.6, 2) * MS, 0.5)
    retry = rng.uniform(0.002, 0.03)

    def look(first: int, last_ns: float) -> float:
        t_ns = max(float(out[first]), last_ns)
        is_bad = after_pause(t_ns, disturbed) > t_ns
        late_ns = next(air)
        while rng.random() < (0.5 if is_bad else retry):
            late_ns += rng.uniform(1, 25) * MS
        return t_ns + late_ns

    return served(hand_over(out, look), idle_wake(rng))


@kind("socket bridge: Wi-Fi receiver that dozes between beacons")
def _wifi_doze(rng: Rng, line: F64) -> F64:
    """The host sleeps after some idle time and fetches what waits at the next beacon."""
    beacon_ns, phase_ns = 102.4 * MS, rng.uniform(0, 102.4) * MS
    awake_ns = rng.uniform(4, 30) * MS
    out = fifo(line, 64, rng.uniform(0.5, 3) * MS)

    def look(first: int, last_ns: float) -> float:
        ready_ns = float(out[first])
        if ready_ns - last_ns <= awake_ns:
            return max(ready_ns, last_ns) + rng.exponential(1 * MS)
        return float(phase_ns + np.ceil((ready_ns - phase_ns) / beacon_ns) * beacon_ns) + rng.exponential(0.5 * MS)

    return served(hand_over(out, look), idle_wake(rng))


@kind("short-range radio: connection events, 20 bytes a packet")
def _radio(rng: Rng, line: F64) -> F64:
    step_ns = float(rng.choice([6, 9, 12, 16])) * 1.25 * MS * (1 + rng.normal(0, 20e-6))
    phase_ns, failing = rng.uniform(0, step_ns), rng.uniform(0.005, 0.08)
    packets = int(rng.choice([4, 6]))

    def look(first: int, last_ns: float) -> float:
        slot = max(np.ceil((line[first] - phase_ns) / step_ns), np.round((last_ns - phase_ns) / step_ns) + 1)
        while rng.random() < failing:
            slot += 1
        return max(float(phase_ns + slot * step_ns), float(line[first]))

    return served(hand_over(line, look, 20 * packets), idle_wake(rng))


@kind("computer: bursts of load, program waits for its turn")
def _loaded(rng: Rng, line: F64) -> F64:
    loads = pauses_of(rng, line[-1], rng.uniform(1, 6) * 1e9, lambda: rng.exponential(2.5e9))
    idle, slice_ns, others = idle_wake(rng), rng.uniform(1, 4) * MS, int(rng.integers(1, 4))
    waits = rng.uniform(0.2, 0.8)
    ready = full_speed(rng, fifo(line, 62, 2 * CHARACTER_NS))

    def look(first: int, last_ns: float) -> float:
        t_ns = max(float(ready[first]), last_ns)
        late_ns = next(idle)
        if after_pause(t_ns, loads) > t_ns and rng.random() < waits:
            late_ns += rng.uniform(0, others) * slice_ns
        return t_ns + late_ns

    return hand_over(ready, look)


@kind("computer: work queue of the driver kept waiting")
def _work_queue(rng: Rng, line: F64) -> F64:
    """Other work items run before; some of them take milliseconds."""
    kept = pauses_of(rng, line[-1], rng.uniform(20, 200) * MS, lambda: min(rng.pareto(1.3) * 0.2, 15.0) * MS)
    out = fifo(line, 8, 4 * CHARACTER_NS)
    return served(served(out, lognormal(rng, 40 * US, 0.8), kept), idle_wake(rng))


@kind("program: stops to collect garbage")
def _garbage(rng: Rng, line: F64) -> F64:
    longest_ns = rng.uniform(5, 80) * MS
    stops = pauses_of(rng, line[-1], rng.uniform(0.2, 2) * 1e9, lambda: rng.uniform(0.2, 1) * longest_ns)
    out = grid(fifo(line, 62, 2 * CHARACTER_NS), 125 * US, rng.uniform(0, 125 * US), 64)
    return served(out, idle_wake(rng), stops)


@kind("program: sleeps on a coarse tick between reads")
def _coarse_tick(rng: Rng, line: F64) -> F64:
    tick_ns = float(rng.choice([1, 4, 10, 15.625])) * MS
    phase_ns, wake = rng.uniform(0, tick_ns), idle_wake(rng)
    ready = full_speed(rng, line)
    awake = batches_later(grid(ready, tick_ns, phase_ns), wake)
    return served(awake, lognormal(rng, 5 * US, 0.2))


@kind("program: sleeps a while after each read")
def _sleeps_after(rng: Rng, line: F64) -> F64:
    nap_ns, wake = rng.uniform(1, 20) * MS, lognormal(rng, 70 * US, 0.4)
    ready = full_speed(rng, fifo(line, 62, 2 * CHARACTER_NS))

    def look(first: int, last_ns: float) -> float:
        t_ns = last_ns + nap_ns + next(wake)
        while t_ns < ready[first]:
            t_ns += nap_ns + next(wake)
        return t_ns

    return hand_over(ready, look)


@kind("program: waits for 64 bytes")
def _minimum_count(rng: Rng, line: F64) -> F64:
    out = full_speed(rng, fifo(line, 62, 2 * CHARACTER_NS))
    times, minimum = out.tolist(), int(rng.choice([32, 64, 100]))
    wake = idle_wake(rng)

    def look(first: int, last_ns: float) -> float:
        return max(float(times[min(first + minimum, len(times)) - 1]), last_ns) + next(wake)

    return hand_over(out, look)


@kind("power saving: deep sleep costs by how long it was idle")
def _power_saving(rng: Rng, line: F64) -> F64:
    deep_ns, link_ns = rng.uniform(100, 900) * US, rng.uniform(0, 3) * MS
    ready, idle = fifo(line, 16, 2 * CHARACTER_NS), idle_wake(rng)

    def look(first: int, last_ns: float) -> float:
        idle_ns = float(ready[first]) - last_ns
        late_ns = next(idle)
        if idle_ns > 2 * MS:
            late_ns += deep_ns * min(1.0, idle_ns / (8 * MS)) * rng.uniform(0.7, 1.1)
        if idle_ns > 9 * MS:  # the link slept, too
            late_ns += link_ns * rng.uniform(0.9, 1.1)
        return max(float(ready[first]), last_ns) + late_ns

    return hand_over(ready, look)


@kind("clock of the host: fast, and slewed now and then")
def _host_clock(rng: Rng, line: F64) -> F64:
    """The host's clock is fast by up to 120 ppm and is slewed by as much as 500 ppm more for some seconds."""
    out = served(full_speed(rng, fifo(line, 62, 2 * CHARACTER_NS)), idle_wake(rng))
    slews = pauses_of(rng, line[-1], 10e9, lambda: rng.uniform(1, 6) * 1e9)
    slewed_ns = np.zeros_like(out)
    for start_ns, end_ns in zip(*slews, strict=True):
        slewed_ns += np.clip(out - start_ns, 0, end_ns - start_ns)
    return out * (1 + rng.uniform(10e-6, 120e-6)) + slewed_ns * rng.uniform(50e-6, 500e-6)


@kind("microcontroller: DMA ring marks alone")
def _dma_marks(rng: Rng, line: F64) -> F64:
    """Firmware that overlooks the silence after a frame: its tail waits for the bytes of the next."""
    out = fifo(line, int(rng.choice([4, 8, 16])), np.inf, is_ring=True)
    return served(full_speed(rng, out), idle_wake(rng))


# The receiver.

PERIODS_NS = (7e6, 9e6, 14e6, 14.3e6, 15e6, 21e6)
JITTERS = ("white", "uniform", "each after the last", "alternating", "wander", "tick 0.5 ms", "tick 1 ms")
LOSSES = ("none", "single", "bursts")
LEVELS_NS = (0.0, 20e3, 100e3, 300e3, 1e6)  # rms of the period; what ticks add comes on top
LINE_BUSY_NS = 3.2e6


def receiver(rng: Rng, frames: int, period_ns: float, jitter: str, rms_ns: float) -> I64:
    """Start of each frame on the line, ns, int64 (N,)."""
    index = np.arange(frames)
    even = starts = period_ns * index
    if jitter == "white":
        starts = even + rng.normal(0, rms_ns / np.sqrt(2), frames)
    elif jitter == "uniform":
        starts = even + rng.uniform(-0.5, 0.5, frames) * rms_ns * np.sqrt(6)
    elif jitter == "each after the last":
        starts = even + np.cumsum(rng.normal(0, rms_ns, frames))
    elif jitter == "alternating":
        starts = even + (index % 2) * rms_ns
    elif jitter == "wander":
        turns = index / rng.uniform(200, 1000) + rng.random()
        starts = even + np.cumsum(np.sqrt(2) * rms_ns * np.sin(2 * np.pi * turns))
    else:
        tick_ns = {"tick 0.5 ms": 0.5e6, "tick 1 ms": 1e6}[jitter]
        due = even + rng.uniform(0, tick_ns) + rng.uniform(-0.5, 0.5, frames) * rms_ns * np.sqrt(6)
        starts = np.ceil(due / tick_ns) * tick_ns
    starts = np.maximum.accumulate(starts - LINE_BUSY_NS * index) + LINE_BUSY_NS * index
    rounded: I64 = np.round(starts - starts[0] + rng.uniform(20e6, 60e6)).astype(np.int64)
    return rounded


def received(rng: Rng, frames: int, loss: str) -> Bools:
    """Which frames come: all, all but single ones (2 %), or all but runs of 5 on average (5 %)."""
    if loss == "none":
        return np.ones(frames, np.bool_)
    if loss == "single":
        kept = rng.random(frames) >= 0.02
        kept[1:] |= ~kept[:-1]
        return kept
    kept = np.ones(frames, np.bool_)
    for first in np.flatnonzero(rng.random(frames) < 0.05 / 0.95 / 5):
        kept[first : first + rng.geometric(1 / 5)] = False
    return kept


@dataclass(frozen=True)
class Case:
    """A recording to make; `seed` draws the rest."""

    kind: str
    period_ns: float
    jitter: str
    loss: str
    seed: int
    frames: int = 2000


@dataclass(frozen=True)
class Truth:
    """What a recording ought to yield.

    Args:
        jitter_s: standard deviation of the periods between frames that came, each lost frame in between taken as a
            period of mean length.
        jitter_single_s: of those alone that have no loss in between.
        missing: frames lost between the first and the last that came.
    """

    jitter_s: float
    jitter_single_s: float
    missing: int


def made(case: Case) -> tuple[ByteLog, Truth, I64]:
    """The recording, what is true of it, and when its bytes arrived, int64 (B,)."""
    place = (list(KINDS).index(case.kind), round(case.period_ns), JITTERS.index(case.jitter), LOSSES.index(case.loss))
    rng = np.random.default_rng((case.seed, *place))
    starts = receiver(rng, case.frames, case.period_ns, case.jitter, float(rng.choice(LEVELS_NS)))
    index = np.flatnonzero(received(rng, case.frames, case.loss))
    came = starts[index]
    reads = KINDS[case.kind](rng, came)
    data = pack_frames(rng.integers(172, 1812, (came.size, 16))).tobytes()
    ends = np.cumsum([count for _, count in reads]).tolist()
    chunks = [Chunk(t, data[end - n : end]) for (t, n), end in zip(reads, ends, strict=True)]
    span, periods = np.diff(came), np.diff(index)
    mean = (came[-1] - came[0]) / (index[-1] - index[0])
    truth = Truth(
        jitter_s=float(np.std(span - (periods - 1) * mean)) / 1e9,
        jitter_single_s=float(np.std(span[periods == 1])) / 1e9,
        missing=int(periods.sum()) - span.size,
    )
    return ByteLog.from_chunks(chunks), truth, arrivals(came, FRAME_BYTES, CHARACTER_NS).astype(np.int64)
