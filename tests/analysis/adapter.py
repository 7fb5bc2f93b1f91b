"""A simulated receiver after a simulated adapter: the truth, and what a computer sees of it."""

from __future__ import annotations

from typing import Any

import numpy as np

from busbench.model import I64, FrameTimes
from busbench.wire.arrival_times import frame_bounds

CHARACTER_NS = 120_000
FRAME_BYTES = 25
PACKET_BYTES = 62


def receiver(count: int, *, period_ns: float, jitter_ns: float, rng: np.random.Generator) -> I64:
    """End times of frames; jitter_ns is the rms of the period jitter."""
    beat = period_ns * np.arange(1, count + 1) + rng.normal(0, jitter_ns / np.sqrt(2), count)
    ends: I64 = np.rint(beat).astype(np.int64)
    return ends


def lateness(kind: str, count: int, rng: np.random.Generator) -> I64:
    """Scheduling delay: "idle" (84/134/1152 µs at p50/p99/max) or "busy" (64/3434/4798 µs)."""
    late = rng.normal(84_000, 18_000, count).clip(40_000)
    if kind == "busy":
        spiky = rng.random(count) < 0.015
        late = rng.normal(64_000, 20_000, count).clip(30_000)
        late[spiky] = rng.uniform(1_000_000, 4_800_000, int(spiky.sum()))
    whole: I64 = late.astype(np.int64)
    return whole


def through_adapter(end_ns: I64, *, latency_ns: int, late: str, rng: np.random.Generator) -> FrameTimes:
    """An adapter that sends on a full packet or when its timer runs out, on a 1 ms bus frame timing."""
    arrive = (end_ns[:, None] - (FRAME_BYTES - 1 - np.arange(FRAME_BYTES)) * CHARACTER_NS).ravel()
    phase = int(rng.integers(0, 1_000_000))
    cuts, times = [], []
    timer, held = int(arrive[0]) + latency_ns, 0
    for place, t in enumerate(arrive.tolist()):
        while t > timer:
            if held:
                cuts.append(place)
                times.append(timer)
                held = 0
            timer += latency_ns
            if t > timer + latency_ns:
                timer += (t - timer) // latency_ns * latency_ns
        held += 1
        if held == PACKET_BYTES:
            cuts.append(place + 1)
            times.append(t)
            held, timer = 0, t + latency_ns
    if held:
        cuts.append(arrive.size)
        times.append(timer)
    sent = np.array(times)
    beat = -(-(sent - phase) // 1_000_000) * 1_000_000 + phase
    returned = np.maximum.accumulate(beat + lateness(late, beat.size, rng))
    return _seen(end_ns, np.array(cuts), returned)


def through_pty(end_ns: I64, *, late: str, rng: np.random.Generator) -> FrameTimes:
    """A port that hands each frame over whole, late by what the system took."""
    returned = np.maximum.accumulate(end_ns + lateness(late, end_ns.size, rng))
    return _seen(end_ns, FRAME_BYTES * np.arange(1, end_ns.size + 1), returned)


def _seen(end_ns: I64, mark_end: I64, mark_t_ns: I64) -> FrameTimes:
    offset = FRAME_BYTES * np.arange(end_ns.size)
    t_ns, slack = frame_bounds(offset, mark_end, mark_t_ns, character_ns=CHARACTER_NS)
    return FrameTimes(t_ns, slack, np.zeros(end_ns.size, np.uint8))


def exact(end_ns: I64) -> FrameTimes:
    """A clock a byte."""
    count = end_ns.size
    return FrameTimes(end_ns, np.zeros(count, np.int32), np.zeros(count, np.uint8))


def without(times: FrameTimes, lost: Any) -> FrameTimes:
    """The same with some frames missing (their reads are gone with them)."""
    keep = np.ones(len(times), np.bool_)
    keep[lost] = False
    return FrameTimes(times.t_ns[keep], times.slack_ns[keep], times.flags[keep])
