"""Runs of received frames that are flagged or hold marked bytes."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from busbench.model import I64, MARKED_MAYBE, U8, FrameTimes
from busbench.wire.frame_spec import FLAG_FAILSAFE, FLAG_LOST

RUN_KINDS: tuple[Literal["lost", "failsafe", "damaged"] | None, ...] = (None, "lost", "failsafe", "damaged")
_DAMAGED = RUN_KINDS.index("damaged")
# Byte 23 -> index into RUN_KINDS.
_KIND = np.array([2 if byte & FLAG_FAILSAFE else 1 if byte & FLAG_LOST else 0 for byte in range(256)], np.uint8)


@dataclass(frozen=True, slots=True)
class FlaggedRuns:
    """Runs of frames of one kind, as columns of equal length."""

    first: I64  # row of the first frame, int64 (R,), rising
    length: I64  # frames, int64 (R,)
    length_low: I64  # frames certainly flagged or marked, int64 (R,)
    kind: U8  # index into RUN_KINDS, uint8 (R,)


def find_runs(times: FrameTimes) -> FlaggedRuns:
    """All runs, in order."""
    kind, maybe = np.zeros(len(times), np.uint8), np.empty(0, np.int64)
    flagged = np.flatnonzero(times.flags & (FLAG_LOST | FLAG_FAILSAFE))  # few
    kind[flagged] = _KIND[times.flags[flagged]]
    if times.line_marks is not None and times.line_marks.any():
        maybe = np.flatnonzero((times.line_marks == MARKED_MAYBE) & (kind == 0))
        kind[times.line_marks > 0] = _DAMAGED
    edges = np.flatnonzero(kind[1:] != kind[:-1]) + 1
    first = np.concatenate([[0], edges]).astype(np.int64) if kind.size else np.empty(0, np.int64)
    length = np.diff(first, append=kind.size)
    keep = kind[first] > 0
    first, length = first[keep], length[keep]
    length_low = length - (np.searchsorted(maybe, first + length) - np.searchsorted(maybe, first))
    return FlaggedRuns(first, length, length_low, kind[first])
