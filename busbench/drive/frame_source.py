"""The frame source of a transmitting process: one frame per slot until the end."""

from __future__ import annotations

from collections.abc import Sequence

from busbench.drive.frame_generator import EndState, FrameBlock, FrameGenerator
from busbench.drive.locked_program import LockedProgram

AHEAD_FRAMES = 32  # frames made at a time; a stop takes back those not yet sent


class DriveSource:
    """The frames of one run. Pickle it before the first frame, and call it in the child process.

    Call `next_frame` once per slot. Do not call it for a skipped slot:
    the program waits, so nothing moves faster.

    Args:
        end: what to do at its end, and when stopped; HOLD goes on until a second stop.
        last: counts last sent, (16,), where known.
        period_s: the program's frame period.

    Raises:
        TypeError: the program is not locked.
    """

    def __init__(
        self, program: LockedProgram, *, end: EndState = EndState.REST, last: Sequence[int] | None = None
    ) -> None:
        if type(program) is not LockedProgram:
            raise TypeError(f"only a LockedProgram can be transmitted, not a {type(program).__name__}")
        self.period_s = program.program.period_s
        self._feed = FrameGenerator(program.program, end=end, last=last, reach="header", hold_s=None)
        self._mark: object = self._feed.mark()
        self._block: FrameBlock | None = None
        self._used = 0

    @property
    def is_over(self) -> bool:
        """True if `next_frame` has nothing more to give."""
        return (self._block is None or self._used == len(self._block)) and self._feed.is_over

    def next_frame(self) -> bytes | None:
        """The frame of the next slot, empty if the program drops it; None at the end state: send nothing more."""
        if self._block is None or self._used == len(self._block):
            if self._feed.is_over:
                return None
            self._mark = self._feed.mark()
            self._block, self._used = self._feed.take(AHEAD_FRAMES), 0
        row = self._used
        self._used += 1
        return self._block.raw[row].tobytes() if self._block.is_sent[row] else b""

    def request_stop(self) -> None:
        """Go to the end state from the last returned frame; a second call ends a hold."""
        self._feed.rewind(self._mark)
        if self._used:
            self._feed.take(self._used)
        self._mark, self._block, self._used = self._feed.mark(), None, 0
        self._feed.stop()
        self._mark = self._feed.mark()
