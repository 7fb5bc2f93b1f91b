"""Places of frames that are reckoned from the bytes between them are those at which they were found."""

from __future__ import annotations

import numpy as np
import pytest

from busbench.analysis.frame_offsets import FrameOffsets
from busbench.model import NO_CLOCK, ByteLog, Rejects
from busbench.wire.framing import find_frames
from tests.wire.corpus import END_CYCLE, make


@pytest.mark.parametrize("slots", [0.0, 0.3])
@pytest.mark.parametrize("from_row", [0, 1, 700])
def test_places_are_those_of_the_frames(slots: float, from_row: int) -> None:
    ends = END_CYCLE if slots else (0,)
    corpus = make("mixed", 2000, 3, end=ends, slots=slots, flip=1e-3, lose=1e-3, extra=1e-3, bursts=1e-3)
    found = find_frames(ByteLog.from_bytes(corpus.data), clock=NO_CLOCK)
    frames, rejects = found.frames[from_row:], found.rejects
    assert len(rejects) > 50
    if from_row == 700:  # as in a window of a live session, nothing is known of what came before
        late = rejects.offset >= frames.first_offset
        rejects = Rejects(rejects.offset[late], rejects.length[late], rejects.reason[late])
    places = FrameOffsets(rejects, first_offset=frames.first_offset, frames=len(frames))
    assert places.offset(np.arange(len(frames))).tolist() == frames.offset.tolist()
    assert places.row.tolist() == np.searchsorted(frames.offset, rejects.offset).tolist()


def test_without_frames_all_bytes_stand_before_the_end() -> None:
    assert FrameOffsets(Rejects.empty(), first_offset=0, frames=0).row.size == 0
