"""What is kept around outages, beside a plain second count; however the line is cut into reads."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest

from busbench.analysis.outages import find_outages
from busbench.bench.around import Kept, Surroundings
from busbench.capture.left_out import LeftOut, MinuteTotals
from busbench.line import BUS_LINE, Chunk
from busbench.model import ByteLog, Clock, ClockKind
from busbench.wire.codec import pack_frames
from busbench.wire.frame_spec import FLAG_FAILSAFE, FLAG_LOST
from busbench.wire.framing import FrameFinder, find_frames

CLOCK = Clock(ClockKind.PER_READ, 1)
PERIOD_NS = 10_000_000
SECOND_NS = 1_000_000_000
BEGIN_NS = 1_000 * SECOND_NS
SETTLED = 16  # newest frames, whose surroundings may still change


@dataclass
class Flight:
    """Frames each 10 ms, and what happens to them.

    Args:
        seconds: of the line.
        gaps, lost, failsafe: first second and length of each.
        noise: when five bytes of noise come.
    """

    seconds: float
    gaps: tuple[tuple[float, float], ...] = ()
    lost: tuple[tuple[float, float], ...] = ()
    failsafe: tuple[tuple[float, float], ...] = ()
    noise: tuple[float, ...] = ()

    def chunks(self) -> list[Chunk]:
        numbers = np.arange(round(self.seconds * 1e9) // PERIOD_NS)
        at_s = numbers * PERIOD_NS / 1e9

        def within(spans: tuple[tuple[float, float], ...]) -> np.ndarray[tuple[int, ...], np.dtype[np.bool_]]:
            inside = np.zeros(numbers.size, np.bool_)
            for begin_s, length_s in spans:
                inside |= (at_s >= begin_s - 1e-6) & (at_s < begin_s + length_s - 1e-6)
            return inside

        flags = within(self.lost) * FLAG_LOST + within(self.failsafe) * FLAG_FAILSAFE
        raw = pack_frames(np.full((numbers.size, 16), 992) + numbers[:, None] % 7, flags)
        sent = numbers[~within(self.gaps)].tolist()
        chunks = [Chunk(BEGIN_NS + number * PERIOD_NS, raw[number].tobytes()) for number in sent]
        chunks += [Chunk(BEGIN_NS + round(at * 1e9) + PERIOD_NS // 2, b"\x55" * 5) for at in self.noise]
        return sorted(chunks, key=lambda chunk: chunk.t_ns)


FLIGHTS = {
    "calm": Flight(20),
    "one gap": Flight(30, gaps=((15, 0.5),)),
    "two that meet": Flight(30, gaps=((12, 0.3), (14.5, 0.2))),
    "flags": Flight(40, lost=((12, 0.04),), failsafe=((25, 1.5),)),
    "noise": Flight(30, noise=(11.0, 11.2, 22.5)),
    "all": Flight(60, gaps=((20, 0.2),), lost=((33, 0.1),), failsafe=((41, 3),), noise=(9.5, 50.0)),
}


def keep(chunks: list[Chunk], *, around_s: float, cut: int, notes_s: tuple[float, ...] = ()) -> list[Kept]:
    """What is kept of a line of which so many reads come at once."""
    around, finder = Surroundings(around_s, clock=CLOCK), FrameFinder(clock=CLOCK, line=BUS_LINE)
    kept: list[Kept] = []
    offset, notes = 0, list(notes_s)
    for at in range(0, len(chunks), cut):
        log = ByteLog.from_chunks(chunks[at : at + cut], offset=offset)
        offset = log.end
        around.add(log, finder.feed(log))
        while notes and BEGIN_NS + notes[0] * 1e9 <= around.last_ns:
            around.note(BEGIN_NS + round(notes.pop(0) * 1e9))
        kept += around.look(around.last_ns)
        _require_whole(around, kept, offset)
    around.add(ByteLog.from_chunks([], offset=offset), finder.flush())
    return kept + around.look(around.last_ns, is_over=True)


def _require_whole(around: Surroundings, kept: list[Kept], end: int) -> None:
    """What a kill would leave: what was written, and the count of the rest."""
    left = around.left_so_far()
    written = sum(len(one) for one in kept if isinstance(one, ByteLog))
    counted = sum(one.bytes for one in kept if isinstance(one, LeftOut))
    assert written + counted <= end
    assert end - written - counted - (0 if left is None else left.bytes) <= 125  # not in a frame yet


def wanted(chunks: list[Chunk], *, around_s: float, notes_s: tuple[float, ...] = ()) -> list[bool]:
    """True for each read that surrounds an outage, noise, a note or an end, by the frames of all."""
    log = ByteLog.from_chunks(chunks)
    found = find_frames(log, clock=CLOCK)
    frames = found.frames.t_ns
    spans = [(BEGIN_NS, BEGIN_NS), (int(frames[-SETTLED]), 1 << 62)]
    outages = find_outages(found.frames.times(), found.rejects, first_offset=0, clock=CLOCK, start_ns=BEGIN_NS)
    for event in outages.events:
        assert event.start_s is not None
        assert event.end_s is not None
        spans.append((BEGIN_NS + round(event.start_s * 1e9), BEGIN_NS + round(event.end_s * 1e9)))
    noise = [one.t_ns for one in chunks if len(one.data) < 25]
    spans += [(int(frames[frames < at][-1]),) * 2 for at in noise]
    spans += [(BEGIN_NS + round(note_s * 1e9),) * 2 for note_s in notes_s]
    around_ns = round(around_s * 1e9)
    near = [any(lo - around_ns <= at <= hi + around_ns for lo, hi in spans) for at in frames.tolist()]
    by_time = dict(zip(frames.tolist(), near, strict=True))
    last = False
    return [last := by_time.get(one.t_ns, last) for one in chunks]


@pytest.mark.parametrize(("name", "cut"), [*((name, 20) for name in FLIGHTS), ("one gap", 3), ("all", 500)])
def test_surroundings_are_kept_byte_for_byte_and_the_rest_is_counted(name: str, cut: int) -> None:
    chunks = FLIGHTS[name].chunks()
    kept = keep(chunks, around_s=2, cut=cut)
    near = wanted(chunks, around_s=2)
    logs = [one for one in kept if isinstance(one, ByteLog)]
    reads = [
        (int(t_ns), log.data[begin - log.offset : end - log.offset].tobytes())
        for log in logs
        for begin, end, t_ns in zip([log.offset, *log.mark_end[:-1]], log.mark_end, log.mark_t_ns, strict=True)
    ]
    assert reads == [(one.t_ns, one.data) for one, is_near in zip(chunks, near, strict=True) if is_near]
    left = [one for one in kept if isinstance(one, LeftOut)]
    edges = np.flatnonzero(np.diff([False, *(not one for one in near), False])).reshape(-1, 2).tolist()
    assert [(one.first_t_ns, one.last_t_ns, one.frames, one.bytes, one.t_ns) for one in left] == [
        (chunks[first].t_ns, chunks[stop - 1].t_ns, stop - first, 25 * (stop - first), chunks[stop - 1].t_ns)
        for first, stop in edges
    ]
    # a part that was left out is written before what follows it
    order = [one.t_ns if isinstance(one, LeftOut) else int(one.mark_t_ns[0]) for one in kept
             if not isinstance(one, MinuteTotals)]  # fmt: skip
    assert order == sorted(order)


def kept_frames(kept: list[Kept]) -> list[tuple[float, float]]:
    """First and last second of each run of reads that was kept."""
    t_ns = np.concatenate([one.mark_t_ns for one in kept if isinstance(one, ByteLog)])
    runs = np.split(t_ns, np.flatnonzero(np.diff(t_ns) > 2 * PERIOD_NS) + 1)
    return [((int(run[0]) - BEGIN_NS) / 1e9, (int(run[-1]) - BEGIN_NS) / 1e9) for run in runs]


def test_a_note_keeps_its_surroundings() -> None:
    kept = keep(Flight(30).chunks(), around_s=2, cut=7, notes_s=(10.0, 13.0, 20.0))
    assert kept_frames(kept) == [(0, 2), (8, 15), (18, 22), (27.84, 29.99)]  # the last 16 frames, and 2 s before


def test_each_minute_has_its_totals() -> None:
    """Frames since the minute before, and outages that ended in it by their kind: number and frames missed."""
    flight = Flight(150, gaps=((20, 0.2), (70, 0.05)), lost=((30, 0.03), (100, 0.01)), failsafe=((130, 1),))
    kept = keep(flight.chunks(), around_s=1, cut=25)
    minutes = [one for one in kept if isinstance(one, MinuteTotals)]
    assert [one.minute for one in minutes] == [0, 1, 2]
    assert [one.events for one in minutes] == [
        {"gap": (1, 20), "lost": (1, 3)},
        {"gap": (1, 5), "lost": (1, 1)},
        {"failsafe": (1, 100)},
    ]
    assert sum(one.frames for one in minutes) == 15_000 - 25
    # a minute ends with the look after it, at most half a second later
    ends_s = [(one.t_ns - BEGIN_NS) / 1e9 for one in minutes]
    assert [round(end_s, 1) for end_s in ends_s] == [pytest.approx(60.3, abs=0.3), pytest.approx(120.3, abs=0.3), 150.0]
    assert [one.frames for one in minutes[:2]] == [
        pytest.approx(ends_s[0] * 100 - 20, abs=5), pytest.approx((ends_s[1] - ends_s[0]) * 100 - 5, abs=5),
    ]  # fmt: skip


@pytest.mark.parametrize(("short_ns", "minutes"), [(0, [0, 1]), (1, [0])])
def test_a_minute_is_over_at_its_last_nanosecond(short_ns: int, minutes: list[int]) -> None:
    line = Line()
    for chunk in Flight(1).chunks():
        line.add(chunk)
    begun_ns = line.around.minute_so_far().t_ns - PERIOD_NS * 99
    kept = line.around.look(begun_ns + 60 * SECOND_NS - short_ns)
    kept += line.around.look(begun_ns + 61 * SECOND_NS, is_over=True)
    assert [one.minute for one in kept if isinstance(one, MinuteTotals)] == minutes


class Line:
    """A line that the test reads step by step."""

    def __init__(self, around_s: float = 2) -> None:
        self.around = Surroundings(around_s, clock=CLOCK)
        self._finder = FrameFinder(clock=CLOCK, line=BUS_LINE)
        self._offset = 0

    def add(self, *chunks: Chunk) -> None:
        log = ByteLog.from_chunks(chunks, offset=self._offset)
        self._offset = log.end
        self.around.add(log, self._finder.feed(log))

    def look(self, at_s: float, *, is_over: bool = False) -> list[Kept]:
        return self.around.look(BEGIN_NS + round(at_s * 1e9), is_over=is_over)


def sizes(kept: list[Kept]) -> list[object]:
    return [len(one) if isinstance(one, ByteLog) else type(one).__name__ for one in kept]


def test_a_line_without_a_byte_keeps_nothing() -> None:
    line = Line()
    line.add()
    assert line.look(100, is_over=True) == []
    assert (line.around.left_so_far(), line.around.take_left(), line.around.last_ns) == (None, None, 0)
    minute = line.around.minute_so_far()
    assert (minute.t_ns, minute.minute, minute.frames, minute.events) == (0, 0, 0, {})


def test_noise_without_frames_is_kept_once_the_line_is_silent() -> None:
    line = Line()
    for at in range(3):
        line.add(Chunk(BEGIN_NS + at * PERIOD_NS, b"\x55" * 5))
    assert line.around.last_ns == BEGIN_NS + 2 * PERIOD_NS
    assert sizes(line.look(0.4)) == []
    assert sizes(line.look(0.6)) == [5, 5, 5]
    line.add(Chunk(BEGIN_NS + SECOND_NS, b"\x55" * 3))
    assert sizes(line.look(1.0, is_over=True)) == [3, "MinuteTotals"]


def test_what_came_before_a_silence_is_kept_with_the_bytes_after_the_last_frame() -> None:
    line, chunks = Line(), Flight(10).chunks()
    for chunk in chunks:
        line.add(chunk)
    line.add(Chunk(chunks[-1].t_ns + PERIOD_NS, b"\x55"))
    kept = line.look(9.99)
    line.add()
    kept += line.look(13.0)
    assert kept_frames(kept)[0] == (0, 2)
    assert np.abs(np.subtract(kept_frames(kept)[-1], (7.9, 10.0))).max() < 0.2
    assert [one for one in kept if isinstance(one, ByteLog)][-1].data[-1] == 0x55
    assert line.around.left_so_far() is None


def test_two_looks_are_half_a_second_apart() -> None:
    line, chunks = Line(around_s=0.1), Flight(3).chunks()
    for chunk in chunks:
        line.add(chunk)
    undecided = line.around.left_so_far()
    assert undecided is not None
    assert undecided.first_t_ns == BEGIN_NS
    assert line.look(0.499) == []
    assert line.look(0.5) != []
    assert line.look(0.999) == []
    left = line.around.left_so_far()
    assert left is not None
    line.look(1.0)
    taken = line.around.take_left()
    assert taken is not None
    assert (taken.first_t_ns - BEGIN_NS) // PERIOD_NS == 11  # 0.1 s and the frame at it are kept
    assert (taken.frames, taken.bytes) == ((taken.last_t_ns - taken.first_t_ns) // PERIOD_NS + 1, 25 * taken.frames)
    assert line.around.take_left() is None
