"""A recording and its figures: outages, timing, channels. Commands, screens and scripts use these classes."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from os import PathLike
from typing import TYPE_CHECKING, BinaryIO

import numpy as np

from busbench.analysis.channels import GLITCH_COUNTS, Channels, ChannelStats
from busbench.analysis.notebook import html_of
from busbench.analysis.outages import Outages, find_outages
from busbench.capture.base import Capture, CaptureInfo, ReadOptions
from busbench.capture.frames import Span, read_frames
from busbench.capture.open import open_capture, open_captures
from busbench.line import BUS_LINE, LineSettings
from busbench.model import Clock, FrameTimes, FrameTimesCollector, Rejects
from busbench.wire.table import AlignmentResult, FrameTable

if TYPE_CHECKING:
    from busbench.analysis.comparison import Comparison
    from busbench.analysis.timing import Timing
    from busbench.rig.model import Rig


@dataclass(frozen=True)
class RecordingTimes:
    """The narrow columns of a whole recording, which are enough for outages and timing."""

    info: CaptureInfo  # what the recording says about itself
    span: Span
    times: FrameTimes
    rejects: Rejects  # every run of bytes in no frame
    first_offset: int  # stream offset of the first frame's header, 0 without frames

    def outages(self, *, clock: Clock | None = None) -> Outages:
        """The outages; by `clock` where that is not as the recording says."""
        return find_outages(
            self.times,
            self.rejects,
            first_offset=self.first_offset,
            clock=self.info.clock if clock is None else clock,
            start_ns=self.span.first_t_ns,
            end_t_ns=self.span.last_t_ns,
            start_utc_ns=self.info.start_utc_ns,
            ambiguous=self.span.ambiguous,
            marks=self.info.marks,
            left_out=self.info.left_out,
            totals=self.info.totals,
        )

    def timing(self) -> Timing:
        """Period, jitter and time error, and between what bounds the receiver's own jitter lies."""
        from busbench.analysis.timing import timing

        return timing(_longest_kept(self.times, self.info), clock=self.info.clock, wakes=self.info.wakes)


def _longest_kept(times: FrameTimes, info: CaptureInfo) -> FrameTimes:
    """The frames of the longest part in which nothing was left out."""
    if not info.left_out or not len(times):
        return times
    cuts = np.searchsorted(times.t_ns, [one.last_t_ns for one in info.left_out])
    edges = np.unique(np.concatenate([[0], cuts, [len(times)]]))
    first = int(np.diff(edges).argmax())
    return times.part(slice(int(edges[first]), int(edges[first + 1])))


@dataclass(frozen=True)
class Recording:
    """A whole recording in memory.

    Args:
        info: what it says about itself.
        span: the bytes and the time that it covers.
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

    @property
    def timeline(self) -> RecordingTimes:
        """The recording without its frames' bytes."""
        return RecordingTimes(self.info, self.span, self.times, self.rejects, self.first_offset)

    def outages(self, *, clock: Clock | None = None) -> Outages:
        """The outages; see RecordingTimes.outages."""
        return self.timeline.outages(clock=clock)

    def timing(self, *, against: Recording | None = None, line: LineSettings = BUS_LINE) -> Timing:
        """Period, jitter and time error, and between what bounds the receiver's own jitter lies.

        Args:
            against: a logic analyser's recording of the same line; it shows how late the adapter was.
            line: line settings, for the time of a character.

        Raises:
            CaptureError: the times of this recording or of the other are not of that kind.
        """
        if against is None:
            return self.timeline.timing()
        from busbench.analysis.clock_alignment import align_recordings
        from busbench.analysis.timing import timing

        return timing(self.times, clock=self.clock, wakes=self.info.wakes,
                      against=align_recordings(self, against, line=line))  # fmt: skip

    def compare(self, new: Recording, *, rig: Rig | None = None) -> Comparison:
        """Compare this recording with a new one; see comparison.compare.

        Args:
            new: what may have changed.
            rig: the plan; only its channels are compared then.
        """
        from busbench.analysis.comparison import compare

        return compare(self, new, rig=rig)

    def __arrow_c_stream__(self, requested_schema: object = None) -> object:
        """Export the frames to Arrow readers such as pyarrow, with the columns of the command `frames`."""
        from busbench.capture.parquet import arrow_table

        table = arrow_table(self.frames, clock=self.clock, first_t_ns=self.span.first_t_ns or 0)
        return table.__arrow_c_stream__(requested_schema)

    def _repr_html_(self) -> str:
        return html_of(self.outages().to_json())

    def channels(self, *, period_ns: float | None = None, glitch_counts: int = GLITCH_COUNTS) -> Channels:
        """What each channel did: endpoints, noise at rest, moves, glitches.

        Args:
            period_ns: the period, if already known.
            glitch_counts: smallest jump away and back that is a glitch.
        """
        start_ns = self.span.first_t_ns
        stats = ChannelStats(clock=self.clock, period_ns=period_ns, start_ns=start_ns, glitch_counts=glitch_counts)
        stats.feed(self.frames, self.rejects)
        return stats.result()


