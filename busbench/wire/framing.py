"""Bytes -> frames: finds where frames stand in a stream that has no check sums.

Two ways of going, one result. In step, each frame is expected where the one
before ended (or behind the replies of sensors) and whole blocks are taken at
once. Where that fails, wire/frame_search.py searches for the best chain and the walk
goes on from what it settles. What is decided depends on the bytes, their clock
and their marks, never on how they were cut into reads.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

import numpy as np

from busbench.model import BUS_LINE, I64, U8, ByteLog, Clock, ClockKind, LineSettings, Reason, Rejects
from busbench.wire.ambiguity import AmbiguityTracker
from busbench.wire.arrival_times import frame_bounds
from busbench.wire.codec import are_slot_gaps
from busbench.wire.frame_search import JUNK_BYTES, KnownFrame, Search, SearchResult, is_followed
from busbench.wire.frame_spec import END_BYTES, END_SLOTS, FLAGS_MAX, FRAME_BYTES, HEADER, SLOT_GAPS
from busbench.wire.gap_classes import Run, sort_gap
from busbench.wire.line_marks import LineMarks
from busbench.wire.noise_filter import NoiseFilter
from busbench.wire.similarity import FrameFields, end_is_expected, is_unremarkable, is_wild
from busbench.wire.stream_buffer import StreamBuffer
from busbench.wire.table import AlignmentResult, FrameTable

IDLE_CHARACTERS = 5  # a pause this long inside 25 bytes: no frame
# An odd frame (all sticks jump, new flags) may be two halves with a foreign byte between;
# behind so many frames without damage it is taken at once, else when the next header comes.
STREAK_ODD, STREAK_WILD = 2000, 50
_IS_END = np.zeros(256, np.bool_)
_IS_END[list(END_BYTES)] = True
_STEP_ROWS = 64
_REACH_BYTES = (512, 1 << 16)


def find_frames(log: ByteLog, *, clock: Clock, line: LineSettings = BUS_LINE) -> AlignmentResult:
    """Find all frames of a whole log.

    Args:
        log: the bytes.
        clock: how well their times are known.
        line: line settings, for the time of a character.

    Returns:
        The frames and the runs of bytes that are in none.
    """
    return AlignmentResult.concat(find_in_blocks([log], clock=clock, line=line))


def find_in_blocks(
    logs: Iterable[ByteLog], *, clock: Clock, line: LineSettings = BUS_LINE
) -> Iterator[AlignmentResult]:
    """Find the frames of a recording block by block; see find_frames."""
    finder = FrameFinder(clock=clock, line=line)
    for log in logs:
        yield finder.feed(log)
    yield finder.flush()


class FrameFinder:
    """Finds frames in a stream that arrives piece by piece.

    In step, `feed` hands out a frame with its last byte (one that looks odd on a
    line that was damaged lately waits for the next header). Accepted, rejected
    and pending bytes together are the bytes fed.

    Args:
        clock: how well the times of the bytes are known.
        line: line settings, for the time of a character.
    """

    def __init__(self, *, clock: Clock, line: LineSettings = BUS_LINE) -> None:
        self._clock_kind = clock.kind
        self._character_ns = line.character_ns
        self._bytes = StreamBuffer(
            is_per_byte=clock.kind is ClockKind.PER_BYTE, idle_ns=IDLE_CHARACTERS * line.character_ns
        )
        self._here = 0  # all before this place is decided
        self._search: Search | None = Search(0, None)
        self._last: KnownFrame | None = None  # the last frame
        self._is_wild = False  # it jumped from the one before
        self._streak = 0  # frames since the last damage
        self._gap_from = 0  # bytes from here on are not yet accounted for
        self._has_begun = False  # a frame was found
        self._reach = _REACH_BYTES[0]  # how far ahead frames with replies between are looked for
        self._places: list[I64] = []
        self._runs: list[Run] = []
        self._doubt = AmbiguityTracker()
        self._marks = LineMarks(shares=clock.kind is ClockKind.PER_READ)
        self._crowd = NoiseFilter()

    @property
    def pending(self) -> int:
        """Bytes fed that are not handed out yet."""
        return self._bytes.end - self._gap_from

    @property
    def is_in_step(self) -> bool:
        """True where the next frame is expected right behind the last."""
        return self._search is None

    def feed(self, log: ByteLog) -> AlignmentResult:
        """Take the next bytes of the stream.

        Args:
            log: bytes that follow those fed before (the first log may start anywhere).

        Returns:
            All that is decided now.

        Raises:
            ValueError: the log does not follow the one before.
        """
        if self._bytes.end == 0 and log.offset:
            self._bytes.start = self._here = self._gap_from = log.offset
            self._search = Search(log.offset, None)
        self._bytes.append(log, keep_from=self._gap_from)
        self._advance(final=False)
        return self._hand_over()

    def flush(self) -> AlignmentResult:
        """Decide what is pending as far as the bytes allow: the stream has ended."""
        self._advance(final=True)
        self._close_gap(self._bytes.end, is_first=not self._has_begun, is_last=True)
        self._doubt.end(self._bytes.end)
        found = self._hand_over()
        self._here = self._bytes.end
        self._search = Search(self._here, None)
        self._last, self._has_begun = None, False
        return found

    def _advance(self, *, final: bool) -> None:
        while True:
            if self._search is None:
                if not self._walk(final=final):
                    return
                continue
            start = self._crowd.end(self._bytes, self._search.start, final=final)
            if start is None:
                return
            is_crowd = start > self._search.start
            verdict = SearchResult([], start) if is_crowd else self._search.advance(self._bytes, final=final)
            if verdict is None:
                return
            self._take(verdict)
            if final and not verdict.frames and verdict.resume >= self._bytes.end:
                return

    def _take(self, verdict: SearchResult) -> None:
        """Take over what a search has settled."""
        if verdict.frames:
            self._try(verdict)
            self._accept(np.array(verdict.frames))
            self._here, self._search = verdict.resume, None
            return
        self._here = verdict.resume
        self._search = Search(verdict.resume, self._last)
        if verdict.resume - self._gap_from >= JUNK_BYTES:
            self._runs.append((self._gap_from, verdict.resume, Reason.DAMAGED))
            self._gap_from = verdict.resume

    def _try(self, verdict: SearchResult) -> None:
        """Put on trial what does not go on from proven frames."""
        doubt, frames = self._doubt, np.array(verdict.frames)
        if verdict.is_ambiguous:
            doubt.end(self._here)
            doubt.spans.append((self._here, verdict.resume))
            doubt.begin(verdict.resume)
            return
        turns = dict.fromkeys(verdict.unlike, doubt.begin) | dict.fromkeys(verdict.back, doubt.back)
        if self._last is None:
            turns[verdict.frames[0]] = doubt.begin
        if turns or doubt.is_open:
            at = sorted(turns)
            for part in np.split(frames, np.searchsorted(frames, at)):
                if part.size:
                    if turn := turns.get(int(part[0])):
                        turn(int(part[0]))
                    doubt.take(self._bytes, part)

    def _walk(self, *, final: bool) -> bool:
        """Take what stands where it is expected; False to wait for more bytes."""
        assert self._last is not None
        has_slots = self._last.sight.end in END_SLOTS
        places = self._spaced() if has_slots else self._back_to_back()
        if places.size:
            # All but the last have a header behind them (or behind replies).
            if places.size > 1:
                self._accept(places[:-1], in_step=True)
                self._here = self._gap_from
            trusted = self._is_trusted(int(places[-1]), final=final)
            if trusted:
                self._accept(places[-1:], in_step=True)
                self._here = self._gap_from
            elif trusted is not None:
                self._search = Search(self._here, self._last)
            return trusted is not None
        reach = SLOT_GAPS[-1] if has_slots and self._bytes.byte_or(self._here, HEADER) != HEADER else 0
        if self._bytes.end < self._here + reach + FRAME_BYTES and not final:
            return False
        self._search = Search(self._here, self._last)
        return True

    def _back_to_back(self) -> I64:
        """Places of the frames that stand one right behind another from here on."""
        rows = self._bytes.rows(self._here)
        count, step = 0, _STEP_ROWS
        while count < len(rows):
            block = rows[count : count + step]
            good = block[:, 0] == HEADER
            good &= block[:, 23] <= FLAGS_MAX
            good &= _IS_END.take(block[:, 24])
            run = len(good) if good.all() else int(np.argmin(good))
            count += run
            if run < len(block):
                break
            step *= 4
        places = self._here + FRAME_BYTES * np.arange(count)
        paused = self._bytes.pauses_inside(places)
        return places[: int(np.argmax(paused))] if paused.any() else places

    def _spaced(self) -> I64:
        """Places of the frames from here on that stand back to back or with replies between."""
        start = self._here - self._bytes.start
        data = self._bytes.data[start : start + self._reach]
        at = np.flatnonzero(data[: max(0, data.size - FRAME_BYTES + 1)] == HEADER)
        at = at[(data[at + 23] <= FLAGS_MAX) & _IS_END[data[at + 24]]]
        at = at[~self._bytes.pauses_inside(at + self._here)]
        if not at.size:
            return at
        before = np.concatenate([[0], at[:-1] + FRAME_BYTES])  # where the frame before ended
        gap, end = at - before, np.concatenate([[END_SLOTS[0]], data[at[:-1] + FRAME_BYTES - 1]])
        good = (gap == 0) | (are_slot_gaps(end, gap) & (data[before] != HEADER))
        count = at.size if good.all() else int(np.argmin(good))
        # Far ahead while all is well, only a little behind damage.
        self._reach = min(4 * self._reach, _REACH_BYTES[1]) if count == at.size else _REACH_BYTES[0]
        return at[:count] + self._here

    def _is_trusted(self, place: int, *, final: bool) -> bool | None:
        """True where a frame in step may be taken; None where the bytes after it must tell."""
        assert self._last is not None
        before, sight = self._last.sight, FrameFields.of(self._bytes.frame(place))
        if is_unremarkable(before, sight) or self._streak >= STREAK_ODD:
            return True
        is_framed_alike = sight.flags == before.flags and end_is_expected(before, sight)
        if self._is_wild and is_framed_alike and self._streak >= STREAK_WILD:
            return True
        return is_followed(self._bytes, place, final=final)

    def _accept(self, places: I64, *, in_step: bool = False) -> None:
        """Make frames of places that follow one another; what stands between them is sorted."""
        if in_step and self._doubt.is_open:
            self._doubt.take(self._bytes, places)
        starts = np.concatenate([[self._gap_from], places[:-1] + FRAME_BYTES])
        for index in np.flatnonzero(places > starts).tolist():
            self._gap_from = int(starts[index])
            before = None
            if index:
                before = self._bytes.byte(self._gap_from - 1)
            elif self._last is not None:
                before = self._last.sight.end
            self._close_gap(int(places[index]), end_before=before, is_first=not (self._has_begun or index))
        self._has_begun = True
        self._places.append(places)
        last = int(places[-1])
        self._gap_from = last + FRAME_BYTES
        self._streak += places.size
        sight = FrameFields.of(self._bytes.frame(last))
        former = self._last.sight if self._last is not None else None
        if places.size > 1:
            former = FrameFields.of(self._bytes.frame(int(places[-2])))
        self._is_wild = former is not None and is_wild(former, sight)
        self._last = KnownFrame(sight, self._gap_from, former if self._is_wild else None)

    def _close_gap(self, end: int, *, end_before: int | None = None, is_first: bool, is_last: bool = False) -> None:
        """Account for the bytes up to a place, which are in no frame; is_first if no frame stands before them."""
        if is_last and self._last is not None:
            end_before = self._last.sight.end
        start = self._gap_from
        gap = self._bytes.data[start - self._bytes.start : end - self._bytes.start].tobytes()
        runs = sort_gap(gap, start, end_before=end_before, is_first=is_first, is_last=is_last)
        if any(reason == Reason.DAMAGED for _, _, reason in runs):
            self._streak = 0
        self._runs.extend(runs)
        self._gap_from = end

    def _hand_over(self) -> AlignmentResult:
        """All that was decided since the last time, as tables."""
        places = np.concatenate(self._places) if self._places else np.empty(0, np.int64)
        marks = self._marks.take(self._bytes, places, self._gap_from)
        frames = self._table(places, marks) if places.size else FrameTable.empty()
        runs = np.array(self._runs, np.int64).reshape(-1, 3)
        rejects = Rejects(runs[:, 0], runs[:, 1] - runs[:, 0], runs[:, 2].astype(np.uint8))
        ambiguous, self._doubt.spans = tuple(self._doubt.spans), []
        self._places, self._runs = [], []
        return AlignmentResult(frames, rejects, ambiguous)

    def _table(self, places: I64, marks: U8) -> FrameTable:
        at = places - self._bytes.start
        if places[-1] - places[0] == FRAME_BYTES * (places.size - 1):
            raw = self._bytes.data[at[0] : at[-1] + FRAME_BYTES].reshape(-1, FRAME_BYTES)
        else:
            raw = np.lib.stride_tricks.sliding_window_view(self._bytes.data, FRAME_BYTES)[at]
        t_ns, slack = np.zeros(places.size, np.int64), np.zeros(places.size, np.int32)
        ends, times = self._bytes.mark_end, self._bytes.mark_t_ns
        if self._clock_kind is ClockKind.PER_BYTE:
            t_ns = times[np.searchsorted(ends, places + FRAME_BYTES)]
        elif self._clock_kind is ClockKind.PER_READ:
            t_ns, slack = frame_bounds(places, ends, times, character_ns=self._character_ns)
        return FrameTable(t_ns, slack, places, raw, marks)
