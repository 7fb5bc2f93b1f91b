"""Bytes with their clock, columns that grow, and times without the steps of a clock that was set."""

from __future__ import annotations

from itertools import pairwise
from statistics import median

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from busbench import model
from busbench.line import Chunk
from busbench.model import (
    BACK_NS,
    NO_CLOCK,
    TIME_MAX_NS,
    TIME_MIN_NS,
    ByteLog,
    Clock,
    ClockKind,
    FrameTimes,
    FrameTimesCollector,
    Reason,
    Rejects,
    remove_clock_steps,
    set_readonly,
)  # fmt: skip

MS = 1_000_000
CHUNKS = [Chunk(10, b"ab"), Chunk(15, b""), Chunk(20, b"cde", b"\0\2\0"), Chunk(30, b"f")]


def columns(log: ByteLog) -> tuple[object, ...]:
    bad = None if log.bad is None else log.bad.tolist()
    return log.offset, log.data.tobytes(), log.mark_end.tolist(), log.mark_t_ns.tolist(), bad


def test_a_log_has_a_mark_at_the_end_of_each_read_that_gave_bytes() -> None:
    log = ByteLog.from_chunks(CHUNKS, offset=100)
    assert columns(log) == (100, b"abcdef", [102, 105, 106], [10, 20, 30], [0, 0, 0, 2, 0, 0])
    assert (len(log), log.end) == (6, 106)
    assert columns(ByteLog.from_chunks(CHUNKS[:2])) == (0, b"ab", [2], [10], None)
    assert columns(ByteLog.from_chunks([], offset=7)) == (7, b"", [], [], None)


@pytest.mark.parametrize("cut", range(len(CHUNKS) + 1))
def test_a_log_in_two_parts_is_the_same_joined(cut: int) -> None:
    first = ByteLog.from_chunks(CHUNKS[:cut], offset=100)
    second = ByteLog.from_chunks(CHUNKS[cut:], offset=first.end)
    assert columns(first.joined(second)) == columns(ByteLog.from_chunks(CHUNKS, offset=100))


def test_logs_without_damage_have_none_joined() -> None:
    one, other = ByteLog.from_bytes(b"ab"), ByteLog.from_bytes(np.array([3, 4], np.uint8), offset=2)
    assert columns(one.joined(other)) == (0, b"ab\3\4", [], [], None)
    assert (one.end, other.offset, other.end) == (2, 2, 4)


def test_columns_of_a_log_have_one_length() -> None:
    data, two, one = np.zeros(2, np.uint8), np.zeros(2, np.int64), np.zeros(1, np.int64)
    with pytest.raises(ValueError, match="mark_end and mark_t_ns differ in length"):
        ByteLog(0, data, two, one)
    with pytest.raises(ValueError, match="bad and data differ in length"):
        ByteLog(0, data, two, two, np.zeros(3, np.uint8))
    assert len(ByteLog(0, data, two, two, np.zeros(2, np.uint8))) == 2


def test_a_clock_is_known_unless_there_is_none() -> None:
    assert [Clock(kind, 1).is_known for kind in ClockKind] == [True, True, False]
    assert (NO_CLOCK.is_known, NO_CLOCK.resolution_ns) == (False, 0)


def test_readonly_arrays_refuse_a_write() -> None:
    array = np.zeros(2)
    set_readonly(None, array)
    with pytest.raises(ValueError, match="read-only"):
        array[0] = 1


def frame_times(first: int, count: int, marks: list[int] | None = None) -> FrameTimes:
    numbers = np.arange(first, first + count)
    line_marks = None if marks is None else np.array(marks, np.uint8)
    return FrameTimes(numbers * 7 * MS, numbers.astype(np.int32), (numbers % 256).astype(np.uint8), line_marks)


@pytest.mark.parametrize("step", [1, 8, 1 << 20])
def test_columns_grow_by_any_parts_and_end_at_their_size(monkeypatch: pytest.MonkeyPatch, step: int) -> None:
    monkeypatch.setattr(FrameTimesCollector, "_STEP", step)
    made, size = FrameTimesCollector(), 0
    for count in (0, 1, 1, 5, 0, 9, 30, 2):
        made.add(frame_times(size, count))
        size += count
        assert len(made) == size
        room = made._columns[0].size
        assert size <= room < size + max(step, 1) or room < 2 * max(size, 1) + 1
    found = made.take()
    assert len(found) == size
    for one, same in zip((found.t_ns, found.slack_ns, found.flags), _three(frame_times(0, size)), strict=True):
        np.testing.assert_array_equal(one, same)
    assert found.line_marks is None


def _three(times: FrameTimes) -> tuple[object, ...]:
    return times.t_ns, times.slack_ns, times.flags


