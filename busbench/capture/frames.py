"""Frames from a recording, block by block: readers and frame search joined."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np

from busbench.capture.base import ENDED_MARK, Capture
from busbench.errors import CaptureError
from busbench.line import BUS_LINE, LineSettings
from busbench.model import NO_CLOCK, U8, ByteLog
from busbench.wire.framing import FrameFinder, find_frames
from busbench.wire.table import AlignmentResult

SAMPLE_BYTES = 1 << 16
FRAMES_LEAST = 3  # other data may hold one or two by chance


@dataclass
class Span:
    """What a recording covers; known after reading it.

    Args:
        bytes_total: bytes read.
        first_t_ns: time of the first byte, None without a clock.
        last_t_ns: time of the last byte, or to which the recorder listened after it; None without a clock.
        ambiguous: stream spans (start, end) in which two alignments are equally good.
    """

    bytes_total: int = 0
    first_t_ns: int | None = None
    last_t_ns: int | None = None
    ambiguous: list[tuple[int, int]] = field(default_factory=list)


def read_frames(
    capture: Capture, *, span: Span | None = None, line: LineSettings = BUS_LINE
) -> Iterator[AlignmentResult]:
    """Find the frames of a recording, block by block.

    A recording that breaks off yields what could be read; the reason is added to
    its notes. If nothing could be read, it raises.

    Args:
        capture: the recording.
        span: set to what the recording covers.
        line: line settings, for the time of a character.

    Returns:
        Frames and rejected bytes of each block, in order.

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
    ends = [mark.t_ns for mark in capture.info.marks if mark.text == ENDED_MARK]
    if span.last_t_ns is not None:
        span.last_t_ns = max([span.last_t_ns, *ends])
    found = finder.flush()
    span.ambiguous.extend(found.ambiguous)
    yield found


def carries_frames(data: bytes | U8) -> bool:
    """True if bytes hold servo frames; only the first SAMPLE_BYTES are searched."""
    some = np.frombuffer(data, np.uint8) if isinstance(data, bytes) else data
    found = find_frames(ByteLog.from_bytes(some[:SAMPLE_BYTES]), clock=NO_CLOCK)
    return len(found.frames) >= FRAMES_LEAST
