"""What is claimed of jitter and losses holds on adapters that were written without sight of the estimator.

Whether a claim holds is judged by the true frame times, which the adapters were given. See blind_adapters.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

import busbench
from tests.analysis.blind_adapters import JITTERS, KINDS, LOSSES, PERIODS_NS, Case, made

CLOCK = busbench.Clock(busbench.ClockKind.PER_READ, 1000)
SHARE = 0.95  # of the claims of a kind, at least, holds

# Cases of full length that were wrong once, or are: what was claimed, the kind, the receiver.
CASES = {
    "at most 0.03 ms, truly 0.10 ms": Case("program: sleeps a while after each read", 15e6, "alternating", "bursts", 1),
    "at most 0.03 ms, truly 1.00 ms": Case("program: sleeps a while after each read", 14e6, "alternating", "bursts", 1),
    "at most 0.99 ms, truly 1.07 ms": Case("program: sleeps a while after each read", 21e6, "tick 1 ms", "none", 1),
    "99 missing, truly 0": Case("short-range radio: connection events, 20 bytes a packet", 21e6, "wander", "none", 1),
    "41 missing, truly 42": Case("usb: timer runs on, restarts at each packet", 21e6, "tick 1 ms", "single", 1),
    "38 missing, truly 40": Case(
        "short-range radio: connection events, 20 bytes a packet", 21e6, "alternating", "single", 1
    ),
}


def small_set(kind: str) -> list[Case]:
    """A case a period; jitter and losses turn with it, from kind to kind another way."""
    turn = list(KINDS).index(kind)
    return [
        Case(kind, period_ns, JITTERS[(turn + i) % len(JITTERS)], LOSSES[(turn + i) % len(LOSSES)], seed=1, frames=600)
        for i, period_ns in enumerate(PERIODS_NS)
    ]


@cache
def claims(case: Case) -> tuple[bool | None, bool | None]:
    """Whether the claimed bounds of the jitter hold, and the claimed number of missing frames; None without a claim."""
    log, truth, _ = made(case)
    frames = busbench.find_frames(log, clock=CLOCK).frames
    claimed = busbench.timing(frames.times(), clock=CLOCK).to_json()
    jitter, missing = claimed["period_jitter_s"], claimed["missing"]
    holds = None if jitter["kind"] == "unknown" else jitter["rms_low"] <= truth.jitter_s <= jitter["rms_high"]
    return holds, None if missing is None else missing == truth.missing


@pytest.mark.parametrize("kind", KINDS)
def test_no_byte_comes_early_or_goes_lost(kind: str) -> None:
    log, _, arrived_ns = made(small_set(kind)[0])
    handed_ns = np.repeat(log.mark_t_ns, np.diff(log.mark_end, prepend=0))
    assert handed_ns.size == arrived_ns.size
    assert (handed_ns >= arrived_ns).all()
    assert (np.diff(log.mark_t_ns) > 0).all()


@pytest.mark.parametrize("kind", KINDS)
def test_jitter_lies_within_the_bounds(kind: str) -> None:
    held = [holds for holds, _ in map(claims, small_set(kind)) if holds is not None]
    assert sum(held) >= SHARE * len(held)


@pytest.mark.parametrize("kind", KINDS)
def test_missing_frames_are_counted(kind: str) -> None:
    right = [is_right for _, is_right in map(claims, small_set(kind)) if is_right is not None]
    assert sum(right) >= SHARE * len(right)


@pytest.mark.parametrize("name", CASES)
def test_full_length_case_holds(name: str) -> None:
    assert False not in claims(CASES[name])
