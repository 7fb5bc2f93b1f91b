"""The glider Heron loses frames: what is reported of it."""

from __future__ import annotations

import itertools
import json
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from busbench.analysis.outages import BURST_NOTE, Outages, find_outages
from busbench.line import Chunk
from busbench.model import NO_CLOCK, Annotation, ByteLog, Clock, ClockKind, FrameTimes, Reason, Rejects
from busbench.wire.codec import pack_frames
from busbench.wire.frame_spec import FLAG_FAILSAFE, FLAG_LOST, FRAME_BYTES
from busbench.wire.framing import find_frames, find_in_blocks
from busbench.wire.table import AlignmentResult

MS = 1_000_000
SLOTS = st.lists(st.sampled_from([0] * 12 + [FLAG_LOST, FLAG_FAILSAFE, -1]), min_size=30, max_size=200)
PER_BYTE = Clock(ClockKind.PER_BYTE, 1000)
PER_READ = Clock(ClockKind.PER_READ, 1)
FRAME_MS = 3  # on the wire


def heron(
    slots: list[int], *, period_ms: float = 7.0, damage: dict[int, int] | None = None, slot_replies: bool = False
) -> tuple[FrameTimes, Rejects]:
    """Frames as a logic analyser sees them.

    Args:
        slots: for each slot of the frame timing the flags of its frame, or -1: none came.
        period_ms: the frame timing.
        damage: bytes on the line in a slot that form no frame.
        slot_replies: three bytes of a sensor after each frame.
    """
    t_ns, flags, runs = [], [], []
    offset = 0
    for slot, value in enumerate(slots):
        if size := (damage or {}).get(slot, 0):
            runs.append((offset, size, Reason.DAMAGED))
            offset += size
        if value < 0:
            continue
        t_ns.append(round((FRAME_MS + slot * period_ms) * MS))
        flags.append(value)
        offset += FRAME_BYTES
        if slot_replies:
            runs.append((offset, 3, Reason.SLOT))
            offset += 3
    columns = np.array(runs, np.int64).reshape(-1, 3).T
    rejects = Rejects(columns[0], columns[1], columns[2].astype(np.uint8))
    times = FrameTimes(
        np.array(t_ns, np.int64),
        np.zeros(len(t_ns), np.int32),
        np.array(flags, np.uint8),
    )
    return times, rejects


def find(times: FrameTimes, rejects: Rejects, **more: Any) -> Outages:
    """The outages of a stream that begins at 0."""
    first = 0
    for offset, length in zip(rejects.offset.tolist(), rejects.length.tolist(), strict=True):
        first += length if offset == first else 0
    return find_outages(times, rejects, first_offset=first, **more)


def kinds(result: Outages) -> list[tuple[str, int]]:
    return [(event.kind, event.frames) for event in result.events]


def analyser(slots: list[int], *, period_ms: float = 7.0, **more: dict[int, int] | bool) -> Outages:
    times, rejects = heron(slots, period_ms=period_ms, **more)  # type: ignore[arg-type]
    return find(times, rejects, clock=PER_BYTE, start_ns=0)


@pytest.mark.parametrize("period_ms", [7.0, 9.0, 14.0, 15.0])
def test_a_clean_run(period_ms: float) -> None:
    result = analyser([0] * 1000, period_ms=period_ms, slot_replies=True)
    assert (result.frames, result.expected, result.missed, result.events) == (1000, 1000, 0, ())
    assert result.period_s == pytest.approx(period_ms / 1000, rel=1e-12)
    assert result.duration_s == pytest.approx((FRAME_MS + 999 * period_ms) / 1000)
    assert result.missed_ratio == 0.0
    assert result.missed_ratio_upper95 == pytest.approx(1 - 0.05 ** (1 / 1000))
    assert not result.bursts
    assert {one.count for one in result.summary.values()} == {0}


