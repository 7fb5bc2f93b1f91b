"""How likely frames follow one another, beside the same rules pair by pair in plain numbers."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from busbench.model import U8
from busbench.wire.codec import pack_frames
from busbench.wire.frame_spec import END_BYTES, END_SLOTS, FRAME_BYTES, decode_frame
from busbench.wire.similarity import FrameFields, are_wild, is_framed_alike, is_unremarkable, is_wild, similarity

NEAR, JUMP = 24, 300  # counts


def pairs(count: int, seed: int = 1) -> tuple[U8, U8]:
    """Frames and others, each channel apart by few counts, by about a limit or by any number."""
    rng = np.random.default_rng(seed)
    some = rng.integers(0, 2048, (count, 16))
    steps = np.array([0, 5, NEAR, NEAR + 1, 2 * NEAR, 2 * NEAR + 1, JUMP, JUMP + 1, 2 * JUMP, 2 * JUMP + 1, 900])
    likely = rng.dirichlet(np.full(steps.size, 0.3), count)
    apart = np.array([rng.choice(steps, 16, p=share) for share in likely]) * rng.choice([-1, 1], (count, 16))
    other = np.where((some + apart < 0) | (some + apart > 2047), some - apart, some + apart)
    other = np.clip(other, 0, 2047)
    flags, ends = rng.choice([0, 0, 0, 4, 12], (2, count)), rng.choice([0, 0, 0, *END_SLOTS], (2, count))
    return pack_frames(some, flags[0], ends[0]), pack_frames(other, flags[1], ends[1])


def plainly(before: bytes, after: bytes, missing: int) -> tuple[float, bool, bool]:
    """Log-odds; whether nothing speaks for a shifted frame; whether some channel was faster than a thumb."""
    apart = [abs(a - b) for a, b in zip(decode_frame(before).channels, decode_frame(after).channels, strict=True)]
    reach = 2 if missing else 1  # more missing frames allow no more
    far = [step > JUMP * reach for step in apart]
    near = sum(step <= NEAR * reach for step in apart)
    same_flags = before[23] == after[23]
    same_end = before[24] == after[24] or {before[24], after[24]} <= set(END_SLOTS)
    odds = max(-12.0, min(10.0, 0.7 * near - 5 * sum(far)))
    score = odds - 2 * (not same_flags) - 5 * (not same_end)
    return score, same_flags and same_end and not any(far[-4:]), any(step > JUMP for step in apart)


@pytest.mark.parametrize("count", [200, 520])
@pytest.mark.parametrize("missing", [None, 1, 9])
def test_many_pairs_score_as_one_by_one(count: int, missing: int | None) -> None:
    """Many frames are unpacked in another way than few."""
    some, other = pairs(count)
    rows = FRAME_BYTES * np.arange(count)
    fields = FrameFields.of(some.ravel(), rows), FrameFields.of(other.ravel(), rows)
    score, fine = similarity(*fields) if missing is None else similarity(*fields, np.full(count, missing))
    expected = [plainly(a.tobytes(), b.tobytes(), missing or 0) for a, b in zip(some, other, strict=True)]
    assert score.tolist() == pytest.approx([one[0] for one in expected])
    assert fine.tolist() == [one[1] for one in expected]
    assert are_wild(*fields).tolist() == [one[2] for one in expected]
    assert {one[1] for one in expected} == {one[2] for one in expected} == {True, False}


def test_one_pair_is_judged_as_among_many() -> None:
    for some, other in zip(*pairs(200, 2), strict=True):
        before, after = some.tobytes(), other.tobytes()
        _, is_fine, wild = plainly(before, after, 0)
        assert is_unremarkable(before, after) is is_fine
        assert is_wild(before, after) is wild


@pytest.mark.parametrize("channel", range(16))
@pytest.mark.parametrize("step", [300, 301, -300, -301])
def test_the_last_four_channels_show_a_shifted_frame(channel: int, step: int) -> None:
    counts = np.full((2, 16), 1000)
    counts[1, channel] += step
    before, after = (raw.tobytes() for raw in pack_frames(counts))
    assert is_unremarkable(before, after) is (channel < 12 or abs(step) <= 300)
    assert is_wild(before, after) is (abs(step) > 300)


def test_end_bytes_of_one_receiver_and_equal_flags_frame_alike() -> None:
    for first, second in itertools.product(END_BYTES, END_BYTES):
        before, after = (pack_frames(np.full((1, 16), 992), 4, end).tobytes() for end in (first, second))
        assert is_framed_alike(before, after) is (first == second or 0 not in (first, second))
        assert not is_framed_alike(before, pack_frames(np.full((1, 16), 992), 0, second).tobytes())
