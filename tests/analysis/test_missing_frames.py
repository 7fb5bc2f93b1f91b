"""Where an adapter's reads leave open where a frame is missing, damaged bytes settle it."""

from __future__ import annotations

import numpy as np
import pytest

from busbench.analysis.missing_frames import _settle
from busbench.model import FrameTimes


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
