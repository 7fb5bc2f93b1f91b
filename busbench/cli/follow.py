"""Frames of a SOURCE: block by block from a recording, as they arrive from a pipe or a live port."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Generator, Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from busbench.cli.live import give_back_what_is_freed, stop_signals
from busbench.cli.output import require_reader, say
from busbench.cli.source import open_source, read_options
from busbench.errors import display_name
from busbench.model import Clock

if TYPE_CHECKING:
    from busbench.bench.receiver import Receiver
    from busbench.capture.frames import Span
    from busbench.wire.table import AlignmentResult


@dataclass(frozen=True, slots=True)
class Following:
    """A source being read."""

    # frames and rejected bytes in order; a live port also gives empty ones while nothing arrives
    results: Iterator[AlignmentResult]
    span: Span  # what has been read so far
    clock: Clock  # its clock
    receiver: Receiver | None = None  # the receiver of a live port, None for a recording

    @property
    def heard_ns(self) -> int | None:
        """Time up to which the line was read, None without a clock."""
        last_ns = self.span.last_t_ns
        if last_ns is None or self.receiver is None:
            return last_ns
        return max(last_ns, self.receiver.unwritten_end_ns() or 0)


@contextlib.contextmanager
def follow_source(source: str, settings: dict[str, Any]) -> Iterator[Following]:
    """Open a recording, a pipe or a live port.

    Raises:
        CaptureError: the recording cannot be read.
        PortError: the port cannot be opened.
        BrokenPipeError: from the iterator, if the reader of standard output has gone while nothing arrived.
    """
    from busbench.bench.sources import is_live
    from busbench.capture.frames import Span, read_frames

    options, span = read_options(settings), Span()
    if not is_live(source):
        with open_source(source, options, waiting=require_reader) as capture:
            results = read_frames(capture, span=span, line=options.line)
            yield Following(results, span, capture.info.clock)
        return
    from busbench.bench.receiver import Receiver
    from busbench.bench.sources import open_source as open_port

    give_back_what_is_freed()
    with stop_signals() as stop, open_port(source, line=options.line, flies_alone=True) as port:
        receiver = Receiver(port)
        with contextlib.closing(_received(receiver, span, is_over=stop.is_set)) as received:
            yield Following(received, span, port.clock, receiver)


def _received(receiver: Receiver, span: Span, *, is_over: Callable[[], bool]) -> Generator[AlignmentResult]:
    for came in receiver.receptions(is_over=is_over):
        for event in came.events:
            say(f"busbench: {display_name(receiver.port.source)}: {event.text}")
        span.bytes_total, span.first_t_ns, span.last_t_ns = came.log.end, receiver.first_t_ns, receiver.last_t_ns
        span.ambiguous.extend(came.found.ambiguous)
        if not came.chunks:
            require_reader()
        yield came.found
