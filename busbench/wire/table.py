"""Tables of frames as columns, and the result of the alignment."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from busbench.model import I64, U8, U16, Bools, FrameTimes, Rejects, set_readonly
from busbench.wire.codec import RawFrames, join_channels, unpack_channels
from busbench.wire.frame_spec import FLAG_FAILSAFE, FLAG_LOST, FRAME_BYTES


@dataclass(frozen=True, eq=False)
class FrameTable(RawFrames):
    """Many frames as read-only columns of equal length N.

    Args:
        t_ns: latest time at which the frame's last byte can have arrived, int64 (N,);
            zeros without a clock.
        slack_ns: how much earlier it may have arrived, int32 (N,); see FrameTimes.
        offset: stream offset of the header byte, int64 (N,).
        raw: the 25 bytes of each frame as they were on the line, uint8 (N, 25).
        line_marks: MARKED where the line marked a byte of the frame as damaged,
            MARKED_MAYBE where the mark may be for a byte beside the frame (see
            line_marks.py), else 0, uint8 (N,).
    """

    t_ns: I64
    slack_ns: NDArray[np.int32]
    offset: I64
    raw: U8
    line_marks: U8

    def __post_init__(self) -> None:
        set_readonly(self.t_ns, self.slack_ns, self.offset, self.raw, self.line_marks)

    def __len__(self) -> int:
        return int(self.offset.size)

    @cached_property
    def channels(self) -> U16:
        """Counts of channels 1-16, uint16 (N, 16)."""
        counts = unpack_channels(self.raw)
        set_readonly(counts)
        return counts

    @property
    def suspect(self) -> Bools:
        """True for frames with a byte, or a byte beside them, that the line marked as damaged, bool (N,)."""
        return self.line_marks > 0

    @property
    def is_sound(self) -> Bools:
        """True for frames that show the sticks: neither flagged lost or failsafe nor marked, bool (N,)."""
        sound: Bools = ((self.flags & (FLAG_LOST | FLAG_FAILSAFE)) == 0) & ~self.suspect
        return sound

    def all_channels(self) -> U16:
        """Channels 1-18, uint16 (18, N): counts, and 0 or 1 on the last two."""
        return join_channels(self.channels, self.flags)

    @property
    def first_offset(self) -> int:
        """Stream offset of the first frame's header, 0 without frames."""
        return int(self.offset[0]) if len(self) else 0

    def times(self) -> FrameTimes:
        """A copy of the narrow columns, so that the frames' bytes can be freed."""
        return FrameTimes(self.t_ns, self.slack_ns, np.ascontiguousarray(self.flags), self.line_marks)

    def __getitem__(self, rows: slice | Bools) -> FrameTable:
        return FrameTable(
            self.t_ns[rows], self.slack_ns[rows], self.offset[rows], self.raw[rows], self.line_marks[rows]
        )

    @staticmethod
    def empty() -> FrameTable:
        """A table without rows."""
        return FrameTable(
            np.empty(0, np.int64),
            np.empty(0, np.int32),
            np.empty(0, np.int64),
            np.empty((0, FRAME_BYTES), np.uint8),
            np.empty(0, np.uint8),
        )

    @staticmethod
    def concat(parts: Iterable[FrameTable]) -> FrameTable:
        """All parts one after another."""
        some = [part for part in parts if len(part)] or [FrameTable.empty()]
        if len(some) == 1:
            return some[0]
        return FrameTable(
            np.concatenate([p.t_ns for p in some]),
            np.concatenate([p.slack_ns for p in some]),
            np.concatenate([p.offset for p in some]),
            np.concatenate([p.raw for p in some]),
            np.concatenate([p.line_marks for p in some]),
        )


@dataclass(frozen=True, slots=True, eq=False)
class AlignmentResult:
    """The result of the alignment.

    Args:
        frames: the frames, in order.
        rejects: the runs of bytes between them.
        ambiguous: stream spans (start, end) in which two alignments are equally
            well and one had to be chosen.
    """

    frames: FrameTable
    rejects: Rejects
    ambiguous: tuple[tuple[int, int], ...] = ()

    @staticmethod
    def concat(parts: Iterable[AlignmentResult]) -> AlignmentResult:
        """All parts one after another."""
        some = list(parts)
        return AlignmentResult(
            FrameTable.concat(p.frames for p in some),
            Rejects.concat(p.rejects for p in some),
            tuple(span for p in some for span in p.ambiguous),
        )
