"""The limits of the search, each from both sides: after how many frames or bytes a decision is made."""

from __future__ import annotations

import numpy as np
import pytest

from busbench.model import NO_CLOCK, U8, ByteLog, Reason
from busbench.wire.codec import pack_frames
from busbench.wire.frame_chain import Chains, RunGaps
from busbench.wire.frame_runs import is_noise
from busbench.wire.frame_spec import FRAME_BYTES
from busbench.wire.framing import FrameFinder, find_frames
from busbench.wire.table import AlignmentResult
from tests.wire.corpus import END_CYCLE

COUNTS = 100 * np.arange(1, 17)
FEEDS = pytest.mark.parametrize("most", [7, 700, 10**6], ids=lambda most: f"in pieces of {most}")


def still(count: int, *, flags: int = 0, end: tuple[int, ...] = (0,)) -> U8:
    return pack_frames(np.tile(COUNTS, (count, 1)), flags, np.resize(end, count))


def wild(count: int) -> U8:
    """Frames of which each is far from the one before in every channel."""
    return pack_frames(np.where(np.arange(count)[:, None] % 2, 300, 1500).repeat(16, axis=1) + np.arange(16))


def fed(data: U8, most: int) -> tuple[AlignmentResult, FrameFinder]:
    """All that is decided of a stream that has not ended."""
    finder = FrameFinder(clock=NO_CLOCK)
    pieces = range(0, data.size, most)
    parts = [finder.feed(ByteLog.from_bytes(data[at : at + most], offset=at)) for at in pieces]
    return AlignmentResult.concat(parts), finder


@FEEDS
@pytest.mark.parametrize(("streak", "is_taken"), [(1999, False), (2000, True)])
@pytest.mark.parametrize("lead", [b"", bytes(30) + b"\x55" * 30], ids=["clean", "after damage"])
def test_new_flags_count_at_once_after_2000_frames_without_damage(
    most: int, streak: int, is_taken: bool, lead: bytes
) -> None:
    """With fewer the frame waits for the header after it, since a foreign byte could make such a frame."""
    most = max(most, 100 + streak % 7)  # 2000 frames in smaller pieces take seconds
    before = np.concatenate([still(9 if lead else 0).ravel(), np.frombuffer(lead, np.uint8)])
    data = np.concatenate([before, still(streak).ravel(), still(1, flags=4).ravel()])
    found, finder = fed(data, most)
    assert found.frames.offset.size == (9 if lead else 0) + streak + is_taken
    header = finder.feed(ByteLog.from_bytes(b"\x0f", offset=data.size))
    assert len(header.frames) == (not is_taken)


@FEEDS
@pytest.mark.parametrize(("streak", "is_taken"), [(49, False), (50, True), (51, True)])
@pytest.mark.parametrize("lead", [b"", b"\x55" * 30], ids=["clean", "after damage"])
def test_a_jump_after_a_jump_counts_at_once_after_50_frames_without_damage(
    most: int, streak: int, is_taken: bool, lead: bytes
) -> None:
    """The first two are alike, so that they are of one run."""
    before = np.concatenate([wild(9 if lead else 0).ravel(), np.frombuffer(lead, np.uint8), wild(1).ravel()])
    data = np.concatenate([before, wild(streak).ravel()])
    found, _ = fed(data, most)
    assert len(found.frames) == (9 if lead else 0) + streak + is_taken


@FEEDS
@pytest.mark.parametrize("lead", [b"", b"\x55" * 30], ids=["clean", "after damage"])
@pytest.mark.parametrize(("stays", "is_taken"), [(1, True), (2, False), (3, False)])
def test_only_the_frame_directly_before_a_jump_may_have_jumped_too(
    most: int, lead: bytes, stays: int, is_taken: bool
) -> None:
    moved = pack_frames(np.tile(COUNTS + 400, (stays, 1)))
    frames = np.concatenate([still(60), moved, still(1)])
    found, _ = fed(np.concatenate([still(9).ravel(), np.frombuffer(lead, np.uint8), frames.ravel()]), most)
    assert len(found.frames) == 9 + 60 + stays + is_taken


@FEEDS
def test_a_jump_after_still_frames_waits_for_a_header(most: int) -> None:
    found, _ = fed(np.concatenate([still(300).ravel(), wild(2)[1]]), most)
    assert len(found.frames) == 300


