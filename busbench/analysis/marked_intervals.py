"""Frames received and missed between the annotations of a recording."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from busbench.analysis.flagged_runs import FlaggedRuns
from busbench.analysis.missing_frames import MissingFrames
from busbench.model import I64, Annotation, FrameTimes


@dataclass(frozen=True, slots=True)
class MarkedInterval:
    """The time between two annotations.

    Args:
        start_mark, end_mark: their texts, None for the start and the end of the recording.
        start_s, end_s: seconds from the first byte.
        frames: frames received in it.
        missed: frames missed in it.
    """

    start_mark: str | None
    end_mark: str | None
    start_s: float
    end_s: float
    frames: int
    missed: int


def marked_intervals(
    marks: Sequence[Annotation],
    times: FrameTimes,
    holes: MissingFrames,
    begin_ns: I64,
    hole_end_ns: I64,
    runs: FlaggedRuns,
    *,
    start_ns: int,
    end_ns: int,
) -> Iterator[MarkedInterval]:
    """The intervals between annotations, each with its missed frames.

    Args:
        holes: where frames are missing.
        begin_ns, hole_end_ns: when each hole began and ended, int64 (H,).
        runs: frames flagged or marked.
        start_ns, end_ns: of the recording.
    """
    ordered = sorted(marks, key=lambda mark: mark.t_ns)
    places = [start_ns, *(min(max(mark.t_ns, start_ns), end_ns) for mark in ordered), end_ns]
    words = [None, *(mark.text for mark in ordered), None]
    at = np.array(places[1:-1], np.int64)
    behind = np.searchsorted(times.t_ns, at, "right")
    frames = [0, *behind.tolist(), len(times)]
    total = int(holes.missing.sum() + runs.length.sum())
    flagged = _flagged_until(behind, runs)
    missing = _missing_until(at, behind, holes, begin_ns, hole_end_ns)
    missed = [0, *(flagged + missing).tolist(), total]
    for i, (begin, end) in enumerate(pairwise(places)):
        yield MarkedInterval(
            words[i],
            words[i + 1],
            (begin - start_ns) / 1e9,
            (end - start_ns) / 1e9,
            frames[i + 1] - frames[i],
            missed[i + 1] - missed[i],
        )


def _flagged_until(row: I64, runs: FlaggedRuns) -> I64:
    """Frames flagged or marked before each of some rows."""
    run = np.searchsorted(runs.first, row)  # runs that begin before
    flagged: I64 = np.append(0, np.cumsum(runs.length))[run]
    inside = run[run > 0] - 1
    flagged[run > 0] -= np.maximum(runs.first[inside] + runs.length[inside] - row[run > 0], 0)
    return flagged


def _missing_until(t_ns: I64, row: I64, holes: MissingFrames, begin_ns: I64, end_ns: I64) -> I64:
    """Frames missing up to each of some times, given the row after each."""
    hole = np.searchsorted(holes.row, row)
    missing: I64 = np.append(0, np.cumsum(holes.missing))[hole]
    is_in = np.append(holes.row, -1)[hole] == row  # the time falls into this hole
    for i, at in zip(np.flatnonzero(is_in).tolist(), hole[is_in].tolist(), strict=True):
        whole, begin, end = int(holes.missing[at]), int(begin_ns[at]), int(end_ns[at])
        share = (int(t_ns[i]) - begin) / max(1, end - begin) * (whole + 1)
        missing[i] += min(whole, max(0, math.floor(share)))
    return missing
