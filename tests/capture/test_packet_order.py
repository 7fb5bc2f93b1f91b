"""Packets that are in a capture twice or out of order: no second frames, none missing."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from busbench.analysis.outages import Outages, find_outages
from busbench.capture.frames import Span, read_frames
from busbench.capture.open import open_capture
from busbench.capture.packet_order import PacketOrder
from busbench.line import Chunk
from busbench.model import I64, NO_CLOCK, TIME_MAX_NS, TIME_MIN_NS, U8, ByteLog, Clock, ClockKind
from busbench.wire.codec import pack_frames
from busbench.wire.table import AlignmentResult
from tests.capture.blocks import interface, option, packet, packets, read, save, section
from tests.capture.usb_blocks import START_US, ftdi, linux, linux_file

PER_READ = Clock(ClockKind.PER_READ, 1_000)
PERIOD_US = 7_000
MS = 1_000_000
Packet = tuple[int, bytes]  # us, data


def frames(count: int) -> list[Packet]:
    """A read a frame, every 7 ms; the sticks rest, so all hold the same bytes."""
    raw = pack_frames(np.full((count, 16), 992))
    return [(START_US + PERIOD_US * row, raw[row].tobytes()) for row in range(count)]


def outages(tmp_path: Path, some: list[Packet]) -> tuple[Outages, list[str]]:
    """What is found in a capture, and its notes."""
    path = save(tmp_path, section(), interface(), *(packet(us, data) for us, data in some))
    with open_capture(path) as capture:
        span = Span()
        found = AlignmentResult.concat(read_frames(capture, span=span))
        result = find_outages(
            found.frames.times(),
            found.rejects,
            first_offset=found.frames.first_offset,
            clock=capture.info.clock,
            start_ns=span.first_t_ns,
            end_t_ns=span.last_t_ns,
        )
        return result, capture.info.notes


def kinds(result: Outages) -> list[tuple[str, int]]:
    return [(event.kind, event.frames) for event in result.events]


def test_frames_with_the_same_bytes_at_later_times_are_frames(tmp_path: Path) -> None:
    result, notes = outages(tmp_path, frames(100))
    assert (result.frames, result.events, notes) == (100, (), [])


def test_exact_copies_do_not_count_twice(tmp_path: Path) -> None:
    twice = [one for one in frames(100) for _ in range(2)]
    result, notes = outages(tmp_path, twice)
    assert (result.frames, result.missed) == (100, 0)
    assert result.period_s == pytest.approx(0.007)
    assert notes == ["exact copies of packets, left out: 100"]


def test_copies_of_a_part_do_not_hide_what_is_missing(tmp_path: Path) -> None:
    some = frames(100)
    del some[30:32]
    twice = sorted([*some, *some[20:60], *some[20:60]])
    result, notes = outages(tmp_path, twice)
    assert (result.frames, kinds(result)) == (98, [("gap", 2)])
    assert notes == ["exact copies of packets, left out: 80"]


@pytest.mark.parametrize("cut", [0, 11])  # whole frames, and reads that cut them
def test_packets_out_of_order_are_no_gap_and_no_damage(tmp_path: Path, cut: int) -> None:
    some = frames(100)
    if cut:
        some = [part for us, data in some for part in ((us, data[:cut]), (us + 1_700, data[cut:]))]
    order = np.arange(len(some))
    for at in (7, 40, 41, 90):
        order[at : at + 2] = order[at : at + 2][::-1]
    order[60:64] = [63, 60, 61, 62]
    result, notes = outages(tmp_path, [some[row] for row in order.tolist()])
    assert (result.frames, result.events, result.stray_bytes) == (100, (), 0)
    assert notes == ["packets out of order, put where their times belong: 4"]


def test_a_clock_that_was_set_back_is_no_disorder(tmp_path: Path) -> None:
    some = frames(100)
    back = [*some[:50], *((us - 200_000, data) for us, data in some[50:])]
    _, notes = outages(tmp_path, back)
    assert notes == ["the clock goes back once: figures of time that span that mean nothing"]


def arranged(*parts: list[int]) -> tuple[list[int], int]:
    """Times in ms of packets in several logs, put in order, and how many were moved."""
    logs, offset = [], 0
    for part in parts:
        logs.append(ByteLog.from_chunks([Chunk(t * MS, b"%03d" % t) for t in part], offset=offset))
        offset = logs[-1].end
    order = PacketOrder(clock=PER_READ)
    got = list(order.arrange(logs))
    assert b"".join(log.data.tobytes() for log in got) == b"".join(
        b"%03d" % (t // MS) for log in got for t in log.mark_t_ns.tolist()
    )
    return [t // MS for log in got for t in log.mark_t_ns.tolist()], order.moved


def numbered(count: int) -> bytes:
    return b"".join(b"%03d" % i for i in range(count))


def made(times: I64, *, offset: int = 0, data: bytes = b"", bad: U8 | None = None) -> ByteLog:
    """Packets of three bytes with these times in ns; the bytes are the time in ms if none are given."""
    data = data or b"".join(b"%03d" % (t // MS) for t in times.tolist())
    ends = offset + 3 * np.arange(1, times.size + 1)
    return ByteLog(offset, np.frombuffer(data, np.uint8), ends, times, bad)


def test_a_packet_is_late_by_eight_others_at_most() -> None:
    times = list(range(1, 30))
    eight = [*times[:10], *times[11:19], times[10], *times[19:]]
    assert arranged(eight) == (times, 1)
    nine = [*times[:10], *times[11:20], times[10], *times[20:]]
    assert arranged(nine) == (nine, 0)


@pytest.mark.parametrize(("late_ms", "moved"), [(49, 1), (50, 0)])
def test_a_packet_is_late_by_less_than_50_ms(late_ms: int, moved: int) -> None:
    times = [100, 200, 300, 400 + late_ms, 400, 500, 600]
    assert arranged(times) == (sorted(times) if moved else times, moved)


def test_the_last_packets_are_left_where_none_overtakes_them() -> None:
    assert arranged([1, 2, 3, 4, 6, 5]) == ([1, 2, 3, 4, 6, 5], 0)
    assert arranged([1, 2, 3, 4, 6, 5, 7]) == ([1, 2, 3, 4, 5, 6, 7], 1)


def test_late_packets_belong_to_the_log_before() -> None:
    times = list(range(1, 201))
    assert arranged([*times[:97], 99, 98], times[99:]) == (times, 1)
    assert arranged([*times[:96], 98, 99], [97, *times[99:]]) == (times, 1)
    assert arranged([*times[:96], 98, 99], [100, 97, *times[100:]]) == (times, 1)


def test_packets_in_order_are_taken_on_but_for_the_last_eight() -> None:
    """Those that a packet of the next log may belong before."""
    times = np.arange(100) * MS
    logs = [made(times), made(times + 99 * MS, offset=300)]
    order = PacketOrder(clock=PER_READ)
    assert [log.mark_end.size for log in order.arrange(logs)] == [92, 107]
    assert order.copies == 1  # the last of the one is the first of the other


@pytest.mark.parametrize(("count", "kept"), [(64, [72]), (65, [65, 8])])
def test_a_log_without_a_gap_waits_for_the_next_while_it_is_short(count: int, kept: list[int]) -> None:
    times = np.array([MS] * count)
    logs = [made(times, data=numbered(count)), made(np.arange(8) * MS, offset=3 * count, data=numbered(8))]
    assert [log.mark_end.size for log in PacketOrder(clock=PER_READ).arrange(logs)] == kept


def test_a_copy_is_not_cut_off_from_its_first() -> None:
    """Where a log of 100 packets would be cut, eight before its end, are two packets with one time."""
    times = np.arange(100) * MS
    times[92:] -= MS
    order = PacketOrder(clock=PER_READ)
    got = list(order.arrange([made(times), made(times[-1:], offset=300)]))
    assert ([log.mark_end.size for log in got], order.copies) == ([91, 8], 2)


@pytest.mark.parametrize(("lag", "copies"), [(8, 1), (9, 0)])
def test_a_copy_comes_at_most_eight_packets_later(lag: int, copies: int) -> None:
    some = [b"abc", *(b"%03d" % i for i in range(lag - 1)), b"abc", b"end"]
    log = ByteLog.from_chunks([Chunk(5 * MS + (data == b"end"), data) for data in some])
    order = PacketOrder(clock=PER_READ)
    (got,) = order.arrange([log])
    assert (order.copies, got.data.tobytes().count(b"abc")) == (copies, 2 - copies)


@pytest.mark.parametrize(
    ("times", "ordered", "moved"),
    [
        ([1, 2, 4, 3, 100, 4, 200], [1, 2, 3, 4, 100, 4, 200], 1),  # one late by too much beside one that is not
        ([1, 1, 3, 2, 4], [1, 2, 3, 4], 1),  # a copy was not late
        ([2, 1], [2, 1], 0),
        ([2, 1, 2], [1, 2], 1),
        ([1], [1], 0),
    ],
)
def test_each_late_packet_is_judged_by_itself(times: list[int], ordered: list[int], moved: int) -> None:
    assert arranged(times) == (ordered, moved)


def test_bytes_without_a_clock_are_taken_as_they_come() -> None:
    logs = [ByteLog.from_bytes(np.zeros(3, np.uint8), offset=at) for at in (0, 3, 6)]
    order = PacketOrder(clock=NO_CLOCK)
    assert list(order.arrange(logs)) == logs
    assert order.notes == []


def test_a_clock_set_back_at_the_end_of_a_log_stays_as_it_is() -> None:
    assert arranged([5] * 70 + [9, 8], list(range(1, 30))) == ([5, 9, 8, *range(1, 30)], 0)


def test_marked_bytes_stay_with_their_packets() -> None:
    """In logs that are cut, joined and put in order."""
    times = np.arange(100) * MS
    times[[95, 96]] = times[[96, 95]]
    bad = np.zeros(300, np.uint8)
    bad[[4, 3 * 95 + 1, 3 * 99 + 2]] = 1
    late = made(np.array([97, 100]) * MS, offset=300, bad=np.array([0, 0, 0, 8, 0, 0], np.uint8))
    logs = [made(times, bad=bad), late]
    got = list(PacketOrder(clock=PER_READ).arrange(logs))
    marked = np.concatenate([log.bad for log in got if log.bad is not None])
    # The packet of 97 ms is there twice: its copy has gone.
    assert np.flatnonzero(marked).tolist() == [4, 3 * 96 + 1, 3 * 99 + 2, 300]
    assert marked[300] == 8


def test_other_bytes_at_the_same_time_are_no_copies() -> None:
    log = ByteLog.from_chunks(
        [Chunk(5 * MS, b"abc"), Chunk(5 * MS, b"abd"), Chunk(5 * MS, b"abc"), Chunk(6 * MS, b"abc")]
    )
    order = PacketOrder(clock=PER_READ)
    (got,) = order.arrange([log])
    assert (got.data.tobytes(), got.mark_end.tolist(), order.copies) == (b"abcabdabc", [3, 6, 9], 1)
    assert got.mark_t_ns.tolist() == [5 * MS, 5 * MS, 6 * MS]


@pytest.mark.parametrize(
    ("clock", "size", "copies"),
    [
        (PER_READ, 2, 0),  # a read cut into packets of two bytes
        (PER_READ, 3, 1),
        (Clock(ClockKind.PER_READ, MS), 8, 0),  # 8 characters take 0.96 ms: two of them may share a stamp
        (Clock(ClockKind.PER_READ, MS), 9, 1),
        (Clock(ClockKind.PER_BYTE, 1_000), 1, 1),
    ],
)
def test_what_the_line_can_carry_twice_in_a_step_of_the_clock_is_no_copy(clock: Clock, size: int, copies: int) -> None:
    log = ByteLog.from_chunks([Chunk(0, bytes(size)), Chunk(0, bytes(size)), Chunk(50 * MS, b"end")])
    order = PacketOrder(clock=clock)
    (got,) = order.arrange([log])
    assert (order.copies, len(got)) == (copies, (2 - copies) * size + 3)


def test_a_copy_that_the_line_marked_otherwise_is_kept() -> None:
    log = ByteLog.from_chunks([Chunk(0, b"abc", b"\0\4\0"), Chunk(0, b"abc")])
    order = PacketOrder(clock=PER_READ)
    (got,) = order.arrange([log])
    assert (len(got), order.copies) == (6, 0)


@pytest.mark.parametrize("seed", range(30))
def test_pieces_give_the_same_as_the_whole(seed: int) -> None:
    """However the packets are cut into logs, and in whatever near order they are."""
    rng = np.random.default_rng(seed)
    sent = [(t * MS, bytes([t % 251, t % 7, 3])) for t in range(1, 400)]
    shaken = sorted(sent, key=lambda one: one[0] + rng.integers(0, 3 * MS) * (one[0] < 390 * MS))
    doubled = [one for one in shaken for _ in range(1 + (rng.random() < 0.1))]
    cuts = np.sort(rng.choice(np.arange(20, len(doubled)), 5, replace=False)).tolist()
    offset, logs = 0, []
    for a, b in zip([0, *cuts], [*cuts, len(doubled)], strict=True):
        if b > a:
            logs.append(ByteLog.from_chunks([Chunk(*one) for one in doubled[a:b]], offset=offset))
            offset = logs[-1].end
    order = PacketOrder(clock=PER_READ)
    got = list(order.arrange(logs))
    ends = [log.end for log in got]
    assert [log.offset for log in got] == [0, *ends[:-1]]
    data = b"".join(log.data.tobytes() for log in got)
    times = np.concatenate([log.mark_t_ns for log in got])
    assert np.concatenate([log.mark_end for log in got]).tolist() == list(range(3, 3 * len(sent) + 1, 3))
    assert times.tolist() == [t for t, _ in sent]
    assert data == b"".join(one for _, one in sent)
    assert order.copies == len(doubled) - len(sent)


def test_transfers_of_a_usb_capture(tmp_path: Path) -> None:
    some = [linux(us, ftdi(data)) for us, data in frames(40)]
    some[20], some[21] = some[21], some[20]
    path = save(tmp_path, linux_file(*some[:10], *some[9:]))
    with open_capture(path) as capture:
        found = AlignmentResult.concat(read_frames(capture))
        assert (len(found.frames), len(found.rejects)) == (40, 0)
        assert capture.info.notes[1:] == [
            "exact copies of packets, left out: 1",
            "packets out of order, put where their times belong: 1",
        ]


def test_packets_of_one_byte_at_one_time_are_kept(tmp_path: Path) -> None:
    path = save(
        tmp_path, section(), interface(option(9, b"\x06")), *(packet(5, b"\0") for _ in range(4)), packet(9, b"a")
    )
    assert packets(read(path)) == [*[(5_000, b"\0")] * 4, (9_000, b"a")]


@pytest.mark.parametrize("bound_ns", [TIME_MIN_NS, TIME_MAX_NS])
def test_times_held_at_a_bound_do_not_make_copies(bound_ns: int) -> None:
    log = ByteLog.from_chunks([Chunk(bound_ns, b"abcd"), Chunk(bound_ns, b"abcd")])
    order = PacketOrder(clock=PER_READ)
    (got,) = order.arrange([log])
    assert (len(got), order.copies) == (8, 0)