def zeros_with_headers(size: int, pairs: int, alone: int, *, lag: int = FRAME_BYTES) -> U8:
    """Zeros, in which each header begins a candidate; `pairs` times two of them that far apart."""
    data = np.zeros(size, np.uint8)
    first = 100 * np.arange(pairs)
    data[np.concatenate([first, first + lag])] = 0x0F
    each = np.arange(alone)
    data[100 * pairs + 70 * (each // 24) + each % 24] = 0x0F  # none as far from another as two frames are
    return data


@pytest.mark.parametrize(
    ("pairs", "alone", "lag", "answer"),
    [
        (0, 32, 25, False),  # few candidates may be anything
        (0, 33, 25, True),
        (3, 27, 25, True),  # three that follow another are chance
        (4, 25, 25, False),
        (12, 76, 25, True),  # of 100 candidates in 2048 bytes so many follow another by chance: 100 * 0.123
        (13, 74, 25, False),
        (13, 74, 28, False),  # after one reply
        (13, 74, 43, False),  # after six
        (13, 74, 46, True),  # after seven: as long as a frame that lost bytes
        (13, 74, 26, True),
    ],
)
def test_candidates_that_follow_one_another_by_chance_alone_are_noise(
    pairs: int, alone: int, lag: int, answer: bool
) -> None:
    assert is_noise(zeros_with_headers(2048, pairs, alone, lag=lag)) is answer


def settled_at(data: U8, step: int = 1, *, first: int = 0) -> list[tuple[int, int, int]]:
    """Bytes fed, frames and rejected bytes at each moment of a decision, fed in small steps from some bytes on."""
    finder, moments = FrameFinder(clock=NO_CLOCK), []
    for at, size in [(0, first), *((at, step) for at in range(first, data.size, step))]:
        found = finder.feed(ByteLog.from_bytes(data[at : at + size], offset=at))
        if len(found.frames) or found.rejects.bytes_total:
            moments.append((at + size, len(found.frames), found.rejects.bytes_total))
    return moments


def test_bytes_without_a_candidate_are_given_up_after_2048() -> None:
    """But for the last 24, in which a frame may begin."""
    data = np.full(5000, 0x55, np.uint8)
    assert settled_at(data, first=2000) == [(2048, 0, 2024), (4072, 0, 2024)]
    frame = still(1).ravel()
    found = find_frames(ByteLog.from_bytes(np.concatenate([data[:2024], still(6).ravel()])), clock=NO_CLOCK)
    assert found.frames.offset.tolist() == (2024 + FRAME_BYTES * np.arange(6)).tolist()
    assert frame.size == FRAME_BYTES


@pytest.mark.parametrize(
    ("together", "between"), [(1, bytes(75)), (2, still(1).tobytes()[1:])], ids=["alone", "in twos"]
)
def test_frames_that_no_run_proves_are_weighed_after_16384_bytes(together: int, between: bytes) -> None:
    """Nothing but that they are alike speaks for them; all chains that are close agree on most."""
    part = still(together).tobytes() + between
    data = np.frombuffer(part * 400, np.uint8)[:16_390]
    (fed_bytes, frames, rejected), *_ = settled_at(data, first=16_380)
    assert fed_bytes == 16_384
    assert rejected == len(between) * ((frames - 1) // together)
    assert 0.98 < frames * len(part) / together / 16_384 <= 1


def test_frames_inside_frames_are_decided_after_262144_bytes() -> None:
    frames = still(10_600)
    frames[:, 8:11] = (0x03, 0x00, 0x0F)
    moments = settled_at(frames.ravel()[: 262_144 + 3], 1, first=262_140)
    assert [fed for fed, *_ in moments] == [262_144]


@pytest.mark.parametrize("replies", [7, 8])
def test_seven_replies_are_replies_and_eight_are_a_frame_that_lost_a_byte(replies: int) -> None:
    frames = still(40, end=END_CYCLE)
    gap = np.tile(np.array([0x03, 0x55, 0xAA], np.uint8), replies)
    data = np.concatenate([frames[:20].ravel(), gap, frames[20:].ravel()])
    found = find_frames(ByteLog.from_bytes(data), clock=NO_CLOCK)
    assert len(found.frames) == 40
    assert found.rejects.reason.tolist() == [Reason.SLOT if replies == 7 else Reason.DAMAGED]


@pytest.mark.parametrize(("gap", "scores"), [(1024, (10, 0, -12)), (1025, (-20, -20, -32))])
def test_after_1024_bytes_the_last_frame_speaks_for_none_but_still_against_some(
    gap: int, scores: tuple[float, float, float]
) -> None:
    """The step to a like frame, to one that moved in all channels, and to one that no hand makes; 7 for the damage."""
    none = np.empty(0, np.int64)
    for counts, score in zip((COUNTS, COUNTS + 100, COUNTS[::-1]), scores, strict=True):
        data = np.concatenate([still(1).ravel(), np.full(gap, 0x55, np.uint8), pack_frames(counts[None])[0]])
        places = np.array([0, FRAME_BYTES + gap])
        chains = Chains(RunGaps(data, places, np.zeros(2), none, none, has_log_start=False))
        assert chains._step[1, 0] == score - 7
