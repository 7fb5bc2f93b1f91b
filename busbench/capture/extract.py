"""Parts of a recording by time: one span, or pieces of equal length that join to the whole."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import TypeVar

import numpy as np

from busbench.capture.base import Capture, CaptureInfo
from busbench.capture.left_out import LeftOut, MinuteTotals
from busbench.errors import CaptureError
from busbench.line import WakeUps
from busbench.model import I64, Annotation, ByteLog

PIECES_MAX = 1000
_T = TypeVar("_T", Annotation, WakeUps, LeftOut, MinuteTotals)


def cut_log(log: ByteLog, lo: int, hi: int) -> ByteLog:
    """The bytes of a log at stream offsets [lo, hi), with their marks."""
    lo, hi = max(lo, log.offset), min(hi, log.end)
    part = slice(lo - log.offset, hi - log.offset)
    bad = None if log.bad is None else log.bad[part]
    ends = log.mark_end.clip(max=hi)
    first, last = int(ends.searchsorted(lo, "right")), int(ends.searchsorted(hi)) + 1
    return ByteLog(lo, log.data[part], ends[first:last], log.mark_t_ns[first:last], bad)


class _Pieces:
    """Tells the pieces of a recording apart, in the order of the stream: none comes back once it is over.

    Args:
        capture: the recording; it must have a clock.
        number_of: piece of each time, in ns from the first byte, int64 (N,) to int64 (N,).

    Raises:
        CaptureError: it has no clock.
    """

    def __init__(self, capture: Capture, number_of: Callable[[I64], I64]) -> None:
        if not capture.info.clock.is_known:
            what = "has no times to cut it by"
            raise CaptureError(capture.info.path, what, hint="record with times, as to .pcapng")
        self._capture, self._number_of = capture, number_of
        self.zero_ns: int | None = None

    def logs(self) -> Iterator[tuple[int, ByteLog]]:
        """Runs of bytes with the number of their piece, rising."""
        before = 0
        for log in self._capture.blocks():
            if not len(log):
                continue
            if self.zero_ns is None:
                self.zero_ns = int(log.mark_t_ns[0])
            numbers = np.maximum.accumulate(np.maximum(self._number_of(log.mark_t_ns - self.zero_ns), before))
            before = int(numbers[-1])
            last = np.flatnonzero(np.diff(numbers, append=before + 1))  # the last mark of each run
            start = log.offset
            for mark in last.tolist():
                end = int(log.mark_end[mark])
                yield int(numbers[mark]), cut_log(log, start, end)
                start = end

    def number(self, t_ns: int) -> int:
        """The piece of one time."""
        return int(self._number_of(np.array([t_ns - (self.zero_ns or 0)], np.int64))[0])


class Extract(Capture):
    """One span of a recording, as a recording of its own.

    Args:
        start_s, end_s: seconds from the first byte of the whole; the end is exclusive.

    Raises:
        CaptureError: the whole has no clock.
    """

    def __init__(self, capture: Capture, *, start_s: float, end_s: float) -> None:
        start_ns, end_ns = (s if math.isinf(s) else round(s * 1e9) for s in (start_s, end_s))

        def number_of(t_ns: I64) -> I64:
            return (t_ns >= start_ns).astype(np.int64) + (t_ns >= end_ns)

        self._whole, self._pieces = capture, _Pieces(capture, number_of)
        self.info = capture.info.for_part()

    def blocks(self) -> Iterator[ByteLog]:
        """Read the span."""
        for mine in self.info.timed:
            mine.clear()
        taken = [0, 0, 0, 0]
        base: int | None = None
        for number, log in self._pieces.logs():
            if number == 1:
                base = log.offset if base is None else base
                yield replace(log, offset=log.offset - base, mark_end=log.mark_end - base)
            self._take_notes(taken)
            if number > 1:
                break
        self._take_notes(taken)
        self.info.notes[:] = self._whole.info.notes

    def _take_notes(self, taken: list[int]) -> None:
        for at, (whole, mine) in enumerate(zip(self._whole.info.timed, self.info.timed, strict=True)):
            mine.extend(one for one in whole[taken[at] :] if self._pieces.number(one.t_ns) == 1)
            taken[at] = len(whole)


def split(capture: Capture, *, every_s: float) -> Iterator[tuple[int, CaptureInfo, Iterator[ByteLog]]]:
    """Pieces of a recording, each to be read to its end before the next.

    Yields:
        Number of the piece from 1, by time, so that empty pieces are skipped; what it says about itself, which
        grows while it is read; its runs of bytes. Joined in order they are the whole, bit for bit.

    Raises:
        CaptureError: no clock, or more than PIECES_MAX pieces.
    """

    def number_of(t_ns: I64) -> I64:
        return np.asarray(t_ns // max(1, round(every_s * 1e9)), np.int64)

    pieces = _Pieces(capture, number_of)
    logs = pieces.logs()
    waiting = next(logs, None)
    taken = [0, 0, 0, 0]
    while waiting is not None:
        number, first = waiting
        if number >= PIECES_MAX:
            what = f"would make more than {PIECES_MAX:,} pieces of {every_s:g} s"
            raise CaptureError(capture.info.path, what, hint="make them longer")
        info = capture.info.for_part()

        def piece(number: int = number, log: ByteLog = first, info: CaptureInfo = info) -> Iterator[ByteLog]:
            nonlocal waiting
            while True:
                yield log
                waiting = next(logs, None)
                # Entries of a finished piece go into this one, so that nothing is left out.
                until = None if waiting is None else number
                for at, (whole, mine) in enumerate(zip(capture.info.timed, info.timed, strict=True)):
                    taken[at] = _move(whole, taken[at], mine, pieces, until)
                if waiting is None or waiting[0] != number:
                    return
                log = waiting[1]

        yield number + 1, info, piece()


def _move(whole: list[_T], taken: int, piece: list[_T], pieces: _Pieces, until: int | None) -> int:
    """Append the entries up to the end of a piece, all for None; returns how many are taken."""
    while taken < len(whole) and (until is None or pieces.number(whole[taken].t_ns) <= until):
        piece.append(whole[taken])
        taken += 1
    return taken