def read_timeline(
    capture: Capture,
    *,
    line: LineSettings = BUS_LINE,
    on_block: Callable[[int], None] | None = None,
    on_found: Callable[[AlignmentResult], None] | None = None,
) -> RecordingTimes:
    """Read a recording for its outages and timing, without keeping the frames' bytes.

    Args:
        line: line settings, for the time of a character.
        on_block: called with the number of frames so far.
        on_found: called with the frames of each block, which are freed after that.

    Returns:
        The columns, and what they cover.

    Raises:
        CaptureError: nothing could be read.
    """
    span = Span()
    times, rejects, first_offset = FrameTimesCollector(), [], 0
    for found in read_frames(capture, span=span, line=line):
        first_offset = first_offset if len(times) else found.frames.first_offset
        times.add(found.frames.times())
        rejects.append(found.rejects)
        if on_found:
            on_found(found)
        if on_block:
            on_block(len(times))
    return RecordingTimes(capture.info, span, times.take(), Rejects.concat(rejects), first_offset)


def read_whole(
    capture: Capture, *, line: LineSettings = BUS_LINE, on_block: Callable[[int], None] | None = None
) -> Recording:
    """Read an open recording whole; see read_timeline."""
    span, parts, frames = Span(), [], 0
    for found in read_frames(capture, span=span, line=line):
        parts.append(found)
        frames += len(found.frames)
        if on_block:
            on_block(frames)
    whole = AlignmentResult.concat(parts)
    return Recording(capture.info, span, whole.frames, whole.rejects)


def read_recording(recording: str | PathLike[str] | BinaryIO, *, options: ReadOptions | None = None) -> Recording:
    """Read a recording of any format whole.

    Args:
        recording: a file, compressed or not; "-" for standard input; or an object open for bytes.
        options: choices that the file leaves open.

    Returns:
        All frames, and what the file says about itself. A file that breaks off gives
        what could be read, and says so in `info.notes`.

    Raises:
        CaptureError: nothing could be read.
    """
    options = options or ReadOptions()
    with open_capture(recording, options=options) as capture:
        return read_whole(capture, line=options.line)


def read_recordings(recording: str | PathLike[str], *, options: ReadOptions | None = None) -> list[Recording]:
    """Read each serial line of a recording whole; several ports may be in one file.

    Args:
        recording: the file, compressed or not; "-" is standard input, of which one line is read.
        options: choices that the file leaves open; with an interface, only that one is read.

    Returns:
        A recording for each serial interface, in their order; one for all other files.

    Raises:
        CaptureError: nothing could be read.
    """
    options = options or ReadOptions()
    made = []
    for capture in open_captures(recording, options=options):
        with capture:
            made.append(read_whole(capture, line=options.line))
    return made