@pytest.mark.parametrize(("period_ms", "missing"), [(7.0, 428), (14.0, 214)])
def test_three_seconds_of_silence(period_ms: float, missing: int) -> None:
    result = analyser([0] * 300 + [-1] * missing + [0] * 300, period_ms=period_ms)
    (gap,) = result.events
    assert (gap.kind, gap.frames, gap.bytes, gap.offset) == ("gap", missing, 0, 7500)
    assert gap.start_s == pytest.approx((FRAME_MS + 299 * period_ms) / 1000)
    assert gap.duration_s == pytest.approx((missing + 1) * period_ms / 1000)
    assert (result.frames, result.expected, result.missed) == (600, 600 + missing, missing)
    assert result.missed_ratio == pytest.approx(missing / (600 + missing))
    assert result.bursts


def test_one_missing_frame_is_no_burst() -> None:
    result = analyser([0] * 20 + [-1] + [0] * 20)
    assert kinds(result) == [("gap", 1)]
    assert result.events[0].duration_s == pytest.approx(0.014)
    assert not result.bursts
    assert result.to_json()["note"] is None


def test_flagged_runs() -> None:
    lost, failsafe = FLAG_LOST, FLAG_FAILSAFE | FLAG_LOST
    result = analyser([0] * 10 + [lost] * 3 + [failsafe] * 5 + [0] * 10 + [lost] + [0] * 5)
    assert kinds(result) == [("lost", 3), ("failsafe", 5), ("lost", 1)]
    first, second, third = result.events
    assert [first.start_s, first.end_s] == pytest.approx([0.073, 0.094])
    assert [second.start_s, second.end_s] == pytest.approx([0.094, 0.129])
    assert third.duration_s == pytest.approx(0.007)
    assert (first.offset, first.bytes) == (250, 75)
    assert (result.missed, result.missing, result.expected) == (9, 0, 34)
    assert result.summary["lost"].count == 2
    assert result.summary["lost"].total_s == pytest.approx(0.028)
    assert result.summary["lost"].longest_s == pytest.approx(0.021)
    assert result.summary["failsafe"].frames == 5
    assert result.bursts


def test_switches_are_no_outage() -> None:
    assert analyser([0, 1, 2, 3, 1, 0]).events == ()


def test_a_run_that_a_gap_or_the_end_follows_lasts_one_period_more() -> None:
    result = analyser([0] * 5 + [FLAG_LOST] * 2 + [-1] * 4 + [0] * 5 + [FLAG_LOST])
    assert kinds(result) == [("lost", 2), ("gap", 4), ("lost", 1)]
    assert result.events[0].duration_s == pytest.approx(0.014)
    assert result.events[1].duration_s == pytest.approx(0.035)
    assert result.events[2].duration_s == pytest.approx(0.007)


def test_damage_where_a_frame_was_due() -> None:
    result = analyser([0] * 10 + [-1] + [0] * 10, damage={10: 24})
    (event,) = result.events
    assert (event.kind, event.frames, event.bytes, event.offset) == ("damaged", 1, 24, 250)
    assert [event.start_s, event.end_s] == pytest.approx([0.066, 0.080])
    assert (result.missing, result.missed, result.stray_bytes) == (1, 1, 0)


def test_a_few_bytes_in_a_long_gap_leave_it_a_gap() -> None:
    result = analyser([0] * 10 + [-1] * 4 + [0] * 10, damage={11: 49})
    assert [(e.kind, e.frames, e.bytes, e.offset) for e in result.events] == [("gap", 4, 49, 250)]
    result = analyser([0] * 10 + [-1] * 4 + [0] * 10, damage={11: 50})
    assert [(e.kind, e.frames, e.bytes) for e in result.events] == [("damaged", 4, 50)]


def test_more_noise_than_frames_counts_the_frames() -> None:
    assert kinds(analyser([0] * 10 + [-1] + [0] * 10, damage={10: 300})) == [("damaged", 1)]


def test_noise_where_no_frame_was_due_is_stray() -> None:
    result = analyser([0] * 20, damage={10: 7})
    assert (result.events, result.stray_bytes, result.missed) == ((), 7, 0)


def test_damage_before_the_first_frame_and_behind_the_last() -> None:
    times, rejects = heron([-1, -1, *[0] * 20, -1], damage={0: 50, 22: 10})
    rejects = Rejects.concat([rejects, Rejects(np.array([560]), np.array([10]), np.array([0], np.uint8))])
    result = find(times, rejects, clock=PER_BYTE, start_ns=0)
    assert [(e.kind, e.frames, e.bytes, e.offset) for e in result.events] == [
        ("damaged", 2, 50, 0),
        ("damaged", 1, 20, 550),
    ]
    assert result.events[0].start_s == 0.0
    assert result.events[0].end_s == pytest.approx(0.017)


