"""Bytes that the line marked as damaged: which frames are hit for certain, and which only perhaps."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from busbench.model import MARKED, MARKED_MAYBE, ByteLog, Clock, ClockKind
from busbench.wire.codec import pack_frames
from busbench.wire.frame_spec import FRAME_BYTES
from busbench.wire.framing import FrameFinder, find_frames

COUNTS = 100 * np.arange(1, 17)
PER_READ, PER_BYTE = Clock(ClockKind.PER_READ, 1), Clock(ClockKind.PER_BYTE, 1)


def log(size: int, marked: list[range], reads: list[int], *, junk: dict[int, bytes] | None = None) -> ByteLog:
    """Frames one after another, with `junk` before some, marked runs, and reads that end at some offsets."""
    frames = pack_frames(np.tile(COUNTS, (size, 1)))
    data = np.frombuffer(b"".join((junk or {}).get(row, b"") + frames[row].tobytes() for row in range(size)), np.uint8)
    bad = np.zeros(data.size, np.uint8)
    for run in marked:
        bad[run.start : run.stop] = 4
    ends = np.array([*reads, data.size], np.int64)
    return ByteLog(0, data, ends, 3_000_000 + 7_000_000 * np.arange(ends.size), bad)


def marks(some: ByteLog, clock: Clock = PER_READ) -> dict[int, int]:
    """Marks of the marked frames, by row."""
    found = find_frames(some, clock=clock).frames.line_marks
    return {row: int(found[row]) for row in np.flatnonzero(found).tolist()}


def fed_read_by_read(some: ByteLog) -> list[int]:
    """The marks of all frames where each read is fed by itself."""
    finder, parts, first = FrameFinder(clock=PER_READ), [], 0
    assert some.bad is not None
    for i, stop in enumerate(some.mark_end.tolist()):
        part, mark = slice(first, stop), slice(i, i + 1)
        piece = ByteLog(first, some.data[part], some.mark_end[mark], some.mark_t_ns[mark], some.bad[part])
        parts.append(finder.feed(piece).frames.line_marks)
        first = stop
    found: list[int] = np.concatenate([*parts, finder.flush().frames.line_marks]).tolist()
    return found


def test_a_single_byte_is_certain() -> None:
    assert marks(log(6, [range(60, 61)], [])) == {2: MARKED}


def test_a_run_inside_one_frame_is_certain() -> None:
    assert marks(log(6, [range(50, 75)], [50, 75])) == {2: MARKED}


def test_of_frames_that_share_a_marked_read_one_is_certain() -> None:
    """The adapter marked all 62 bytes of a packet for one bad byte among them."""
    assert marks(log(8, [range(62, 124)], [62, 124])) == {2: MARKED_MAYBE, 3: MARKED_MAYBE, 4: MARKED}


def test_marked_reads_one_behind_another_may_share_the_bad_frame() -> None:
    both = log(8, [range(62, 124)], [62, 110, 124])
    assert marks(both) == {2: MARKED_MAYBE, 3: MARKED_MAYBE, 4: MARKED}
    apart = log(8, [range(30, 124)], [30, 60, 124])
    assert marks(apart) == {1: MARKED_MAYBE, 2: MARKED, 3: MARKED_MAYBE, 4: MARKED_MAYBE}


def test_a_certain_frame_explains_the_read_that_it_shares() -> None:
    some = log(8, [range(30, 31), range(40, 80)], [40, 80])
    assert marks(some) == {1: MARKED, 2: MARKED_MAYBE, 3: MARKED_MAYBE}


def test_the_bad_byte_may_lie_between_frames() -> None:
    some = log(6, [range(60, 90)], [60, 90], junk={3: b"\x55\xaa"})
    assert marks(some) == {2: MARKED_MAYBE, 3: MARKED_MAYBE}


def test_a_marked_byte_between_frames_is_in_none() -> None:
    assert marks(log(6, [range(75, 76)], [], junk={3: b"\x55"})) == {}


def test_what_explains_a_read_holds_for_the_frame_that_is_still_under_way() -> None:
    """Two foreign bytes, frame 3 and a part of frame 4 came in a marked read; frame 4 ends in the next."""
    whole = log(8, [range(75, 110)], [75, 110], junk={3: b"\x55\xaa"})
    assert marks(whole) == {3: MARKED_MAYBE, 4: MARKED_MAYBE}
    assert fed_read_by_read(whole) == [0, 0, 0, MARKED_MAYBE, MARKED_MAYBE, 0, 0, 0]
    unmarked_next = log(8, [range(75, 110), range(120, 121)], [75, 110], junk={3: b"\x55\xaa"})
    assert fed_read_by_read(unmarked_next) == [0, 0, 0, MARKED_MAYBE, MARKED, 0, 0, 0]


def test_an_analyser_marks_single_bytes() -> None:
    some = log(6, [range(45, 80)], [])
    each = ByteLog(0, some.data, np.arange(1, len(some) + 1), 120_000 * np.arange(len(some)), some.bad)
    assert marks(each, PER_BYTE) == {1: MARKED, 2: MARKED, 3: MARKED}


@pytest.mark.parametrize("seed", range(40))
def test_the_certain_frames_are_the_fewest_that_explain_the_marks(seed: int) -> None:
    """Beside all subsets of the marked frames, tried one by one; pieces of the log give the same marks."""
    rng = np.random.default_rng(seed)
    ends = np.cumsum(rng.integers(5, 60, 12))
    ends = ends[ends < 12 * FRAME_BYTES]
    reads = [range(a, b) for a, b in itertools.pairwise([0, *ends.tolist(), 12 * FRAME_BYTES])]
    marked = [read for read in reads if rng.random() < 0.5]
    some = log(12, marked, ends.tolist())
    found = find_frames(some, clock=PER_READ).frames.line_marks
    hit = [{offset // FRAME_BYTES for offset in read} for read in marked]
    touched = sorted(set().union(*hit))
    fewest = next(
        size
        for size in range(len(touched) + 1)
        if any(all(read & set(few) for read in hit) for few in itertools.combinations(touched, size))
    )
    assert np.flatnonzero(found).tolist() == touched
    assert np.count_nonzero(found == MARKED) == fewest
    assert fed_read_by_read(some) == found.tolist()
