"""A recording as frames: the readers and the alignment joined."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from functools import cached_property
from os import PathLike
from typing import BinaryIO

from busbench.capture.base import Capture, CaptureInfo, ReadOptions
from busbench.capture.open import open_capture
from busbench.errors import CaptureError
from busbench.model import BUS_LINE, Clock, FrameTimes, FrameTimesCollector, LineSettings, Rejects
from busbench.wire.framing import FrameFinder
from busbench.wire.table import AlignmentResult, FrameTable


@dataclass
class Span:
    """What a recording covers, known when it was read.

    Args:
        bytes_total: bytes read.
        first_t_ns: time of the first byte, None without a clock.
        last_t_ns: time of the last byte, None without a clock.
        ambiguous: stream spans (start, end) in which two alignments stood equally well.
    """

    bytes_total: int = 0
    first_t_ns: int | None = None
    last_t_ns: int | None = None
    ambiguous: list[tuple[int, int]] = field(default_factory=list)


def read_frames(
    capture: Capture, *, span: Span | None = None, line: LineSettings = BUS_LINE
) -> Iterator[AlignmentResult]:
    """Find the frames of a recording, a block of it at a time.

    A recording that breaks off gives what could be read; the reason is added to
    its notes. One that gives nothing raises.

    Args:
        capture: the recording.
        span: filled with what the recording covers.
        line: line settings, for the time of a character.

    Returns:
        Frames and rejected bytes of each block, in their order.

    Raises:
        CaptureError: nothing could be read.
    """
    span = Span() if span is None else span
    finder = FrameFinder(clock=capture.info.clock, line=line)
    try:
        for log in capture.blocks():
            span.bytes_total += len(log)
            if log.mark_t_ns.size:
                if span.first_t_ns is None:
                    span.first_t_ns = int(log.mark_t_ns[0])
                span.last_t_ns = int(log.mark_t_ns[-1])
            found = finder.feed(log)
            span.ambiguous.extend(found.ambiguous)
            yield found
    except CaptureError as error:
        if not span.bytes_total:
            raise
        capture.info.notes.append(error.note)
    found = finder.flush()
    span.ambiguous.extend(found.ambiguous)
    yield found


@dataclass(frozen=True)
class Beat:
    """The narrow columns of a whole recording: all that outages and timing need.

    Args:
        times: of every frame.
        rejects: every run of bytes in no frame.
        span: what the recording covers.
        first_offset: stream offset of the first frame's header, 0 without frames.
    """

    times: FrameTimes
    rejects: Rejects
    span: Span
    first_offset: int


def read_beat(
    capture: Capture, *, line: LineSettings = BUS_LINE, on_block: Callable[[int], None] | None = None
) -> Beat:
    """Read a recording for its beat, letting go of the frames' bytes.

    Args:
        capture: the recording.
        line: line settings, for the time of a character.
        on_block: called with the number of frames so far.

    Returns:
        The columns and what they cover.

    Raises:
        CaptureError: nothing could be read.
    """
    span = Span()
    times, rejects, first_offset = FrameTimesCollector(), [], 0
    for found in read_frames(capture, span=span, line=line):
        first_offset = first_offset if len(times) else found.frames.first_offset
        times.add(found.frames.times())
        rejects.append(found.rejects)
        if on_block:
            on_block(len(times))
    return Beat(times.take(), Rejects.concat(rejects), span, first_offset)


@dataclass(frozen=True)
class Recording:
    """A whole recording in memory.

    Args:
        info: what it says of itself.
        span: what it covers.
        frames: all frames.
        rejects: every run of bytes in no frame.
    """

    info: CaptureInfo
    span: Span
    frames: FrameTable
    rejects: Rejects

    @property
    def clock(self) -> Clock:
        """How well the times are known."""
        return self.info.clock

    @property
    def first_offset(self) -> int:
        """Stream offset of the first frame's header, 0 without frames."""
        return self.frames.first_offset

    @cached_property
    def times(self) -> FrameTimes:
        """The narrow columns, for outages and timing."""
        return self.frames.times()


def read_recording(recording: str | PathLike[str] | BinaryIO, *, options: ReadOptions | None = None) -> Recording:
    """Read a recording of any format whole.

    Args:
        recording: the file, compressed or not; "-" is standard input; or an object that is open for bytes.
        options: choices that the file may leave open.

    Returns:
        All frames, and what the file says of itself. One that breaks off gives
        what could be read, and says so in `info.notes`.

    Raises:
        CaptureError: nothing could be read.
    """
    options = options or ReadOptions()
    with open_capture(recording, options=options) as capture:
        span = Span()
        found = AlignmentResult.concat(read_frames(capture, span=span, line=options.line))
        return Recording(capture.info, span, found.frames, found.rejects)