@pytest.mark.parametrize("damaged", [1, 2, 10])
def test_damaged_frames_up_to_the_last_byte_count_each(damaged: int) -> None:
    times, rejects = heron([0] * 20 + [-1] * damaged, damage=dict.fromkeys(range(20, 20 + damaged), 25))
    end_t_ns = int(times.t_ns[-1]) + damaged * 7 * MS  # the last one's last byte
    result = find(times, rejects, clock=PER_BYTE, end_t_ns=end_t_ns)
    assert [(event.kind, event.frames) for event in result.events] == [("damaged", damaged)]


def test_cut_pieces_and_replies_are_no_damage() -> None:
    times, rejects = heron([0] * 20, slot_replies=True)
    cut = Rejects(np.array([560]), np.array([12]), np.array([Reason.CUT], np.uint8))
    result = find(times, Rejects.concat([rejects, cut]), clock=NO_CLOCK)
    assert (result.events, result.stray_bytes) == ((), 0)


def test_without_a_clock() -> None:
    times, rejects = heron([0] * 10 + [-1] * 500 + [0] * 10 + [FLAG_LOST] * 2 + [0], damage={11: 74, 515: 3})
    result = find(times, rejects, clock=NO_CLOCK)
    assert result.missing_range == (result.missing, None)
    assert kinds(result) == [("damaged", 3), ("damaged", 1), ("lost", 2)]
    assert {(e.start_s, e.end_s, e.duration_s) for e in result.events} == {(None, None, None)}
    assert (result.period_s, result.duration_s, result.start_utc) == (None, None, None)
    assert (result.summary["damaged"].count, result.summary["damaged"].total_s) == (2, None)
    assert (result.missed, result.expected) == (6, 27)


def test_silence_at_the_end_counts_only_where_the_recording_ran_on() -> None:
    times, rejects = heron([0] * 100)
    last = int(times.t_ns[-1])
    assert find(times, rejects, clock=PER_BYTE).events == ()
    assert find(times, rejects, clock=PER_BYTE, end_t_ns=last + 10 * MS).events == ()
    result = find(times, rejects, clock=PER_BYTE, start_ns=0, end_t_ns=last + 70 * MS + 4 * MS)
    assert kinds(result) == [("gap", 10)]
    assert result.events[0].end_s == result.duration_s == pytest.approx((last + 74 * MS) / 1e9)
    assert result.events[0].offset == 2500


def test_no_frames_at_all() -> None:
    none = heron([])[0]
    noise = Rejects(np.array([0]), np.array([1000]), np.array([0], np.uint8))
    result = find(none, noise, clock=PER_BYTE, start_ns=5, end_t_ns=5 + 1000 * MS)
    assert (result.frames, result.expected, result.period_s, result.duration_s) == (0, 40, None, 1.0)
    assert (result.missed_ratio, result.missed_ratio_upper95) == (1.0, 1.0)
    empty = find(none, Rejects.empty(), clock=NO_CLOCK)
    assert (empty.events, empty.missed_ratio, empty.missed_ratio_upper95) == ((), None, 1.0)


def test_one_frame() -> None:
    times, rejects = heron([0])
    result = find(times, rejects, clock=PER_BYTE, start_ns=0)
    assert (result.frames, result.period_s, result.events) == (1, None, ())


def test_losses_between_marks() -> None:
    times, rejects = heron([0] * 100 + [-1] * 9 + [0] * 91 + [FLAG_LOST] * 50 + [0] * 50)
    marks = [Annotation(round(t * MS), text) for t, text in ((3 + 104 * 7 + 1, "ailerons"), (3 + 224 * 7 + 1, "flaps"))]
    result = find(times, rejects, clock=PER_BYTE, start_ns=0, marks=marks[::-1])
    assert [(s.start_mark, s.end_mark, s.frames, s.missed) for s in result.between_marks] == [
        (None, "ailerons", 100, 5),
        ("ailerons", "flaps", 116, 29),
        ("flaps", None, 75, 25),
    ]
    assert result.between_marks[1].start_s == pytest.approx(0.732)
    assert sum(s.missed for s in result.between_marks) == result.missed == 59