def test_marks_begin_with_the_first_frame_that_has_one() -> None:
    made = FrameTimesCollector()
    for first, marks in ((0, None), (2, [0, 0]), (4, [0, 1]), (6, None), (8, [2, 0])):
        made.add(frame_times(first, 2, marks))
    found = made.take().line_marks
    assert found is not None
    assert found.tolist() == [0, 0, 0, 0, 0, 1, 0, 0, 2, 0]
    unmarked = FrameTimesCollector()
    unmarked.add(frame_times(0, 2, [0, 0]))
    assert unmarked.take().line_marks is None


def rejects(*rows: tuple[int, int, Reason]) -> Rejects:
    offset, length, reason = zip(*rows, strict=True)
    return Rejects(np.array(offset, np.int64), np.array(length, np.int64), np.array(reason, np.uint8))


def test_rejected_runs_are_counted_chosen_and_joined() -> None:
    one = rejects((0, 3, Reason.CUT), (30, 5, Reason.DAMAGED))
    other = rejects((60, 7, Reason.SLOT), (90, 11, Reason.DAMAGED))
    both = Rejects.concat([one, Rejects.empty(), other])
    assert (len(both), both.bytes_total) == (4, 26)
    damaged = both.of(Reason.DAMAGED)
    assert (damaged.offset.tolist(), damaged.length.tolist(), damaged.reason.tolist()) == ([30, 90], [5, 11], [0, 0])
    assert (len(Rejects.concat([])), Rejects.empty().bytes_total) == (0, 0)


@pytest.mark.parametrize(
    ("t_ms", "wanted_ms"),
    [
        ([], []),
        ([5], [5]),
        ([0, 7, 14, 21, 5, 12, 19], [0, 7, 14, 21, 28, 35, 42]),  # on after the usual 7 ms
        ([0, 7, 3, 10, -50, -43], [0, 7, 14, 21, 28, 35]),
        ([0, 7, 7, 14, 0, 7], [0, 7, 7, 14, 21, 28]),  # two reads at one time say nothing of what is usual
        ([10, 0], [10, 10]),  # nothing is usual
        ([0, 5, 10, 17, 24, 31, 0], [0, 5, 10, 17, 24, 31, 38]),
    ],
)
def test_after_a_step_back_times_follow_on(t_ms: list[int], wanted_ms: list[int]) -> None:
    t_ns = np.array(t_ms, np.int64) * MS
    assert (remove_clock_steps(t_ns) / MS).tolist() == wanted_ms


def test_a_timestamp_that_is_a_millisecond_late_is_no_step() -> None:
    late = np.array([0, 7 * MS, 7 * MS - BACK_NS, 14 * MS])
    assert remove_clock_steps(late) is late
    late[2] -= 1
    usual = (7 * MS + 8 * MS + 1) // 2  # the median of both steps forth
    assert remove_clock_steps(late).tolist() == [0, 7 * MS, 7 * MS + usual, 15 * MS + 1 + usual]
    assert BACK_NS == MS


@pytest.mark.parametrize("at", range(1, 12))
def test_a_step_is_found_between_any_two_blocks(monkeypatch: pytest.MonkeyPatch, at: int) -> None:
    monkeypatch.setattr(model, "_STEPS", 4)
    t_ns = np.arange(12) * 7 * MS
    t_ns[at:] -= 1000 * MS
    assert remove_clock_steps(t_ns).tolist() == (np.arange(12) * 7 * MS).tolist()


@example([0, TIME_MAX_NS] * 4)
@example([TIME_MIN_NS, TIME_MAX_NS] * 3)
@example([TIME_MIN_NS, *[TIME_MAX_NS, 0] * 3])
@given(st.lists(st.integers(-(1 << 50), 1 << 50) | st.integers(-(1 << 61), 1 << 62), max_size=12))
def test_no_step_is_left_and_nothing_overflows(t_ns: list[int]) -> None:
    """Beside the same with whole numbers of any size."""
    steps = [later - earlier for earlier, later in pairwise(t_ns)]
    forth = [step for step in steps if step > 0]
    usual = int(float(median(forth))) if forth else 0
    wanted, moved = t_ns[:1], 0
    for step, at_ns in zip(steps, t_ns[1:], strict=True):
        moved += usual - step if step < -BACK_NS else 0
        wanted.append(min(at_ns + moved, TIME_MAX_NS))
    found = remove_clock_steps(np.array(t_ns, np.int64)).tolist()
    # Exact while each is a whole number of 53 bits.
    most = 0 if max(map(abs, t_ns), default=0) < 1 << 51 and moved < 1 << 62 else 1 << 12
    assert all(abs(one - same) <= most for one, same in zip(found, wanted, strict=True))
