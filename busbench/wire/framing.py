"""Bytes -> frames: finds frames in a stream without checksums.

In sync, each frame is expected where the one before ended (or after the replies of
sensors) and whole blocks are taken at once. Where that fails, runs of frames further on
are proven by their length (wire/frame_runs.py), and what is between two runs is the best chain
(wire/frame_chain.py); so is what no run can prove. Each decision rests on bytes up to a place
that the bytes themselves fix, never on how they were cut into reads.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

import numpy as np

from busbench.line import BUS_LINE, LineSettings
from busbench.model import I64, U8, ByteLog, Clock, ClockKind, Reason, Rejects
from busbench.wire.ambiguity import AmbiguityTracker
from busbench.wire.arrival_times import frame_bounds
from busbench.wire.codec import IS_SLOTS_END, are_slot_gaps
from busbench.wire.frame_chain import Chains, RunGaps
from busbench.wire.frame_runs import (
    CHECK_BYTES,
    SOLID,
    SOON_BYTES,
    STREAK_WILD,
    KnownFrame,
    RunEnds,
    are_candidates,
    are_followed,
    begin_late,
    find_candidates,
    is_noise,
    is_plainly_proven,
    prove_runs,
)
from busbench.wire.frame_spec import END_SLOTS, FRAME_BYTES, HEADER, SLOT_GAPS
from busbench.wire.gap_classes import Run, sort_gap
from busbench.wire.line_marks import LineMarks
from busbench.wire.similarity import FrameFields, is_unremarkable, is_wild, similarity
from busbench.wire.stream_buffer import StreamBuffer
from busbench.wire.table import AlignmentResult, FrameTable

IDLE_CHARACTERS = 5  # with a pause this long inside, 25 bytes are no frame
HOLD_BYTES = 1 << 18  # decide after so many bytes at the latest
_STEP_ROWS = 64
_REACH_BYTES = (512, 1 << 16)  # frames looked ahead in sync, with replies
_WINDOW_BYTES = (2 * SOON_BYTES, 2 * CHECK_BYTES, 1 << 20)  # bytes searched for runs at once


def find_frames(log: ByteLog, *, clock: Clock, line: LineSettings = BUS_LINE) -> AlignmentResult:
    """Find all frames of a whole log.

    Args:
        log: the bytes with their times.
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

    In sync, `feed` hands out a frame with its last byte (one that looks odd on a
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
        self._log_start = 0
        self._here = 0  # all before this offset is decided
        self._last: bytes | None = None  # the frame directly before it
        self._former: bytes | None = None  # the frame before that one
        self._streak = 0  # frames since the last damage
        self._reach = _REACH_BYTES[0]  # how far ahead frames with replies between are looked for
        self._window = _WINDOW_BYTES[0]
        self._restart_search()
        self._places: list[I64] = []
        self._runs: list[I64] = []  # starts, ends and reasons, (N, 3)
        self._doubt = AmbiguityTracker()
        self._marks = LineMarks(shares=clock.kind is ClockKind.PER_READ)

    @property
    def pending(self) -> int:
        """Bytes fed that are not handed out yet."""
        return self._bytes.end - self._here

    @property
    def is_in_sync(self) -> bool:
        """True while the next frame is expected directly after the last."""
        return self._last is not None and self.pending < FRAME_BYTES + SLOT_GAPS[-1]

    def feed(self, log: ByteLog) -> AlignmentResult:
        """Take the next bytes of the stream.

        Args:
            log: bytes that follow those fed before (the first log may start anywhere).

        Returns:
            All frames and rejects decided so far and not yet returned.

        Raises:
            ValueError: the log does not follow the one before.
        """
        if self._bytes.end == 0 and log.offset:
            self._bytes.start = self._here = self._log_start = log.offset
            self._restart_search()
        self._bytes.append(log, keep_from=self._here - (FRAME_BYTES if self._last else 0))
        self._advance(final=False)
        return self._hand_over()

    def flush(self) -> AlignmentResult:
        """Decide the pending bytes: the stream has ended."""
        self._advance(final=True)
        if rest := self._sort(self._here, self._bytes.end, is_last=True):
            self._runs.append(np.array(rest, np.int64))
        self._doubt.end(self._bytes.end)
        self._log_start = self._here = self._bytes.end
        found = self._hand_over()
        self._last = self._former = None
        self._streak = 0
        self._restart_search()
        return found

    def _restart_search(self) -> None:
        self._check = 1  # each unproven search waits for twice as many bytes as the one before
        self._tried = 0  # pending bytes at the last attempt to prove a run
        self._is_contested = False
        self._ends = RunEnds(self._here, self._last)

    def _advance(self, *, final: bool) -> None:
        while True:
            self._walk(final=final)
            if self.pending < FRAME_BYTES or not (self._prove(final=final) or self._weigh(final=final)):
                return

    def _walk(self, *, final: bool) -> None:
        """Take frames at their expected offsets."""
        while self._last is not None and self.pending >= FRAME_BYTES:
            has_slots = self._last[-1] in END_SLOTS
            if not has_slots and self._bytes.byte(self._here) != HEADER:
                return
            places = self._spaced() if has_slots else self._back_to_back()
            if places.size and not self._is_trusted(places, final=final):
                places = places[:-1]
            if not places.size:
                return
            self._accept(places, streak=self._streak + places.size)

    def _back_to_back(self) -> I64:
        """Offsets of the frames that follow back to back from here."""
        rows = self._bytes.rows(self._here)
        count, step = 0, _STEP_ROWS
        while count < len(rows):
            block = rows[count : count + step]
            good = are_candidates(block)
            run = len(good) if good.all() else int(np.argmin(good))
            count += run
            if run < len(block):
                break
            step *= 4
        places = np.arange(self._here, self._here + FRAME_BYTES * count, FRAME_BYTES)
        paused = self._bytes.pauses_inside(places)
        return places[: int(np.argmax(paused))] if paused.any() else places

    def _spaced(self) -> I64:
        """Offsets of the frames from here that follow back to back or after replies."""
        at = self._candidates(self._here, min(self._bytes.end, self._here + self._reach))
        if not at.size:
            return at
        data, at = self._bytes.data[self._here - self._bytes.start :], at - self._here
        before = np.concatenate([[0], at[:-1] + FRAME_BYTES])  # end of the frame before
        gap, end = at - before, np.concatenate([[END_SLOTS[0]], data[at[:-1] + FRAME_BYTES - 1]])
        good = (gap == 0) | (are_slot_gaps(end, gap) & (data[before] != HEADER))
        count = at.size if good.all() else int(np.argmin(good))
        # Far ahead on a clean line, only a little after damage.
        self._reach = min(4 * self._reach, _REACH_BYTES[1]) if count == at.size else _REACH_BYTES[0]
        return at[:count] + self._here

    def _candidates(self, start: int, stop: int) -> I64:
        at = find_candidates(self._bytes.data[start - self._bytes.start : stop - self._bytes.start]) + start
        return at[~self._bytes.pauses_inside(at)]

    def _is_trusted(self, places: I64, *, final: bool) -> bool:
        """True if the last of some frames in sync may be taken before the next has arrived."""
        # An odd frame that many frames without damage allow is taken by prove_runs, in the same call.
        before = self._bytes.frame(int(places[-2])) if places.size > 1 else self._last
        assert before is not None
        if is_unremarkable(before, self._bytes.frame(int(places[-1]))):
            return True
        found, sure = are_followed(self._bytes.data, places[-1:] - self._bytes.start)
        return bool(found[0] and (sure[0] or final))

    def _prove(self, *, final: bool) -> bool:
        """Take the proven runs and the frames between them; False if there is none."""
        if not (final or self._is_worth_a_try()):
            return False
        self._tried = self.pending
        is_plain = self._ends.is_alone and self.pending < SOON_BYTES
        if is_plain and is_plainly_proven(self._bytes.frames(places := np.array(self._ends.places))):
            self._accept(places, streak=SOLID)
            return True
        while True:
            stop = min(self._bytes.end, self._here + self._window)
            base = self._here - (FRAME_BYTES if self._last else 0)
            data = self._bytes.data[base - self._bytes.start : stop - self._bytes.start]
            loose = self._candidates(self._here, stop) - base
            at, known = loose, None
            if self._last is not None:
                was_wild = (
                    self._former is not None and self._streak >= STREAK_WILD and is_wild(self._former, self._last)
                )
                at, known = np.append(0, loose), KnownFrame(self._streak, was_wild)
            if at.size:
                found = prove_runs(data, at, self._here - base, known, final=final and stop == self._bytes.end)
                self._is_contested = found.is_contested
                if found.frames.size > (known is not None):
                    break
            if stop == self._bytes.end or self._is_contested or self._window >= _WINDOW_BYTES[1]:
                return False
            self._window = _WINDOW_BYTES[1]
        between = self._between(data, loose, found.first, found.last, base)
        frames = np.sort(np.concatenate([found.frames, between]))[int(known is not None) :] + base
        in_last = int(np.count_nonzero(frames >= found.first[-1] + base))
        if found.first.size == 1 and known is not None:
            in_last += self._streak
        self._window = min((4 if stop - self._here == self._window else 1) * self._window, _WINDOW_BYTES[-1])
        self._accept(frames, streak=in_last)
        return True

    def _between(self, data: U8, loose: I64, first: I64, last: I64, base: int) -> I64:
        """The frames between proven runs."""
        run = np.searchsorted(last + FRAME_BYTES, loose, "right")
        stop = np.append(first, 0)[run]
        loose = loose[(loose + FRAME_BYTES <= stop) & ~begin_late(data, loose, loose + FRAME_BYTES)]
        return Chains(self._stretches(data, loose, first, last, base)).between() if loose.size else loose

    def _stretches(self, data: U8, at: I64, first: I64, last: I64, base: int) -> RunGaps:
        return RunGaps(data, at, self._bytes.evidence(at + base), first, last, self._here == self._log_start)

    def _is_worth_a_try(self) -> bool:
        """True if new bytes may prove a run or settle another decision."""
        ends, stop = self._ends, self._bytes.end - FRAME_BYTES + 1
        ends.is_blind |= stop - ends.looked > SOON_BYTES
        news = ends.is_blind
        if not news and stop > ends.looked:
            for place in self._bytes.candidates(ends.looked):
                news |= ends.add(place, self._bytes)
        ends.looked = max(ends.looked, stop)
        return news or self._tried < SOON_BYTES <= self.pending or self.pending >= self._wait()

    def _wait(self) -> int:
        """How many bytes to weigh if no run can be proven."""
        return self._check * (SOON_BYTES if self._is_contested else CHECK_BYTES)

    def _weigh(self, *, final: bool) -> bool:
        """Decide bytes without a proven run; False to wait for more bytes."""
        if self.pending >= SOON_BYTES and not self._candidates(self._here, self._here + SOON_BYTES).size:
            self._give_up(self._here + SOON_BYTES - FRAME_BYTES + 1)
            return True
        wait = self._wait()
        if self.pending < wait and not final:
            return False
        is_final = self.pending < wait
        stop = self._here + wait
        start = self._here - self._bytes.start
        if self._check == 1 and self.pending >= SOON_BYTES and is_noise(self._bytes.data[start : start + SOON_BYTES]):
            self._give_up(self._here + SOON_BYTES // 2)
            return True
        base = self._here - (FRAME_BYTES if self._last else 0)
        at = self._candidates(self._here, stop) - base
        anchor = np.zeros(int(self._last is not None), np.int64)
        is_last_look, is_worth = is_final or wait >= HOLD_BYTES, False
        data = self._bytes.data[base - self._bytes.start : stop - self._bytes.start]
        at = at[~begin_late(data, at, at + FRAME_BYTES)]
        if at.size:
            some = self._stretches(data, at, anchor, anchor, base)
            frames, is_worth = Chains(some).settled(is_last_look=is_last_look)
            if frames.size:
                self._window = _WINDOW_BYTES[0]
                self._accept(frames + base, streak=0)
                return True
        if is_final:
            return False
        if is_last_look or not is_worth:
            self._give_up(stop - SOON_BYTES // 2)
        else:
            self._check *= 2
        return True

    def _give_up(self, place: int) -> None:
        """Reject all bytes up to an offset, and forget the frames before it."""
        self._runs.append(np.array([[self._here, place, Reason.DAMAGED]], np.int64))
        self._here, self._last, self._former, self._streak = place, None, None, 0
        self._window = _WINDOW_BYTES[0]
        self._restart_search()

    def _accept(self, places: I64, *, streak: int) -> None:
        """Accept frames at consecutive offsets, and classify the bytes between them."""
        starts = np.concatenate([[self._here], places[:-1] + FRAME_BYTES])
        gaps = np.flatnonzero(places > starts)
        begins = [int(places[0])] if self._last is None else []
        if gaps.size:
            begins += self._close_gaps(starts[gaps], places[gaps])
        if begins or self._doubt.is_open:
            for part in np.split(places, np.searchsorted(places, begins)):
                if part.size:
                    if int(part[0]) in begins:
                        self._doubt.begin(int(part[0]))
                    self._doubt.take(self._bytes, part)
        self._places.append(places)
        self._former = self._bytes.frame(int(places[-2])) if places.size > 1 else self._last
        self._last = self._bytes.frame(int(places[-1]))
        self._here, self._streak = int(places[-1]) + FRAME_BYTES, streak
        self._restart_search()

    def _close_gaps(self, starts: I64, stops: I64) -> list[int]:
        """Classify the bytes before some frames; returns the offsets of frames unlike the frame before."""
        data, base = self._bytes.data, self._bytes.start
        is_known = np.ones(starts.size, np.bool_)
        is_known[0] = self._last is not None or starts[0] > self._here
        ends = data[np.maximum(starts - 1 - base, 0)]
        is_slot = is_known & are_slot_gaps(ends, stops - starts, data[starts - base])
        runs = np.empty((starts.size, 3), np.int64)
        runs[:, 0], runs[:, 1], runs[:, 2] = starts, stops, Reason.SLOT
        if not is_slot.all():
            rest = zip(starts[~is_slot].tolist(), stops[~is_slot].tolist(), strict=True)
            sorted_out = np.array([run for start, stop in rest for run in self._sort(start, stop)], np.int64)
            runs = np.concatenate([runs[is_slot], sorted_out])
            runs = runs[np.argsort(runs[:, 0])]
        self._runs.append(runs)
        # After replies, frames that continue to leave slots are not compared.
        later = np.flatnonzero(is_known & ~(is_slot & IS_SLOTS_END[data[stops + FRAME_BYTES - 1 - base]]))
        if not later.size:
            return []
        before = FrameFields.of(data, starts[later] - FRAME_BYTES - base)
        unlike = similarity(before, FrameFields.of(data, stops[later] - base))[0] <= 0
        found: list[int] = stops[later[unlike]].tolist()
        return found

    def _sort(self, start: int, stop: int, *, is_last: bool = False) -> list[Run]:
        """Split the bytes between two frames into runs of one reason each."""
        gap = self._bytes.data[start - self._bytes.start : stop - self._bytes.start].tobytes()
        before = self._bytes.byte(start - 1) if self._last is not None or start > self._here else None
        return sort_gap(gap, start, end_before=before, is_first=start == self._log_start, is_last=is_last)

    def _hand_over(self) -> AlignmentResult:
        """Everything decided since the last call, as tables."""
        places = np.concatenate(self._places) if self._places else np.empty(0, np.int64)
        marks = self._marks.take(self._bytes, places, self._here)
        frames = self._table(places, marks) if places.size else FrameTable.empty()
        runs = np.concatenate(self._runs) if self._runs else np.empty((0, 3), np.int64)
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