RUNS = st.lists(st.sampled_from([[0] * 5, [FLAG_LOST] * 3, [FLAG_FAILSAFE] * 2, [-1] * 2]), min_size=10, max_size=40)


@given(RUNS.map(lambda runs: list(itertools.chain(*runs))), st.lists(st.integers(2, 200), min_size=1, max_size=9))
def test_losses_between_marks_are_those_due_between_them(slots: list[int], at: list[int]) -> None:
    slots = [0, 0, 0, *slots, 0, 0, 0]
    after = sorted(min(slot, len(slots) - 2) for slot in at)  # each mark half a period after one of the slots
    times, rejects = heron(slots)
    marks = [Annotation(round((FRAME_MS + 7 * slot + 3.5) * MS), str(slot)) for slot in after]
    result = find(times, rejects, clock=PER_BYTE, start_ns=0, marks=marks)
    cuts = [0, *(slot + 1 for slot in after), len(slots)]
    due = [slots[lo:hi] for lo, hi in itertools.pairwise(cuts)]
    assert [one.missed for one in result.between_marks] == [len(part) - part.count(0) for part in due]
    assert [one.frames for one in result.between_marks] == [len(part) - part.count(-1) for part in due]


def test_json() -> None:
    times, rejects = heron([0] * 10 + [-1, -1] + [0] * 10)
    result = find(
        times, rejects, clock=PER_BYTE, start_ns=2 * MS, start_utc_ns=1_750_000_000_000_000_000, ambiguous=[(25, 75)]
    )
    got = json.loads(json.dumps(result.to_json()))
    assert got["start_utc"] == "2025-06-15T15:06:40.002000000Z"
    assert (got["frames"], got["expected"], got["missing"], got["missed"], got["missed_low"]) == (20, 22, 2, 2, 2)
    assert (got["missing_low"], got["missing_high"]) == (2, 2)
    assert "lost" not in got  # it names the flag only
    assert got["period_s"] == pytest.approx(0.007)
    assert got["events"] == [
        {
            "kind": "gap",
            "start_s": pytest.approx(0.064),
            "end_s": pytest.approx(0.085),
            "frames": 2,
            "frames_low": 2,
            "missing": 2,
            "bytes": 0,
            "offset": 250,
        }
    ]
    assert list(got["summary"]) == ["gap", "lost", "failsafe", "damaged"]
    assert got["summary"]["gap"] == {
        "count": 1,
        "frames": 2,
        "frames_low": 2,
        "total_s": pytest.approx(0.021),
        "longest_s": pytest.approx(0.021),
    }
    assert got["missed_ratio"] == pytest.approx(2 / 22)
    assert 0.09 < got["missed_ratio_upper95"] < 0.27
    assert (got["bursts"], got["note"]) == (True, BURST_NOTE)
    assert (got["stray_bytes"], got["ambiguous"]) == (0, [[25, 75]])
    assert "between_marks" not in got


def adapter_log(slots: list[int], *, period_ms: float, timer_ms: float | None) -> ByteLog:
    """The bytes as an adapter hands them over: when its timer ran out, or with each frame's end."""
    sent = np.flatnonzero(np.array(slots) >= 0)
    frames = pack_frames(np.full((sent.size, 16), 992), np.array(slots)[sent])
    ends = (sent * period_ms + FRAME_MS) * MS
    if timer_ms is None:
        return ByteLog.from_chunks(
            Chunk(round(t) + 150_000, row.tobytes()) for t, row in zip(ends, frames, strict=True)
        )
    byte_t = (ends[:, None] - 120_000 * np.arange(FRAME_BYTES - 1, -1, -1)).ravel()
    read = np.floor_divide(byte_t, timer_ms * MS).astype(np.int64)
    data = frames.ravel()
    cuts = np.flatnonzero(np.diff(read)) + 1
    return ByteLog.from_chunks(
        Chunk(round((int(read[start]) + 1) * timer_ms * MS), part.tobytes())
        for start, part in zip([0, *cuts.tolist()], np.split(data, cuts), strict=True)
    )


