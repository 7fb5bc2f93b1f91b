"""Where frames are missing, how many, and with how many damaged bytes."""

from __future__ import annotations

import bisect
from dataclasses import dataclass

import numpy as np

from busbench.analysis.frame_offsets import FrameOffsets
from busbench.analysis.period import ADAPTER_NS, Missing
from busbench.model import I64, ClockKind, FrameTimes, Reason, Rejects
from busbench.wire.frame_spec import FRAME_BYTES

NEAR_FRAMES = 8  # frames: in an adapter's reads, a hole may be found this far from its place


@dataclass(frozen=True, slots=True)
class MissingFrames:
    """Places where a frame was due and none arrived, as columns of equal length, rising by row."""

    row: I64  # index of the frame after the place (the number of frames: after the last), int64 (H,)
    missing: I64  # frames missing there, at least 1, int64 (H,)
    bytes: I64  # damaged bytes there, int64 (H,)
    offset: I64  # stream offset of the first of these, -1 without any, int64 (H,)
    stray_bytes: int  # damaged bytes at places where no frame was due


def find_missing_frames(
    times: FrameTimes,
    rejects: Rejects,
    places: FrameOffsets,
    *,
    found: Missing | None,
    kind: ClockKind,
    missing_at_end: int,
) -> MissingFrames:
    """Find the places where frames are missing.

    With a frame period, its empty slots say how many are missing, and damaged bytes
    only where. Before the first frame, after the last and without a frame period the
    bytes must decide: their number over 25, rounded, at least one.

    Args:
        places: where these are among the frames.
        found: where frames are missing on their period, None without a clear period.
        kind: the clock's.
        missing_at_end: frames that were due after the last one and before the end.
    """
    is_timed = found is not None
    missing: dict[int, int] = {}
    if found is not None:
        missing = dict(zip(found.row.tolist(), found.count.tolist(), strict=True))
    if missing_at_end:
        missing[len(times)] = missing_at_end
    size: dict[int, int] = {}
    first: dict[int, int] = {}
    damaged = rejects.reason == Reason.DAMAGED
    columns = (places.row[damaged], rejects.length[damaged], rejects.offset[damaged])
    for row, length, offset in zip(*(column.tolist() for column in columns), strict=True):
        size[row] = size.get(row, 0) + length
        first.setdefault(row, offset)
    if is_timed and kind is ClockKind.PER_READ:
        _settle(missing, size, times)
    stray = 0
    for row, length in size.items():
        if row in missing:
            if row == len(times):  # the last frame may not be due by time yet, but its bytes may be there
                missing[row] += due_by_bytes(length) > missing[row]
            continue
        if is_timed and 0 < row < len(times):
            stray += length
        else:
            missing[row] = due_by_bytes(length)
    order = sorted(missing)
    return MissingFrames(
        np.array(order, np.int64),
        np.array([missing[row] for row in order], np.int64),
        np.array([size.get(row, 0) for row in order], np.int64),
        np.array([first.get(row, -1) for row in order], np.int64),
        stray,
    )


def due_by_bytes(length: int) -> int:
    """The number of frames that this many damaged bytes make."""
    return max(1, (length + FRAME_BYTES // 2) // FRAME_BYTES)


def _settle(missing: dict[int, int], size: dict[int, int], times: FrameTimes) -> None:
    """Move missing frames from a place without damaged bytes to one with, if the clock allows both.

    Frames of one read share its time, so a hole is found where the
    reads are farthest apart, which may be a few frames from the damage.
    """
    empty = sorted(row for row in missing if row not in size)
    for row in sorted(size):
        if row in missing or not 0 < row < len(times):
            continue
        due = due_by_bytes(size[row])
        for near in empty[bisect.bisect_left(empty, row - NEAR_FRAMES) : bisect.bisect(empty, row + NEAR_FRAMES)]:
            if near not in missing or near == len(times):
                continue
            if abs(int(times.t_ns[near]) - int(times.t_ns[row])) > 2 * ADAPTER_NS:
                continue
            moved = min(due - missing.get(row, 0), missing[near])
            missing[row] = missing.get(row, 0) + moved
            missing[near] -= moved
            if not missing[near]:
                del missing[near]
            if missing[row] == due:
                break
