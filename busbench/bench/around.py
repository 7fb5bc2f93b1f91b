"""Which parts of a line are kept in a recording of the surroundings of outages."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass

import numpy as np

from busbench.analysis.coincidence import join_spans
from busbench.analysis.ongoing_outages import OngoingOutages
from busbench.analysis.outages import Outage
from busbench.capture.extract import cut_log
from busbench.capture.left_out import LeftOut, MinuteTotals
from busbench.model import I64, ByteLog, Clock, Reason
from busbench.wire.table import AlignmentResult

_MINUTE_NS = 60_000_000_000
_LOOK_NS = 500_000_000  # of line time between two decisions
_SETTLED = 16  # after this many frames, earlier ones are settled
Kept = ByteLog | LeftOut | MinuteTotals


@dataclass(slots=True)
class _Left:
    """Frames left out since the last kept part."""

    first_t_ns: int = 0
    last_t_ns: int = 0
    frames: int = 0
    bytes: int = 0

    def take(self) -> LeftOut:
        """Return what was left out, and reset."""
        taken = LeftOut(self.first_t_ns, self.last_t_ns, self.frames, self.bytes)
        self.frames = self.bytes = 0
        return taken


class Surroundings:
    """Decides what is kept of one line: outages, damaged bytes, notes and both ends, with their surroundings.

    The rest, good frames on time, is only counted.

    Args:
        around_s: seconds kept before and after each.
        clock: the clock of the line.

    Attributes:
        last_ns: time of the newest byte.
    """

    def __init__(self, around_s: float, *, clock: Clock) -> None:
        self._around_ns = round(around_s * 1e9)
        self._clock = clock
        self._logs: deque[ByteLog] = deque()  # not decided yet
        self._offset: I64 = np.empty(0, np.int64)  # of the frames in them
        self._t_ns: I64 = np.empty(0, np.int64)
        self._outages: OngoingOutages | None = None
        self._keep: I64 = np.empty((0, 2), np.int64)  # separate time ranges, in ns
        self._recent: I64 = np.empty(0, np.int64)  # times of the newest frames
        self._left = _Left()
        self._minute = 0
        self._frames = 0  # totals of finished minutes
        self._events: dict[str, tuple[int, int]] = {}
        self._looked_ns = self.last_ns = 0

    def add(self, log: ByteLog, found: AlignmentResult) -> None:
        """Add received bytes and frames."""
        if len(log):
            if self._outages is None:
                start_ns = int(log.mark_t_ns[0])
                self._outages = OngoingOutages(clock=self._clock, start_ns=start_ns)
                self._looked_ns = start_ns
                self.note(start_ns)
            self._logs.append(log)
            self.last_ns = int(log.mark_t_ns[-1])
        if self._outages is not None:
            self._outages.add(found)
        frames, rejects = found.frames, found.rejects
        self._offset = np.concatenate([self._offset, frames.offset])
        self._t_ns = np.concatenate([self._t_ns, frames.t_ns])
        damaged = rejects.offset[rejects.reason == Reason.DAMAGED]
        if damaged.size:
            rows = np.maximum(np.searchsorted(self._offset, damaged) - 1, 0)
            times = self._t_ns[rows] if self._t_ns.size else np.full(damaged.size, self.last_ns)
            self._add_spans(np.column_stack([times, times]))
        self._recent = np.concatenate([self._recent, frames.t_ns])[-_SETTLED:]

    def note(self, t_ns: int) -> None:
        """Keep the surroundings of a time."""
        self._add_spans(np.array([[t_ns, t_ns]], np.int64))

    def _add_spans(self, spans: I64) -> None:
        around = np.array([-self._around_ns, self._around_ns])
        self._keep = join_spans(np.concatenate([self._keep, spans + around]), 0)

    def look(self, heard_ns: int, *, is_over: bool = False) -> list[Kept]:
        """What is decided now, in order, by what was certainly heard; all that is left is kept once it `is_over`."""
        outages, out = self._outages, list[Kept]()
        if outages is None or (heard_ns - self._looked_ns < _LOOK_NS and not is_over):
            return out
        self._looked_ns = heard_ns
        outages.update(heard_ns)
        ended = list(outages.ended(is_over=is_over))
        self._keep_events([*ended, *outages.newest], outages.start_ns)
        settled, newest = outages.start_ns, outages.start_ns
        if self._recent.size:
            settled, newest = int(self._recent[0]), int(self._recent[-1])
        is_silent = heard_ns - newest > _LOOK_NS
        if is_silent and not is_over and _reaches(outages, newest):
            settled = heard_ns  # an outage has begun: it keeps what anything later would
        self._decide(settled, out, is_over=is_over, is_silent=is_silent)
        self._count(ended)
        minute = int((heard_ns - outages.start_ns) // _MINUTE_NS)
        if minute > self._minute or is_over:
            out.append(self.minute_so_far(heard_ns))
            self._minute, self._frames, self._events = minute, outages.losses.frames, {}
        self._keep = self._keep[self._keep[:, 1] >= settled - 2 * self._around_ns]
        return out

    @property
    def is_undecided(self) -> bool:
        """True if bytes are held back that may be kept."""
        return bool(self._logs)

    def left_so_far(self) -> LeftOut | None:
        """What was left out since the last kept part, and what is undecided; None if nothing."""
        left, count = self._left, int(self._t_ns.size)
        if not count:
            return LeftOut(left.first_t_ns, left.last_t_ns, left.frames, left.bytes) if left.frames else None
        first_ns = left.first_t_ns if left.frames else int(self._t_ns[0])
        size = left.bytes + sum(len(log) for log in self._logs)
        return LeftOut(first_ns, int(self._t_ns[-1]), left.frames + count, size)

    def take_left(self) -> LeftOut | None:
        """Return the same, and reset."""
        return self._left.take() if self._left.frames else None

    def minute_so_far(self, t_ns: int | None = None) -> MinuteTotals:
        """Totals of the current minute."""
        frames = 0 if self._outages is None else self._outages.losses.frames - self._frames
        return MinuteTotals(self.last_ns if t_ns is None else t_ns, self._minute, frames, dict(self._events))

    def _count(self, ended: list[Outage]) -> None:
        for event in ended:
            count, frames = self._events.get(event.kind, (0, 0))
            self._events[event.kind] = count + 1, frames + event.frames

    def _keep_events(self, events: list[Outage], start_ns: int) -> None:
        times = [(event.start_s, event.end_s) for event in events if event.end_s is not None]
        if times:
            self._add_spans(np.rint(np.array(times, np.float64) * 1e9).astype(np.int64) + start_ns)

    def _decide(self, settled_ns: int, out: list[Kept], *, is_over: bool, is_silent: bool) -> None:
        """Keep or leave out frames, up to the first undecided one."""
        kept = np.zeros(self._t_ns.size, np.bool_)
        for first, last in self._keep.tolist():
            kept[np.searchsorted(self._t_ns, first) : np.searchsorted(self._t_ns, last, "right")] = True
        if is_over:
            kept |= self._t_ns >= settled_ns - self._around_ns
        clear = kept | (self._t_ns < settled_ns - self._around_ns)
        count = int(clear.size if clear.all() else clear.argmin())
        edges = np.flatnonzero(np.diff(kept[:count])) + 1
        for first, last in zip([0, *edges.tolist()], [*edges.tolist(), count], strict=True):
            if first == last:
                continue
            end = int(self._offset[last]) if last < self._offset.size else int(self._offset[-1]) + 25
            if kept[first]:
                self._write(end, out)
            else:
                self._leave(first, last, end)
        if count == self._t_ns.size and self._logs and (is_over or (is_silent and count and bool(kept[-1]))):
            self._write(self._logs[-1].end, out)  # a silence, or bytes without frames
        if not self._t_ns.size and self._logs and (is_over or is_silent):
            self._write(self._logs[-1].end, out)
        self._offset, self._t_ns = self._offset[count:], self._t_ns[count:]

    def _write(self, end: int, out: list[Kept]) -> None:
        if self._left.frames:
            out.append(self._left.take())
        out.extend(self._take(end))

    def _leave(self, first: int, last: int, end: int) -> None:
        left, size = self._left, sum(len(log) for log in self._take(end))
        if not left.frames:
            left.first_t_ns = int(self._t_ns[first])
        left.last_t_ns = int(self._t_ns[last - 1])
        left.frames += last - first
        left.bytes += size

    def _take(self, end: int) -> list[ByteLog]:
        """The pending bytes up to an offset."""
        taken = []
        while self._logs and self._logs[0].offset < end:
            log = self._logs.popleft()
            if log.end > end:
                self._logs.appendleft(cut_log(log, end, log.end))
                log = cut_log(log, log.offset, end)
            if len(log):
                taken.append(log)
        return taken


def _reaches(outages: OngoingOutages, t_ns: int) -> bool:
    """True if an outage lasts beyond a time."""
    ends = (event.end_s for event in outages.newest if event.end_s is not None)
    return any(round(end_s * 1e9) + outages.start_ns > t_ns for end_s in ends)