def from_log(log: ByteLog) -> Outages:
    found = find_frames(log, clock=PER_READ)
    return find(found.frames.times(), found.rejects, clock=PER_READ, start_ns=0)


@pytest.mark.parametrize("period_ms", [7.0, 9.01, 14.0, 15.0])
@pytest.mark.parametrize("timer_ms", [None, 1.0, 16.0])
def test_an_adapter_that_collects_makes_no_gap(period_ms: float, timer_ms: float | None) -> None:
    result = from_log(adapter_log([0] * 2000, period_ms=period_ms, timer_ms=timer_ms))
    assert (result.frames, result.events) == (2000, ())
    assert result.period_s == pytest.approx(period_ms / 1000, rel=1e-4)


@pytest.mark.parametrize("period_ms", [7.0, 9.01, 14.0, 15.0])
@pytest.mark.parametrize("timer_ms", [None, 1.0, 16.0])
def test_gaps_behind_an_adapter(period_ms: float, timer_ms: float | None) -> None:
    slots = [0] * 500 + [-1] * 300 + [0] * 500 + [-1] + [0] * 500 + [-1] * 3 + [0] * 500
    result = from_log(adapter_log(slots, period_ms=period_ms, timer_ms=timer_ms))
    assert kinds(result) == [("gap", 300), ("gap", 1), ("gap", 3)]
    assert result.expected == len(slots)
    start_s = result.events[0].start_s
    assert start_s is not None
    assert abs(start_s - (FRAME_MS + 499 * period_ms) / 1000) < 0.040


def test_damage_behind_an_adapter_is_found_where_it_stands() -> None:
    log = adapter_log([0] * 600, period_ms=7.0, timer_ms=16.0)
    data = log.data.copy()
    data[300 * FRAME_BYTES] ^= 0x10  # no header any more
    result = from_log(ByteLog(0, data, log.mark_end, log.mark_t_ns))
    assert [(e.kind, e.frames, e.bytes, e.offset) for e in result.events] == [("damaged", 1, 25, 7500)]
    assert (result.expected, result.stray_bytes) == (600, 0)


@given(SLOTS, st.sampled_from([7.0, 9.0, 14.0, 15.0]), st.integers(0, 2**32 - 1))
def test_every_frame_that_was_due_counts_once(slots: list[int], period_ms: float, seed: int) -> None:
    slots = [0, 0, 0, *slots, 0, 0, 0]
    times, rejects = heron(slots, period_ms=period_ms)
    jitter = np.random.default_rng(seed).normal(0, 0.02 * period_ms * MS, len(times)).astype(np.int64)
    shaken = FrameTimes(np.sort(times.t_ns + jitter), times.slack_ns, times.flags)
    result = find(shaken, rejects, clock=PER_BYTE)
    assert result.frames + result.missing == result.expected == len(slots)
    assert result.missing == slots.count(-1)
    assert result.missed == len(slots) - slots.count(0)
    assert sum(event.frames for event in result.events) == result.missed
    starts = [event.start_s for event in result.events if event.start_s is not None]
    assert starts == sorted(starts)


@given(st.lists(st.integers(1, 4000), max_size=8))
def test_cutting_the_stream_does_not_matter(sizes: list[int]) -> None:
    slots = [0] * 150 + [FLAG_LOST] * 4 + [0] * 100 + [-1] * 20 + [0] * 150
    log = adapter_log(slots, period_ms=7.0, timer_ms=16.0)
    data = log.data.copy()
    data[2503] ^= 1
    data[5000:5060] = 0xAA
    whole = ByteLog(0, data, log.mark_end, log.mark_t_ns)
    places = sorted({min(int(x), len(whole)) for x in np.cumsum(sizes)} & set(log.mark_end.tolist()) | {len(whole)})
    parts, start = [], 0
    for end in places:
        marks = (log.mark_end > start) & (log.mark_end <= end)
        parts.append(ByteLog(start, data[start:end], log.mark_end[marks], log.mark_t_ns[marks]))
        start = end
    found = AlignmentResult.concat(find_in_blocks(parts, clock=PER_READ))
    assert find(found.frames.times(), found.rejects, clock=PER_READ, start_ns=0) == from_log(whole)
