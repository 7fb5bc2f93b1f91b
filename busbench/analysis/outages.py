"""When the bus was out: frames missing, flagged or damaged.

Each frame due counts once. Missing frames at one place are one event:
`damaged` if at least half of the missing frames' bytes are there in pieces,
else `gap`, with the number of bytes found there. Received frames are `damaged` if
the line marked a byte of them (parity, framing), whatever their flags say, else
`failsafe` or `lost` if they are flagged so (`failsafe` if both); such frames in a
row are one event. `lost` names the flag only; all causes together are `missed`.
Damaged bytes between two frames that are both on time took the place of none: they
are no event, and are counted as stray bytes.

Adapters may mark a whole packet for one bad byte in it. Frames that share a marked
packet then count as damaged, all of them; `frames_low` and `missed_low` count as few
as explain the marks (see wire/line_marks.py).

The time of a frame is that of its last byte. A gap lasts from the frame before
it to the frame after it, a run of flagged frames from the first of them to the
frame after the last. Where a clock a read leaves the place of a hole open by a
few frames, its times are as uncertain as the reads are apart.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Literal

import numpy as np

from busbench.analysis.binomial import loss_bounds
from busbench.analysis.flagged_runs import RUN_KINDS, FlaggedRuns, find_runs
from busbench.analysis.frame_offsets import FrameOffsets
from busbench.analysis.kept_parts import LeftOutParts
from busbench.analysis.marked_intervals import MarkedInterval, marked_intervals
from busbench.analysis.missing_frames import MissingFrames, find_missing_frames
from busbench.analysis.notebook import html_of
from busbench.analysis.period import Missing, explain_doubt
from busbench.capture.left_out import LeftOut, MinuteTotals
from busbench.model import I64, Annotation, Clock, FrameTimes, Rejects
from busbench.wire.frame_spec import FRAME_BYTES

Kind = Literal["gap", "lost", "failsafe", "damaged"]
KINDS: tuple[Kind, ...] = ("gap", "lost", "failsafe", "damaged")
BURST_NOTE = "losses came in bursts: the upper bound, which takes each loss as independent of the others, is too low"
MARKS_NOTE = "this is the most: adapters may mark a whole packet for one bad byte; {:,} were missed for certain"


@dataclass(frozen=True, slots=True)
class Outage:
    """One outage.

    Args:
        kind: see the module.
        start_s, end_s: seconds from the first byte, None without a clock.
        frames: frames missing, flagged or marked.
        frames_low: lower limit of these, if whole packets were marked for one bad byte.
        missing: of these, frames not received: all, or none.
        bytes: damaged bytes where frames are missing, else bytes of the received frames.
        offset: stream offset of the first of these bytes; for an empty gap, of the frame after it.
    """

    kind: Kind
    start_s: float | None
    end_s: float | None
    frames: int
    frames_low: int
    missing: int
    bytes: int
    offset: int

    @property
    def duration_s(self) -> float | None:
        """Duration, None without a clock or if the clock goes back in it."""
        if self.start_s is None or self.end_s is None or self.end_s < self.start_s:
            return None
        return self.end_s - self.start_s


@dataclass(frozen=True, slots=True)
class OutageSummary:
    """All outages of one kind.

    Args:
        count: number of outages.
        frames: frames missing, flagged or marked in them.
        frames_low: lower limit of these.
        total_s, longest_s: their duration in all, and that of the longest; None without a clock.
    """

    count: int
    frames: int
    frames_low: int
    total_s: float | None
    longest_s: float | None


@dataclass(frozen=True, slots=True)
class Outages:
    """All outages of a recording.

    Args:
        frames: frames received, including flagged and marked ones.
        expected: these and the missing ones.
        missing: frames not received.
        missed: frames missing, flagged or marked: all causes together.
        doubt: possible error of `missing`, if late frames and lost ones look alike.
        missed_low: as many of these at least, where packets were marked for one bad byte.
        duration_s: from the first byte to the end, None without a clock.
        period_s: the frame period, None if it cannot be known.
        start_utc: wall-clock time of the first byte, ISO 8601, if known.
        events: all events, in order.
        summary: every kind, also those without events.
        missed_ratio: missed / expected, None if no frame was expected.
        missed_ratio_upper95: 95 % upper confidence limit of the true ratio, one-sided.
        bursts: True if missed frames follow one another; the limit is too low then.
        stray_bytes: damaged bytes at places where no frame was due.
        ambiguous: stream spans (start, end) with two equally good alignments.
        between_marks: figures between annotations; empty without annotations or clock.
        left_out: frames on time that were received and not kept; `frames` counts them.
        minutes: totals of each minute, if the recording holds them.
    """

    frames: int
    expected: int
    missing: int
    missed: int
    missed_low: int
    duration_s: float | None
    period_s: float | None
    start_utc: str | None
    events: tuple[Outage, ...]
    summary: dict[Kind, OutageSummary]
    missed_ratio: float | None
    missed_ratio_upper95: float
    bursts: bool
    stray_bytes: int
    ambiguous: tuple[tuple[int, int], ...]
    between_marks: tuple[MarkedInterval, ...]
    doubt: int = 0
    left_out: int = 0
    minutes: tuple[MinuteTotals, ...] = ()

    @property
    def notes(self) -> tuple[str, ...]:
        """The limits of the ratio, one clause each."""
        marked = MARKS_NOTE.format(self.missed_low) if self.missed_low < self.missed else ""
        return tuple(filter(None, (BURST_NOTE * self.bursts, marked, explain_doubt(self.missing, self.doubt))))

    @property
    def missing_range(self) -> tuple[int, int | None]:
        """Min and max number of missing frames; None if gaps cannot be seen."""
        return max(0, self.missing - self.doubt), None if self.period_s is None else self.missing + self.doubt

    def _repr_html_(self) -> str:
        return html_of(self.to_json())

    def to_json(self) -> dict[str, object]:
        """Plain values with units in the keys."""
        out: dict[str, object] = {} if self.start_utc is None else {"start_utc": self.start_utc}
        out |= {name: getattr(self, name) for name in ("frames", "expected", "missing", "missed", "missed_low")}
        out |= zip(("missing_low", "missing_high"), self.missing_range, strict=True)
        out |= {"duration_s": self.duration_s, "period_s": self.period_s}
        out["events"] = [{name: getattr(event, name) for name in Outage.__slots__} for event in self.events]
        out["summary"] = {
            kind: {name: getattr(one, name) for name in OutageSummary.__slots__} for kind, one in self.summary.items()
        }
        out |= {"missed_ratio": self.missed_ratio, "missed_ratio_upper95": self.missed_ratio_upper95}
        out |= {"bursts": self.bursts, "note": "; ".join(self.notes) or None}
        out |= {"stray_bytes": self.stray_bytes, "ambiguous": [list(span) for span in self.ambiguous]}
        if self.left_out or self.minutes:
            out |= {"left_out": self.left_out, "minutes": [one.to_json() for one in self.minutes]}
        if self.between_marks:
            out["between_marks"] = [
                {"from": one.start_mark, "to": one.end_mark}
                | {name: getattr(one, name) for name in ("start_s", "end_s", "frames", "missed")}
                for one in self.between_marks
            ]
        return out


def find_outages(
    times: FrameTimes,
    rejects: Rejects,
    *,
    first_offset: int,
    clock: Clock,
    period_ns: float | None = None,
    start_ns: int | None = None,
    end_t_ns: int | None = None,
    start_utc_ns: int | None = None,
    ambiguous: Sequence[tuple[int, int]] = (),
    marks: Sequence[Annotation] = (),
    left_out: Sequence[LeftOut] = (),
    totals: Sequence[MinuteTotals] = (),
) -> Outages:
    """Find all outages of a recording.

    Args:
        times: the frames.
        rejects: the bytes in no frame; slot replies and cut pieces are no damage.
        first_offset: stream offset of the first frame's header.
        clock: the clock of the frames. Without one, gaps cannot be
            seen, and the number of damaged bytes gives that of damaged frames.
        period_ns: the period, if already known.
        start_ns: time of the capture's first byte; else the first frame's time is used.
        end_t_ns: time up to which the recording is known to have run: silence before
            it counts. Else the recording ends with its last frame.
        start_utc_ns: Unix time of the clock's zero, if known.
        ambiguous: spans from the frame search.
        marks: words set at times. The recording ran at least to the last of them.
        left_out: frames on time that were received and not kept; they count, and make no gap.
        totals: totals of each minute, passed on unchanged.

    Returns:
        The outages.
    """
    count = len(times)
    has_clock = clock.is_known
    if has_clock and marks:
        last_ns = max(mark.t_ns for mark in marks)
        end_t_ns = last_ns if end_t_ns is None else max(end_t_ns, last_ns)
    period, found, late_ns, doubt = period_ns if has_clock else None, Missing.none(), 0.0, 0
    parts = LeftOutParts.of(left_out if count else (), times.t_ns)
    if has_clock and count > 1 and (numbers := parts.number(times, period_ns=period_ns)):
        period, found, late_ns = numbers.period_ns if numbers.is_clear else None, numbers.missing, numbers.late_most_ns
        doubt = numbers.doubt if numbers.is_clear else 0
    missing_at_end = 0
    if period is not None and count and end_t_ns is not None:
        last_ns = max([int(times.t_ns[-1]), *parts.last_t_ns.tolist()])
        missing_at_end = _due(end_t_ns - last_ns, period, late_ns=late_ns)
    places = FrameOffsets(rejects, first_offset=first_offset, frames=count)
    at_places = None if period is None else found
    holes = find_missing_frames(times, rejects, places, found=at_places, kind=clock.kind, missing_at_end=missing_at_end)
    runs = find_runs(times)

    start = end = None
    if has_clock and (count or start_ns is not None):
        start = int(times.t_ns[0]) if start_ns is None else start_ns
        end = max(start, int(times.t_ns[-1]) if count else start, start if end_t_ns is None else end_t_ns)
    begin_ns, end_ns = _hole_times(times, holes.row, parts, start or 0, end or 0)
    view = _Evidence(times, places, holes, begin_ns, end_ns, runs, parts, start, period)
    # Each place once, in order; a hole is before the frame of its row.
    ordered = sorted([*view.gap_events(), *view.run_events()], key=lambda item: item[0])
    events = tuple(event for _, event in ordered)

    between: Iterator[MarkedInterval] = iter(())
    if start is not None and end is not None and marks:
        between = marked_intervals(marks, times, holes, begin_ns, end_ns, runs, start_ns=start, end_ns=end)
    missing = int(holes.missing.sum())
    passed_over = sum(one.frames for one in left_out)
    missed, expected = missing + int(runs.length.sum()), count + passed_over + missing
    bounds = loss_bounds(missed, expected)
    return Outages(
        frames=count + passed_over,
        expected=expected,
        missing=missing,
        missed=missed,
        missed_low=missing + int(runs.length_low.sum()),
        duration_s=None if start is None or end is None else (end - start) / 1e9,
        period_s=None if period is None else period / 1e9,
        start_utc=None if start is None or start_utc_ns is None else _iso(start_utc_ns + start),
        events=events,
        summary={kind: _summary([event for event in events if event.kind == kind], has_clock) for kind in KINDS},
        missed_ratio=bounds.ratio,
        missed_ratio_upper95=bounds.upper_one_sided,
        bursts=any(event.frames > 1 for event in events),
        stray_bytes=holes.stray_bytes,
        ambiguous=tuple(ambiguous),
        between_marks=tuple(between),
        doubt=doubt,
        left_out=passed_over,
        minutes=tuple(totals),
    )


def _hole_times(times: FrameTimes, row: I64, parts: LeftOutParts, start_ns: int, end_ns: int) -> tuple[I64, I64]:
    """When the holes before some rows, rising, began and ended, int64 (H,) each."""
    begin_ns = np.append(start_ns, times.t_ns[row[row > 0] - 1])[1 - np.count_nonzero(row == 0) :]
    behind_ns = np.append(times.t_ns[row[row < len(times)]], end_ns)[: row.size]
    return parts.silences(row, begin_ns, behind_ns)


def _due(silent_ns: int, period_ns: float, *, late_ns: float) -> int:
    """Frames that were due in the silence at the end."""
    # The frame due at the very end may still have been on its way, and the read may be late.
    return math.floor(silent_ns / period_ns - 0.5) if silent_ns > 1.5 * period_ns + late_ns else 0


def _summary(events: list[Outage], has_clock: bool) -> OutageSummary:
    lengths = [event.duration_s for event in events if event.duration_s is not None]
    total, longest = (math.fsum(lengths), max(lengths, default=0.0)) if has_clock else (None, None)
    frames, frames_low = sum(event.frames for event in events), sum(event.frames_low for event in events)
    return OutageSummary(len(events), frames, frames_low, total, longest)


def _iso(t_ns: int) -> str:
    seconds, rest = divmod(t_ns, 1_000_000_000)
    return f"{datetime.fromtimestamp(seconds, UTC):%Y-%m-%dT%H:%M:%S}.{rest:09d}Z"


@dataclass(frozen=True, slots=True)
class _Evidence:
    """Data from which events and intervals are made; times in ns, None without a clock."""

    times: FrameTimes
    places: FrameOffsets
    holes: MissingFrames
    begin_ns: I64  # begin_ns, end_ns: when each hole began and ended, int64 (H,)
    end_ns: I64
    runs: FlaggedRuns
    parts: LeftOutParts
    start: int | None
    period: float | None

    def _seconds(self, t_ns: int) -> float | None:
        return None if self.start is None else (t_ns - self.start) / 1e9

    def gap_events(self) -> Iterator[tuple[tuple[int, int], Outage]]:
        """Gaps and damage, each with its sort key."""
        holes = self.holes
        last = len(self.times) - 1
        behind = self.places.offset(np.minimum(holes.row, last)) + FRAME_BYTES * (holes.row > last)
        offsets = np.where(holes.offset < 0, behind, holes.offset)
        columns = (holes.row, holes.missing, holes.bytes, offsets, self.begin_ns, self.end_ns)
        for row, missing, size, offset, begin, end in zip(*(column.tolist() for column in columns), strict=True):
            kind: Kind = "damaged" if 2 * size >= FRAME_BYTES * missing or self.period is None else "gap"
            start_s, end_s = self._seconds(begin), self._seconds(end)
            yield (row, 0), Outage(kind, start_s, end_s, missing, missing, missing, size, offset)

    def run_events(self) -> Iterator[tuple[tuple[int, int], Outage]]:
        """Runs of flagged or marked frames, each with its sort key."""
        t_ns, behind_hole, runs = self.times.t_ns, set(self.holes.row.tolist()), self.runs
        columns = (runs.first, runs.length, runs.length_low, runs.kind, self.places.offset(runs.first))
        for row, length, length_low, index, offset in zip(*(column.tolist() for column in columns), strict=True):
            kind = RUN_KINDS[index]
            assert kind is not None
            after = row + length
            end = None if after in behind_hole else self.parts.first_after(after, t_ns)
            if end is None:
                end = int(t_ns[after - 1]) + round(self.period or 0.0)
            start_s, end_s = self._seconds(int(t_ns[row])), self._seconds(end)
            yield (row, 1), Outage(kind, start_s, end_s, length, length_low, 0, length * FRAME_BYTES, offset)
