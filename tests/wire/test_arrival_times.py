"""Bounds on a frame's end from the marks of a log, each worked by hand (in microseconds)."""

from __future__ import annotations

import numpy as np
import pytest

from busbench.wire.arrival_times import SLACK_UNKNOWN, frame_bounds
from busbench.wire.frame_spec import FRAME_BYTES

US = 1000
CHARACTER_NS = 120 * US


def bounds(offset: list[int], marks: list[tuple[int, int]]) -> list[tuple[int, int]]:
    ends, times = np.array(marks).T
    t_ns, slack = frame_bounds(np.array(offset), ends, times * US, character_ns=CHARACTER_NS)
    return [
        (t // US, s // US if s != SLACK_UNKNOWN else -1) for t, s in zip(t_ns.tolist(), slack.tolist(), strict=True)
    ]


def test_one_read_a_frame_is_bounded_by_the_read_before() -> None:
    # The first byte came after 3 000, so the last no earlier than 24 characters later.
    assert bounds([0, 25], [(25, 3000), (50, 10_000)]) == [(3000, -1), (10_000, 10_000 - 3000 - 24 * 120)]


def test_a_read_that_ends_inside_pins_the_frame_to_a_character() -> None:
    # Ten bytes by 8 000: the eleventh came later, the last 14 characters after it; the tenth 15 before.
    assert bounds([25], [(25, 3000), (35, 8000), (50, 16_000)]) == [(8000 + 15 * 120, 120)]


def test_of_several_reads_the_tightest_count() -> None:
    # Bytes 0-9 by 8 050 (late by 50), bytes 10-19 by 9 210: the second says 9 690 to 9 810, the first up to 9 850.
    assert bounds([25], [(25, 3000), (35, 8050), (45, 9210), (50, 12_000)]) == [
        (9210 + 5 * 120, 9810 - (8050 + 14 * 120))
    ]


def test_frames_that_share_a_read_share_its_time() -> None:
    assert bounds([25, 50], [(25, 3000), (75, 16_000)]) == [
        (16_000, 16_000 - 3000 - 24 * 120),
        (16_000, 16_000 - 3000 - 24 * 120),
    ]


def test_stamps_that_contradict_each_other_show_by_how_much() -> None:
    # The first read returned a millisecond late: its lower bound passes the upper bound of the second.
    ((t, slack),) = bounds([25], [(25, 3000), (35, 9000), (45, 9210), (50, 12_000)])
    assert t == 9210 + 5 * 120
    assert slack == 9810 - (9000 + 14 * 120) == -870


def test_a_frame_alone_is_bounded_as_among_others() -> None:
    rng = np.random.default_rng(4)
    for _ in range(100):
        ends = np.append(np.unique(rng.integers(1, 75, 6)), 75)
        t_ns = np.cumsum(rng.integers(0, 4_000_000, ends.size))
        both = frame_bounds(np.array([20, 45]), ends, t_ns, character_ns=CHARACTER_NS)
        for row, offset in enumerate((20, 45)):
            alone = frame_bounds(np.array([offset]), ends, t_ns, character_ns=CHARACTER_NS)
            assert [one.tolist() for one in alone] == [one[row : row + 1].tolist() for one in both]


def test_a_read_before_that_was_late_does_not_pass_for_one_that_cut_the_frame() -> None:
    # Both frames lay ready when the first read came, 0.1 ms before the second.
    assert bounds([0, 25], [(25, 9900), (50, 10_000)]) == [(9900, -1), (10_000, 240)]


@pytest.mark.parametrize("cuts", [(), (7,), (3, 12), (1, 2, 3, 24)])
def test_exact_stamps_hold_the_truth(cuts: tuple[int, ...]) -> None:
    frames = 50
    ends = 7000 * np.arange(1, frames + 1)
    marks = [(25 * k + cut, int(ends[k]) - (25 - cut) * 120) for k in range(frames) for cut in (*cuts, 25)]
    found = bounds([25 * k for k in range(frames)], marks)
    assert all(
        t - (t if slack == -1 else slack) <= end <= t for (t, slack), end in zip(found, ends.tolist(), strict=True)
    )


def test_frames_of_a_read_each_are_bounded_as_alone() -> None:
    """The first may have come in several reads, and reads before it may lie anywhere."""
    rng = np.random.default_rng(5)
    for _ in range(60):
        first = int(rng.integers(1, 60))
        before = np.unique(rng.integers(1, first + FRAME_BYTES, int(rng.integers(0, 5))))
        offset = first + FRAME_BYTES * np.arange(int(rng.integers(2, 5)))
        ends = np.concatenate([before[before < first + FRAME_BYTES], offset + FRAME_BYTES])
        t_ns = np.cumsum(rng.choice([0, 50_000, 2_000_000, 9_000_000], ends.size)).astype(np.int64)
        together = frame_bounds(offset, ends, t_ns, character_ns=CHARACTER_NS)
        alone = [frame_bounds(one, ends, t_ns, character_ns=CHARACTER_NS) for one in offset[:, None]]
        assert [column.tolist() for column in together] == [[int(one[i][0]) for one in alone] for i in (0, 1)]


def cut_slacks(blocks: int, others: int) -> set[int]:
    """Slack in µs of frames that a read cut each: at multiples of 23 bytes, and at others."""
    offset = FRAME_BYTES * np.arange(1, blocks + others + 1)
    cut = (offset // 23 + 1) * 23
    away = np.arange(offset.size) >= blocks
    cut = np.where(away, offset + 7 + ((offset + 7) % 23 == 0), cut)
    ends_us = 7000 * np.arange(offset.size)
    marks = [(FRAME_BYTES, -5000)]
    for at, end, t in zip(offset.tolist(), cut.tolist(), ends_us.tolist(), strict=True):
        marks += [(end, t - (at + FRAME_BYTES - end) * 120), (at + FRAME_BYTES, t)]
    return {slack for _, slack in bounds(offset.tolist(), marks)}


@pytest.mark.parametrize(
    ("blocks", "others", "slack_us"),
    [
        (63, 0, 120),
        (64, 0, 240),
        (2000, 0, 240),
        (70, 30, 120),
        (71, 29, 240),
        (0, 300, 120),
        (700, 300, 120),
        (711, 289, 240),
    ],
)
def test_reads_at_multiples_of_a_block_bound_nothing_from_below(blocks: int, others: int, slack_us: int) -> None:
    """An adapter that hands over blocks holds back bytes that have come; fewer than 64 reads or 70 % are no sign."""
    assert cut_slacks(blocks, others) == {slack_us}
