"""Frames that came with a byte that the line marked as damaged: what is said of them as outages."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from busbench.analysis.outages import Outages
from busbench.model import MARKED, MARKED_MAYBE, Annotation, FrameTimes
from tests.analysis.test_outages import MS, PER_BYTE, find, heron, kinds


def marked(slots: list[int], line_marks: dict[int, int], **more: Any) -> Outages:
    """Frames every 7 ms of which the line marked some, by row."""
    times, rejects = heron(slots)
    column = np.zeros(len(times), np.uint8)
    for row, mark in line_marks.items():
        column[row] = mark
    times = FrameTimes(times.t_ns, times.slack_ns, times.flags, column)
    return find(times, rejects, clock=PER_BYTE, start_ns=0, **more)


def test_marked_frames_are_damaged() -> None:
    result = marked([0] * 200, dict.fromkeys(range(5, 185, 15), MARKED))
    assert (result.frames, result.missing, result.missed, result.missed_low) == (200, 0, 12, 12)
    assert result.missed_ratio == pytest.approx(0.06)
    assert result.summary["damaged"].frames == 12
    first = result.events[0]
    assert (first.kind, first.frames, first.missing, first.bytes, first.offset) == ("damaged", 1, 0, 25, 125)
    assert first.start_s == pytest.approx(0.038)
    assert first.end_s == pytest.approx(0.045)


def test_a_marked_frame_is_damaged_whatever_its_flags_say() -> None:
    """The mark may be for the byte of the flags."""
    result = marked([0, 0, 4, 4, 8, 0, 8, 0, 0], {3: MARKED, 4: MARKED, 7: MARKED})
    assert kinds(result) == [("lost", 1), ("damaged", 2), ("failsafe", 1), ("damaged", 1)]
    assert result.missed == 5


def test_frames_that_share_a_marked_packet_are_an_upper_bound() -> None:
    result = marked([0] * 20 + [4] + [0] * 20, {3: MARKED_MAYBE, 4: MARKED, 20: MARKED_MAYBE, 30: MARKED_MAYBE})
    assert [(one.frames, one.frames_low) for one in result.events] == [(2, 1), (1, 1), (1, 0)]
    assert (result.missed, result.missed_low) == (4, 2)  # the flagged one was missed in any case
    assert (result.summary["damaged"].frames, result.summary["damaged"].frames_low) == (4, 2)
    assert result.notes[-1] == (
        "this is the most: adapters may mark a whole packet for one bad byte; 2 were missed for certain"
    )
    assert result.to_json()["note"] == "; ".join(result.notes)


def test_marked_frames_count_between_marks() -> None:
    result = marked([0] * 30, {5: MARKED, 20: MARKED, 21: MARKED}, marks=[Annotation(100 * MS, "range")])
    assert [part.missed for part in result.between_marks] == [1, 2]
