"""Where an adapter's reads leave open where a frame is missing, damaged bytes settle it."""

from __future__ import annotations

import numpy as np
import pytest

from busbench.analysis.frame_offsets import FrameOffsets
from busbench.analysis.missing_frames import _settle, due_by_bytes, find_missing_frames
from busbench.analysis.period import Missing
from busbench.model import ClockKind, FrameTimes, Reason, Rejects


def times(t_ms: list[int]) -> FrameTimes:
    count = len(t_ms)
    t_ns = 1_000_000 * np.array(t_ms, np.int64)
    return FrameTimes(t_ns, np.zeros(count, np.int32), np.zeros(count, np.uint8))


@pytest.mark.parametrize(
    ("missing", "size", "settled"),
    [
        ({4: 3}, {6: 25}, {4: 2, 6: 1}),  # one frame's bytes take one frame
        ({4: 1}, {6: 75}, {6: 1}),  # no more than are missing
        ({3: 1, 4: 1, 5: 1}, {6: 50}, {5: 1, 6: 2}),  # from several places, as many as the bytes were
        ({4: 1}, {4: 25, 6: 25}, {4: 1}),  # a place with damage keeps its own
    ],
)
def test_missing_frames_move_to_the_damage(
    missing: dict[int, int], size: dict[int, int], settled: dict[int, int]
) -> None:
    _settle(missing, size, times([0] * 10))
    assert missing == settled


@pytest.mark.parametrize(("apart_ms", "is_moved"), [(40, True), (41, False)])
def test_only_as_far_as_an_adapter_can_shift(apart_ms: int, is_moved: bool) -> None:
    """Two latency timers and their transfers: 40 ms."""
    missing = {4: 1}
    _settle(missing, {6: 25}, times([0, 0, 0, 0, 0, 0, apart_ms, apart_ms]))
    assert missing == ({6: 1} if is_moved else {4: 1})


def rejects(*runs: tuple[int, int, Reason]) -> Rejects:
    offset, length, reason = (np.array(column) for column in zip(*runs, strict=True))
    return Rejects(offset.astype(np.int64), length.astype(np.int64), reason.astype(np.uint8))


DAMAGED, SLOT = Reason.DAMAGED, Reason.SLOT


@pytest.mark.parametrize(
    ("found", "kind", "places", "stray"),
    [
        ({4: 1}, ClockKind.PER_READ, {6: (1, 20, 150)}, 0),  # reads: the frame is missing where the damage is
        ({4: 1}, ClockKind.PER_BYTE, {4: (1, 0, -1)}, 20),  # exact times know better: stray bytes
        (None, ClockKind.PER_READ, {6: (1, 20, 150)}, 0),  # without a period the bytes decide
        (None, ClockKind.NONE, {6: (1, 20, 150)}, 0),
    ],
)
def test_reads_alone_are_settled_by_damage(
    found: dict[int, int] | None, kind: ClockKind, places: dict[int, tuple[int, int, int]], stray: int
) -> None:
    """Ten frames of which the bytes of one more are damaged before frame 6; replies in slots are no damage."""
    runs = rejects((50, 4, SLOT), (154, 20, DAMAGED))
    missing = None if found is None else Missing(np.array(list(found)), np.array(list(found.values())))
    offsets = FrameOffsets(runs, first_offset=0, frames=10)
    made = find_missing_frames(times([0] * 10), runs, offsets, found=missing, kind=kind, missing_at_end=0)
    wanted = {row: (count, size, offset + 4 if offset >= 0 else -1) for row, (count, size, offset) in places.items()}
    columns = zip(made.missing.tolist(), made.bytes.tolist(), made.offset.tolist(), strict=True)
    assert dict(zip(made.row.tolist(), columns, strict=True)) == wanted
    assert made.stray_bytes == stray


@pytest.mark.parametrize(
    ("size", "at_end", "missing"),
    [(12, 0, 1), (37, 0, 1), (38, 0, 2), (24, 2, 2), (62, 2, 2), (63, 2, 3), (200, 2, 3)],
)
def test_damage_after_the_last_frame_is_one_frame_more_at_most(size: int, at_end: int, missing: int) -> None:
    """Where frames were due by time already, the last one may not be, but its bytes may be there."""
    runs = rejects((250, size - 5, DAMAGED), (245 + size, 5, DAMAGED))
    offsets = FrameOffsets(runs, first_offset=0, frames=10)
    made = find_missing_frames(
        times([0] * 10), runs, offsets, found=Missing.none(), kind=ClockKind.PER_BYTE, missing_at_end=at_end
    )
    assert (made.row.tolist(), made.missing.tolist(), made.bytes.tolist()) == ([10], [missing], [size])
    assert (made.offset.tolist(), made.stray_bytes) == ([250], 0)


@pytest.mark.parametrize(("size", "due"), [(1, 1), (37, 1), (38, 2), (62, 2), (63, 3)])
def test_bytes_make_whole_frames_one_at_least(size: int, due: int) -> None:
    assert due_by_bytes(size) == due


@pytest.mark.parametrize(("row", "is_moved"), [(1, False), (2, True), (10, True), (18, True), (19, False)])
def test_a_hole_is_within_eight_frames_of_the_damage(row: int, is_moved: bool) -> None:
    missing = {row: 1}
    _settle(missing, {10: 25}, times([0] * 20))
    assert missing == {10 if is_moved else row: 1}


@pytest.mark.parametrize(("row", "is_moved"), [(0, False), (1, True), (9, True), (10, False)])
def test_damage_at_the_ends_draws_no_frame(row: int, is_moved: bool) -> None:
    missing = {5: 1}
    _settle(missing, {row: 25}, times([0] * 10))
    assert missing == ({row: 1} if is_moved else {5: 1})
    at_end = {10: 1}
    _settle(at_end, {9: 25}, times([0] * 10))
    assert at_end == {10: 1}  # what is missing after the last frame stays there
