"""The search where the frame timing is lost, on short streams made by hand and on traps with damage."""

from __future__ import annotations

import numpy as np
import pytest

from busbench.model import NO_CLOCK, U8, ByteLog, Clock, ClockKind, Reason
from busbench.wire.ambiguity import SPAN_BYTES, AmbiguityTracker
from busbench.wire.codec import pack_frames
from busbench.wire.frame_spec import END_BYTES, FRAME_BYTES
from busbench.wire.framing import find_frames
from busbench.wire.similarity import same_ahead
from busbench.wire.stream_buffer import StreamBuffer
from busbench.wire.table import AlignmentResult
from tests.wire.corpus import END_CYCLE, make, make_trap

COUNTS = 100 * np.arange(1, 17)


def still(count: int, *, flags: int = 0, end: tuple[int, ...] = (0,)) -> U8:
    """The same frame again and again, (N, 25)."""
    return pack_frames(np.tile(COUNTS, (count, 1)), flags, np.resize(end, count))


def trap(count: int) -> U8:
    """Held frames inside which another seems to begin, ten bytes in, (N, 25)."""
    frames = still(count)
    frames[:, 8:11] = (0x03, 0x00, 0x0F)
    return frames


def found_in(*parts: U8) -> AlignmentResult:
    return find_frames(ByteLog.from_bytes(np.concatenate([part.ravel() for part in parts])), clock=NO_CLOCK)


def test_a_lone_frame_with_no_header_behind_it_is_chance() -> None:
    """At the start of a log nothing but its place speaks for it."""
    assert len(found_in(still(1)).frames) == 1
    assert len(found_in(still(1), np.full(40, 0x55, np.uint8)).frames) == 0


def test_a_frame_with_new_flags_before_a_damaged_one_is_found() -> None:
    headless = still(1).ravel()[1:]
    found = found_in(still(20), headless, still(1, flags=4), headless, still(20))
    assert len(found.frames) == 41
    assert found.frames.flags[20] == 4


@pytest.mark.parametrize("first_byte", END_BYTES)
def test_a_switched_frame_before_one_without_header_is_found(first_byte: int) -> None:
    """What follows the frame looks like its end byte one byte late, but no header is after that."""
    before, after = still(1), still(1)
    before[:, 1] = after[:, 1] = first_byte
    after[:, 22] ^= 0x80  # channel 16 jumps by 1024 counts and stays
    headless = after.ravel()[1:]
    found = found_in(*[before] * 20, after, headless, *[after] * 20)
    assert len(found.frames) == 41
    assert found.frames.offset[20] == 20 * FRAME_BYTES


def test_damage_behind_the_first_frame_is_no_cut_piece() -> None:
    found = found_in(still(1), still(1).ravel()[1:], still(20))
    assert len(found.frames) == 21
    assert (found.rejects.length.tolist(), found.rejects.reason.tolist()) == ([24], [Reason.DAMAGED])


def test_a_foreign_byte_before_the_flags_makes_no_flags() -> None:
    """`payload, 08, flags, end`: its first 25 bytes look like a frame with failsafe set."""
    odd = np.insert(still(1).ravel(), 23, 0x08)
    found = found_in(still(20), odd, still(20))
    assert len(found.frames) == 40
    assert not found.frames.flags.any()


@pytest.mark.parametrize("end", [(0,), END_CYCLE])
@pytest.mark.parametrize("at", range(2, 8))
@pytest.mark.parametrize("count", [2, 20])
def test_a_foreign_byte_in_frames_that_begin_with_two_headers_makes_no_frame(
    at: int, end: tuple[int, ...], count: int
) -> None:
    """`0F 0F …`: the last 25 bytes of 26 look like a frame too, in which only the first channels have jumped."""
    frames = still(2 * count + 1, end=end)
    frames[:, 1:4] = (0x0F, 0xF2, 0x11)
    found = found_in(frames[:count], np.insert(frames[count], at, 0x75), frames[count + 1 :])
    assert len(found.frames) == 2 * count
    assert (found.frames.raw[:, 1] == 0x0F).all()


