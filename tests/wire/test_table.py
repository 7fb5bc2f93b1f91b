"""Tables of frames as columns, and levels joined, by hand."""

from __future__ import annotations

import numpy as np
import pytest

from busbench.model import MARKED, MARKED_MAYBE, Rejects
from busbench.wire.codec import pack_frames
from busbench.wire.edges import Edges
from busbench.wire.frame_spec import FLAG_FAILSAFE, FLAG_LOST
from busbench.wire.table import AlignmentResult, FrameTable

COUNTS = np.arange(16 * 16).reshape(16, 16) * 7
MARKS = np.array([0, MARKED, MARKED_MAYBE, *(0,) * 13], np.uint8)


def table(offset: int = 100) -> FrameTable:
    """A frame for each value of the flags, of which the second and the third hold marked bytes."""
    rows = np.arange(16)
    raw = pack_frames(COUNTS, rows)
    return FrameTable(1000 * rows, rows.astype(np.int32), offset + 25 * rows, raw, MARKS)


def test_channels_and_their_states() -> None:
    some = table()
    assert some.channels.tolist() == COUNTS.tolist()
    every = some.all_channels()
    assert every.shape == (18, 16)
    assert every[:16].T.tolist() == COUNTS.tolist()
    assert every[16].tolist() == [flags & 1 for flags in range(16)]
    assert every[17].tolist() == [flags >> 1 & 1 for flags in range(16)]
    assert not some.channels.flags.writeable


def test_sound_frames_are_neither_flagged_nor_marked() -> None:
    some = table()
    assert np.flatnonzero(some.suspect).tolist() == [1, 2]
    sound = [flags not in (1, 2) and not flags & (FLAG_LOST | FLAG_FAILSAFE) for flags in range(16)]
    assert some.is_sound.tolist() == sound
    assert some.flags.tolist() == list(range(16))
    assert some.end.tolist() == [0] * 16


def test_parts_of_tables_and_tables_of_parts() -> None:
    first, second = table(), table(1000)
    assert (first.first_offset, len(first), FrameTable.empty().first_offset, len(FrameTable.empty())) == (100, 16, 0, 0)
    part = first[2:5]
    assert (part.t_ns.tolist(), part.slack_ns.tolist(), part.offset.tolist()) == (
        [2000, 3000, 4000],
        [2, 3, 4],
        [150, 175, 200],
    )
    assert part.line_marks.tolist() == [MARKED_MAYBE, 0, 0]
    joined = FrameTable.concat([first, FrameTable.empty(), second])
    for name in ("t_ns", "slack_ns", "offset", "raw", "line_marks"):
        expected = np.concatenate([getattr(first, name), getattr(second, name)])
        assert getattr(joined, name).tolist() == expected.tolist()
        assert getattr(FrameTable.concat([FrameTable.empty(), first]), name) is getattr(first, name)
    assert len(FrameTable.concat([])) == 0
    times = first.times()
    assert (times.t_ns.tolist(), times.flags.tolist()) == (first.t_ns.tolist(), list(range(16)))


def test_results_are_joined_with_their_spans() -> None:
    runs = Rejects(np.array([3]), np.array([4]), np.array([1], np.uint8))
    parts = [AlignmentResult(table(), runs, ((1, 2),)), AlignmentResult(table(1000), runs, ((5, 6), (7, 8)))]
    found = AlignmentResult.concat(parts)
    assert (len(found.frames), found.rejects.length.tolist()) == (32, [4, 4])
    assert found.ambiguous == ((1, 2), (5, 6), (7, 8))


@pytest.mark.parametrize("count", [1, 2, 3, 4])
def test_consecutive_levels_are_joined(count: int) -> None:
    parts = [
        Edges(np.array([10 * n + 3, 10 * n + 5, 10 * n + 8]), (n + 1) & 1, 10 * n, 10 * n + 10) for n in range(count)
    ]
    joined = Edges.join(parts)
    assert (joined.initial, joined.start_ns, joined.end_ns) == (1, 0, 10 * count)
    assert joined.t_ns.tolist() == [10 * n + step for n in range(count) for step in (3, 5, 8)]
    assert joined.final == parts[-1].final
