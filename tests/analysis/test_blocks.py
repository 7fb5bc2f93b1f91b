"""Long columns are gone through block by block: where the seams lie changes no figure."""

from __future__ import annotations

import importlib
import pkgutil

import numpy as np
import pytest

import busbench.analysis
from busbench.analysis.compared_timing import measure_timing
from busbench.analysis.continuity import clock_back, longest_interval
from busbench.analysis.outages import find_outages
from busbench.analysis.period import number_frames
from busbench.analysis.recording import RecordingTimes
from busbench.analysis.timing import timing
from busbench.capture.base import CaptureInfo
from busbench.capture.frames import Span
from busbench.model import Clock, ClockKind, FrameTimes, Rejects
from tests.analysis.adapter import exact
from tests.analysis.adapter_kinds import draw, seen

EXACT, READ = Clock(ClockKind.PER_BYTE, 100), Clock(ClockKind.PER_READ, 1)


def lossy(seed: int) -> FrameTimes:
    """Exact times with jitter, single and long losses, and now and then a late frame."""
    rng = np.random.default_rng(seed)
    keep = rng.random(700) >= 0.08
    keep[300:340] = keep[500:] = False
    keep[560:700] = True
    t_ns = 7e6 * np.arange(700) + rng.normal(0, 2e4, 700) + (rng.random(700) < 0.02) * 4e6
    return exact(np.rint(t_ns[keep]).astype(np.int64))


def reads(kind: str) -> FrameTimes:
    rng = np.random.default_rng(len(kind))
    sent = draw(rng, count=600)
    keep = np.append(True, rng.random(sent.end_us.size - 1) >= 0.05)
    return seen(rng, type(sent)(sent.end_us[keep], sent.number[keep]), kind)


def back(seed: int) -> FrameTimes:
    """The clock is set back at some places, one of them the last."""
    times = lossy(seed)
    t_ns = times.t_ns.copy()
    for row in (64, 65, 129, len(times) - 1):
        t_ns[row:] -= 3_000_000_000
    return exact(t_ns)


CASES = {
    "lossy": (lossy(1), EXACT),
    "set back": (back(3), EXACT),
    **{kind: (reads(kind), READ) for kind in ("grid 4 ms", "polled 1 ms")},
}


def flat(value: object) -> list[object]:
    if isinstance(value, dict):
        return [one for part in value.values() for one in flat(part)]
    if isinstance(value, list | tuple):
        return [one for part in value for one in flat(part)]
    return [pytest.approx(value, rel=1e-7, abs=1e-12)] if isinstance(value, float) else [value]


def figures(times: FrameTimes, clock: Clock) -> list[object]:
    fresh = FrameTimes(times.t_ns.copy(), times.slack_ns.copy(), times.flags.copy())
    numbers, (part, said) = number_frames(fresh), longest_interval(fresh)
    assert numbers is not None
    span = Span(25 * len(fresh), int(fresh.t_ns[0]), int(fresh.t_ns[-1]))
    measured = measure_timing(RecordingTimes(CaptureInfo("x", "made", clock), span, fresh, Rejects.empty(), 0))
    made: list[object] = [
        timing(fresh, clock=clock).to_json(),
        find_outages(fresh, Rejects.empty(), first_offset=0, clock=clock).to_json(),
        (numbers.period_ns, numbers.missing.row.tolist(), numbers.missing.count.tolist(), numbers.doubt),
        (len(part), said, clock_back(fresh), measured.period_beside_s),
        [None if one is None else [one.mean, one.error] for one in (measured.period, measured.jitter_log)],
    ]
    return flat(made)


@pytest.mark.parametrize("name", CASES)
def test_the_size_of_blocks_changes_no_figure(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    whole, changed = figures(*CASES[name]), 0
    for one in pkgutil.iter_modules(busbench.analysis.__path__):
        module = importlib.import_module(f"busbench.analysis.{one.name}")
        if hasattr(module, "BLOCK"):
            monkeypatch.setattr(module, "BLOCK", 64)
            changed += 1
    assert changed > 5
    assert figures(*CASES[name]) == whole