def test_a_foreign_header_before_a_frame_hides_no_frame() -> None:
    frames = still(41)
    assert len(found_in(frames[:20], np.insert(frames[20], 0, 0x0F), frames[21:]).frames) == 41


def test_a_byte_lost_before_replies_makes_no_flags() -> None:
    """`payload, end, reply`: the end byte 0x04 means flags, the reply's first byte for an end."""
    reply = np.array([0x14, 0x55, 0x55], np.uint8)
    cut = np.delete(still(1, end=(0x04,)).ravel(), 10)
    found = found_in(still(20, end=END_CYCLE), cut, reply, still(20, end=END_CYCLE))
    assert len(found.frames) == 40
    assert not found.frames.flags.any()


def test_a_garbled_frame_does_not_take_the_next_with_it() -> None:
    """One byte lost and one foreign byte in a payload: a row, but unlike all others."""
    garbled = still(1).ravel()
    garbled[2:20] = np.roll(garbled[2:20], 1) ^ 0x5A
    headless = still(1).ravel()[1:]
    found = found_in(still(20), headless, garbled, still(1), headless, still(20))
    assert (20 * FRAME_BYTES + 24 + FRAME_BYTES) in found.frames.offset


@pytest.mark.parametrize("at", range(0, FRAME_BYTES, 3))
def test_a_cut_frame_of_a_line_with_replies_does_not_take_the_next_with_it(at: int) -> None:
    """What is left of it may be as long as replies are."""
    frames = still(40, end=END_CYCLE)
    found = found_in(frames[:19], frames[19, :at], frames[20:])
    assert len(found.frames) == 39


def test_a_line_with_an_error_in_each_frame() -> None:
    """At 1e-2 a byte of each kind of damage still >= 99.99 % of whole frames, and one false row in a thousand."""
    whole = missed = false = 0
    damage = {"flip": 1e-2, "lose": 1e-2, "extra": 1e-2, "bursts": 2e-3, "cuts": 2e-3}
    for more in ({}, {"slots": 0.3}):
        for number, kind in enumerate(("still", "moving", "mixed")):
            corpus = make(kind, 10_000, 321 + number, end=END_CYCLE if more else (0,), skip=7, **damage, **more)
            found = find_frames(ByteLog.from_bytes(corpus.data), clock=NO_CLOCK)
            m, f = corpus.score(found.frames.offset, found.frames.raw)
            whole, missed, false = whole + corpus.whole.size, missed + m, false + f
    assert missed <= 1e-4 * whole
    assert false <= 1e-3 * whole


def test_damage_in_a_trap_does_not_lead_away() -> None:
    """Two alignments are equally well, and each byte of damage hits the one or the other by chance."""
    whole = missed = false = 0
    for seed in range(5000, 5100):
        corpus = make_trap(300, seed, rate=1e-3)
        found = find_frames(ByteLog.from_bytes(corpus.data), clock=NO_CLOCK)
        m, f = corpus.score(found.frames.offset, found.frames.raw)
        whole, missed, false = whole + corpus.whole.size, missed + m, false + f
    assert whole > 25_000
    assert missed <= 0.045 * whole
    assert false <= 0.045 * whole


@pytest.mark.parametrize(("rate", "share"), [(1e-3, 0.0), (1e-2, 0.03)])
def test_what_damage_decided_in_a_trap_is_reported(rate: float, share: float) -> None:
    """Frames read at the false place are in ambiguous spans, and a right reading is seldom doubted."""
    rows = false = silent = doubted = 0
    for seed in range(3000, 3040):
        corpus = make_trap(400, seed, rate=rate)
        found = find_frames(ByteLog.from_bytes(corpus.data), clock=NO_CLOCK)
        offset, raw = found.frames.offset, found.frames.raw
        rows, false = rows + len(found.frames), false + corpus.stray(offset, raw).size
        silent += corpus.silent(offset, raw, found.ambiguous)
        doubted += sum(int(np.count_nonzero((offset >= start) & (offset < stop))) for start, stop in found.ambiguous)
    assert false > 100
    assert silent <= share * rows
    assert doubted <= 1.5 * false


