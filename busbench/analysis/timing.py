"""The frame timing: period, jitter, time error, and the bounds of the receiver's own jitter.

With a clock per byte the figures are the receiver's to half a step of the clock. With a
clock per read they include what adapter and computer add; `jitter_range` says how much of
them that can be. If late frames and lost ones look alike, there are no figures.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from busbench.analysis.continuity import longest_interval, period_change
from busbench.analysis.frame_ends import FrameEnds
from busbench.analysis.host_lateness import host_lateness
from busbench.analysis.jitter import Jitter, jitter_of
from busbench.analysis.jitter_range import ADVICE, JitterRange, Kind, explain_jitter, range_by_bytes, range_by_reads
from busbench.analysis.notebook import html_of
from busbench.analysis.period import UNCLEAR, explain_doubt, number_frames
from busbench.line import WakeUps
from busbench.model import Clock, ClockKind, FrameTimes

if TYPE_CHECKING:  # needed for few recordings, and long to import
    from busbench.analysis.clock_alignment import ClockAlignment, Lateness

_COARSE_NS = 2_500  # a quarter of a bit: a clock of longer steps cannot show the bits
_NEED = 2  # min periods for jitter


@dataclass(frozen=True, slots=True)
class Timing:
    """The frame timing of a recording.

    Args:
        frames: number of frames.
        missing: frames missing between the first and the last, None without a period, or where late frames
            and lost ones look alike; then the note says how many there may be.
        period_mean_s: mean period, None without a clock, with one frame, or where frames are as late.
        jitter: None if nothing is known of it.
        clock: the clock.
        note: for people: what was measured, and what could not be.
        against: the clock of a logic analyser on the same line, if one was recorded beside it.
    """

    frames: int
    missing: int | None
    period_mean_s: float | None
    jitter: Jitter | None
    clock: Clock
    note: str
    against: ClockAlignment | None = None

    @property
    def kind(self) -> Kind:
        """What the period jitter is known as."""
        return "unknown" if self.jitter is None else self.jitter.kind

    def _repr_html_(self) -> str:
        return html_of(self.to_json())

    def to_json(self) -> dict[str, Any]:
        """All figures with their units in the keys; null if unknown."""
        j = self.jitter

        def get(name: str) -> float | None:
            return None if j is None else getattr(j, name)

        return {
            "frames": self.frames,
            "missing": self.missing,
            "period_s": {
                "mean": self.period_mean_s,
                **{name: get(f"period_{name}_s") for name in ("median", "sd", "min", "max", "p01", "p99")},
            },
            "period_jitter_s": {
                "rms": get("period_rms_s"),
                "rms_low": get("period_low_s"),
                "rms_high": get("period_high_s"),
                "kind": self.kind,
                "peak": get("period_peak_s"),
                "pp": get("period_pp_s"),
            },
            "cycle_jitter_s": {name: get(f"cycle_{name}_s") for name in ("rms", "peak")},
            "tie_s": {name: get(f"tie_{name}_s") for name in ("rms", "pp")},
            "mtie_s": [] if j is None else [list(pair) for pair in j.mtie_s],
            "lag1": get("lag1"),
            "clock": {
                "kind": self.clock.kind.value,
                "resolution_s": self.clock.resolution_ns / 1e9 if self.clock.is_known else None,
                "floor_s": get("floor_s"),
            },
            "note": self.note,
            **({} if self.against is None else {"against": self.against.to_json()}),
        }


def timing(
    times: FrameTimes, *, clock: Clock, wakes: Sequence[WakeUps] = (), against: ClockAlignment | None = None
) -> Timing:
    """Measure the frame timing.

    Args:
        times: the frames of a recording.
        clock: their clock.
        wakes: the recorder's log of the computer's lateness.
        against: the clock of a logic analyser on the same line: the lateness that it measured is taken off the times,
            and frames that it did not see are left out.

    Returns:
        All figures that the clock allows.

    Source: JEDEC JESD65B (period and cycle-to-cycle jitter, attribution from
    memory), ITU-T G.810 (time error, MTIE); the bounds are derived in `jitter_range`.
    """
    if against is not None:
        if against.lateness is None:
            return replace(timing(times, clock=clock, wakes=wakes), against=against)
        return replace(_without_lateness(times, against.lateness), clock=clock, against=against)
    seen = len(times)
    if not clock.is_known:
        return Timing(seen, None, None, None, clock, "no clock: the recording has bytes but no times")
    times, broken = longest_interval(times)
    numbers = number_frames(times)
    if numbers is None:
        return Timing(seen, None, None, None, clock, _note("too few frames for a period", broken, _coarse(clock)))
    if not numbers.is_clear:
        return Timing(seen, None, None, None, clock, _note(f"{UNCLEAR}: no count, no jitter; {ADVICE}", broken))
    ends: FrameEnds
    found: JitterRange | None
    if clock.kind is ClockKind.PER_BYTE:
        ends, found = FrameEnds(times.t_ns, None, numbers.missing), None
        periods = ends.periods()
        if periods.size >= _NEED:
            found = range_by_bytes(float(np.std(periods)), clock.resolution_ns)
    else:
        host = host_lateness(wakes, first_ns=int(times.t_ns[0]), last_ns=int(times.t_ns[-1]))
        ends, found = range_by_reads(times, numbers, host)
        periods = ends.periods()
    mean_s = (ends.mean_ns if clock.kind is ClockKind.PER_BYTE else numbers.period_ns) / 1e9
    jitter = None if found is None else jitter_of(ends, found, periods, ends.line_error())
    change = period_change(times) if jitter is not None else ""
    uncounted = explain_doubt(numbers.missing.total, numbers.doubt)
    note = _note(explain_jitter(found), uncounted, broken, change, _coarse(clock))
    missing = None if numbers.doubt else numbers.missing.total
    return Timing(seen, missing, mean_s, jitter, clock, note)


def _without_lateness(times: FrameTimes, lateness: Lateness) -> Timing:
    """The timing by the times of a logic analyser, on the clock of the adapter's recording."""
    rows, exact = lateness.row, Clock(ClockKind.PER_BYTE, round(lateness.resolution_ns))
    t_ns = times.t_ns[rows] - np.rint(lateness.late_ns).astype(np.int64)
    found = timing(FrameTimes(t_ns, np.zeros(rows.size, np.int32), times.flags[rows]), clock=exact)
    aside = int(rows[-1] - rows[0]) + 1 - rows.size
    missing = None if found.missing is None else max(0, found.missing - aside)
    left_out = len(times) - rows.size
    note = "each frame has the exact time of a logic analyser"
    note += f"; {left_out:,} without it were left out" if left_out else ""
    return replace(found, missing=missing, note=_note(note, found.note.partition("; ")[2]))


def _note(*words: str) -> str:
    return "; ".join(word for word in words if word)


def _coarse(clock: Clock) -> str:
    """A note if the clock's steps are longer than a bit, so that frames may be misread."""
    if clock.kind is not ClockKind.PER_BYTE or clock.resolution_ns <= _COARSE_NS:
        return ""
    steps = f"times in steps of {clock.resolution_ns / 1e3:g} µs"
    return f"{steps} are too coarse for bits of 10 µs: record with shorter steps"
