"""Candidates, their links and runs beside the same rules one by one, on bytes of few values that hold many."""

from __future__ import annotations

import numpy as np
import pytest

from busbench.model import U8
from busbench.wire.frame_runs import (
    are_followed,
    begin_late,
    find_candidates,
    find_runs,
    is_plainly_proven,
    link,
    prove_runs,
)
from busbench.wire.frame_spec import END_BYTES, END_SLOTS, FRAME_BYTES, HEADER, SLOT_GAPS
from tests.wire.collage import FEW, Hand, collage

VALUES = (FEW, np.array([HEADER, 0x00, 0x04], np.uint8), np.array([HEADER, 0x34, 0x03, 0x00], np.uint8))
SEEDS = pytest.mark.parametrize("seed", range(12))


def bytes_of(seed: int) -> U8:
    rng = np.random.default_rng(seed)
    return rng.choice(VALUES[seed % 3], int(rng.integers(0, 400))) if seed % 4 else collage(seed, pieces=9)


def linked_past_another() -> U8:
    """The first candidate links to the third, which begins after a reply."""
    data = np.zeros(60, np.uint8)
    data[[0, 10, 28]], data[24] = HEADER, END_SLOTS[0]
    return data


def candidates(data: list[int]) -> list[int]:
    last = len(data) - FRAME_BYTES
    return [i for i in range(last + 1) if data[i] == HEADER and data[i + 23] < 16 and data[i + 24] in END_BYTES]


def links(data: list[int], at: list[int]) -> dict[int, int]:
    """Each candidate with the nearest that may follow it; of several before one, the nearest."""
    after: dict[int, int] = {}
    for place in at:
        has_slots = data[place + 24] in END_SLOTS and data[place + 25 : place + 26] != [HEADER]
        gaps = (0, *SLOT_GAPS) if has_slots else (0,)
        following = [place + 25 + gap for gap in gaps if place + 25 + gap in at]
        if following:
            after[place] = following[0]
    return {place: to for place, to in after.items() if place == max(one for one in after if after[one] == to)}


@SEEDS
def test_candidates_and_links(seed: int) -> None:
    data = bytes_of(seed)
    at = candidates(data.tolist())
    assert find_candidates(data).tolist() == at
    found = link(data, np.array(at, np.int64)).tolist()
    expected = links(data.tolist(), at)
    assert {at[i]: at[to] for i, to in enumerate(found) if to >= 0} == expected


@pytest.mark.parametrize("size", range(60))
def test_short_bytes(size: int) -> None:
    for data in (np.full(size, HEADER, np.uint8), np.resize(np.array([HEADER, 0, 0], np.uint8), size)):
        assert find_candidates(data).tolist() == candidates(data.tolist())


def test_candidates_of_more_bytes_than_a_block() -> None:
    """Blocks of 262 144 bytes are searched one after another."""
    places = [5, 262_119, 262_120, 262_143, 262_144, 262_150, 524_290, 599_975]
    data = np.zeros(600_000, np.uint8)
    data[[*places, 599_976]] = HEADER
    assert find_candidates(data).tolist() == [one for one in places if one + 24 not in places]


@pytest.mark.parametrize("seed", [-1, *range(12)])
def test_runs(seed: int) -> None:
    data = bytes_of(seed) if seed >= 0 else linked_past_another()
    at = np.array(candidates(data.tolist()), np.int64)
    after = links(data.tolist(), at.tolist())
    runs = []
    for place in at.tolist():
        if place not in after.values():
            runs.append([place])
            while runs[-1][-1] in after:
                runs[-1].append(after[runs[-1][-1]])
    found = find_runs(data, at)
    parts = zip(found.first.tolist(), found.size.tolist(), strict=True)
    assert [found.at[first : first + size].tolist() for first, size in parts] == runs


@SEEDS
def test_what_follows_a_frame(seed: int) -> None:
    """Found if a header follows or may; certain if it is there, or all places where it could be have come."""
    data = bytes_of(seed)
    at = candidates(data.tolist())
    found, sure = are_followed(data, np.array(at, np.int64))
    for place, is_found, is_sure in zip(at, found.tolist(), sure.tolist(), strict=True):
        gaps = (0, *SLOT_GAPS) if data[place + 24] in END_SLOTS else (0,)
        behind = [int(data[place + 25 + gap]) if place + 25 + gap < data.size else None for gap in gaps]
        assert is_found == (HEADER in behind or None in behind)
        assert is_sure == (HEADER in behind or None not in behind)


def test_a_frame_begins_late_if_it_is_more_like_the_next_a_byte_earlier() -> None:
    hand, rng = Hand(np.random.default_rng(4)), np.random.default_rng(4)
    seen: set[bool] = set()
    for _ in range(200):
        frame = bytearray(hand.frame(rng, moves=0))
        frame[1:3] = (HEADER, int(rng.integers(0, 256)))
        other = bytearray(frame)
        other[int(rng.integers(1, 12))] ^= 1
        frame.insert(int(rng.integers(2, 12)), int(rng.integers(0, 256)))
        data = bytes(frame) + bytes(other)
        data = data[: len(data) - int(rng.integers(0, 2))]
        for at in range(2):
            after = len(data) - FRAME_BYTES
            is_whole = after + FRAME_BYTES <= len(data) and at in candidates(list(data))
            if not is_whole or after not in candidates(list(data)):
                continue
            alike = [
                next(i for i in range(26) if i == 25 or data[start + i] != data[after + i]) for start in (at - 1, at)
            ]
            expected = at > 0 and data[at - 1] == HEADER and alike[0] > alike[1]
            seen.add(expected)
            found = begin_late(np.frombuffer(data, np.uint8), np.array([at]), np.array([after]))
            assert found.tolist() == [expected]
    assert seen == {True, False}


def test_five_frames_alone_are_proven_plainly_only_if_the_search_proves_them() -> None:
    seen: set[tuple[bool, bool]] = set()
    for seed in range(120):
        rng = np.random.default_rng(seed)
        hand, other = Hand(rng), Hand(rng)
        frames = [hand.frame(rng, moves=int(rng.choice([0, 2, 40]))) for _ in range(5)]
        if seed % 3:
            frames[seed // 3 % 5] = other.frame(rng)
        data = np.frombuffer(b"".join(frames), np.uint8)
        at = find_candidates(data)
        if at.tolist() == [0, 25, 50, 75, 100]:
            proven = prove_runs(data, at, 0, None, final=False).frames.tolist() == at.tolist()
            seen.add((is_plainly_proven(data.reshape(5, FRAME_BYTES)), proven))
    assert {(True, True), (False, False)} <= seen <= {(True, True), (False, False), (False, True)}