def test_a_stick_that_moves_proves_what_stood_before() -> None:
    """Four frames without a rival clear the doubt; three, as damage might make them, do not."""
    for moved, spans in ((4, 0), (3, 1)):
        doubt, frames = AmbiguityTracker(), trap(60)
        frames[40 : 40 + moved, 9] = 0x41
        stream = StreamBuffer(is_per_byte=False, idle_ns=0)
        stream.append(ByteLog.from_bytes(frames.ravel()), keep_from=0)
        doubt.begin(0)
        for places in np.array_split(FRAME_BYTES * np.arange(60), 7):
            doubt.take(stream, places)
        doubt.end(stream.end)
        assert len(doubt.spans) == spans


def test_a_doubt_without_end_is_said_piece_by_piece() -> None:
    count = 2 * SPAN_BYTES // FRAME_BYTES + 40
    found = found_in(trap(count))
    assert found.ambiguous[-1][1] == count * FRAME_BYTES
    assert len(found.ambiguous) >= 3
    assert all(stop - start <= SPAN_BYTES + FRAME_BYTES for start, stop in found.ambiguous)


@pytest.mark.parametrize(
    ("gap", "start"), [(100, SPAN_BYTES), (SPAN_BYTES - 500, SPAN_BYTES), (SPAN_BYTES, 0), (600_000, 0)]
)
def test_a_doubt_goes_on_with_the_frames_after_a_long_gap(gap: int, start: int) -> None:
    """From where the report before ended, unless that is farther back than a report reaches."""
    place = SPAN_BYTES + gap
    data = np.concatenate([trap(20).ravel(), np.zeros(place - 500, np.uint8), trap(20).ravel()])
    stream, doubt = StreamBuffer(is_per_byte=False, idle_ns=0), AmbiguityTracker()
    stream.append(ByteLog.from_bytes(data), keep_from=0)
    doubt.begin(0)
    doubt.take(stream, np.concatenate([FRAME_BYTES * np.arange(20), place + FRAME_BYTES * np.arange(20)]))
    doubt.end(stream.end)
    assert doubt.spans == [(0, SPAN_BYTES), (start or place, stream.end)]


@pytest.mark.parametrize("step", [1, 17, 100])
def test_reads_of_one_frame_outweigh_a_payload_that_no_hand_makes(step: int) -> None:
    """All channels jump from frame to frame, and the trap inside the payload does not move."""
    number, place = np.arange(60)[:, None], np.arange(22)
    frames = still(60)
    frames[:, 1:23] = (step * number + 7 * place) % 256
    frames[:, 14:17] = (0x03, 0x00, 0x0F)
    ends = FRAME_BYTES * np.arange(1, 61)
    log = ByteLog(0, frames.ravel(), ends, 7_000_000 * np.arange(1, 61))
    found = find_frames(log, clock=Clock(ClockKind.PER_READ, 1))
    assert found.frames.offset.tolist() == (ends - FRAME_BYTES).tolist()


@pytest.mark.parametrize(
    ("some", "other", "ahead"),
    [
        (b"abcdef", b"abcdef", 6),
        (b"abcdef", b"abXdef", 5),
        (b"abcdef", b"aXXdef", 1),
        (b"abcdef", b"abcdeX", 5),
        (b"Xbcdef", b"abcdeX", 4),
        (b"XXcdef", b"abcdef", 0),
    ],
)
def test_what_two_runs_have_in_common(some: bytes, other: bytes, ahead: int) -> None:
    rows = [np.frombuffer(raw * 2, np.uint8).reshape(2, 6) for raw in (some, other)]
    assert same_ahead(*rows).tolist() == [ahead, ahead]
