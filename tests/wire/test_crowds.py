"""Chance bytes of few values are no frames, and take none with them."""

from __future__ import annotations

import numpy as np
import pytest

from busbench.model import NO_CLOCK, U8, ByteLog
from busbench.wire import framing
from busbench.wire.frame_spec import FRAME_BYTES
from busbench.wire.framing import find_frames
from busbench.wire.table import AlignmentResult
from tests.wire.corpus import END_CYCLE, make, make_trap

FEW_VALUES = {
    "two": (0x0F, 0x00),
    "headers seldom": (0x0F, 0x00, 0x00, 0x00, 0x00, 0x00),
    "three": (0x0F, 0x00, 0x20),
    "ends of slots": (0x0F, 0x04, 0x14, 0x24, 0x34),
}


def chance(values: tuple[int, ...], size: int, seed: int = 1) -> U8:
    return np.random.default_rng(seed).choice(np.array(values, np.uint8), size)


def found_in(data: U8) -> AlignmentResult:
    return find_frames(ByteLog.from_bytes(data), clock=NO_CLOCK)


@pytest.mark.parametrize("values", FEW_VALUES.values(), ids=FEW_VALUES)
def test_a_crowd_holds_hardly_a_frame_and_all_its_bytes_are_accounted_for(values: tuple[int, ...]) -> None:
    size = 200_000
    found = found_in(chance(values, size))
    # Some at its start, at its end, and where chance makes a frame period; searches alone take over half of it.
    assert len(found.frames) * FRAME_BYTES < size / 20
    assert len(found.frames) * FRAME_BYTES + found.rejects.bytes_total == size


@pytest.mark.parametrize("size", [30_000, 30_777, 31_999])
def test_frames_behind_a_crowd_are_all_found(size: int) -> None:
    frames = make("mixed", 300, 4).data
    found = found_in(np.concatenate([frames, chance((0x0F, 0x00), size), frames]))
    behind = frames.size + size + FRAME_BYTES * np.arange(300)
    assert np.isin(behind, found.frames.offset).all()


@pytest.mark.parametrize(
    "data",
    [
        make("mixed", 3000, 5, flip=5e-2).data,
        make("still", 3000, 6, flip=1e-2, lose=1e-2, extra=1e-2).data,
        make("moving", 3000, 7, end=END_CYCLE, slots=0.5, cut_before_slots=0.1, flip=2e-2).data,
        make("mixed", 3000, 8, cuts=2e-2).data,
        make_trap(3000, 9, rate=2e-2).data,
    ],
    ids=["flips", "flips, lost, extra", "slots", "cuts", "trap"],
)
def test_frames_badly_damaged_are_no_crowd(data: U8, monkeypatch: pytest.MonkeyPatch) -> None:
    found = found_in(data)
    monkeypatch.setattr(framing, "is_noise", lambda _: False)
    plain = found_in(data)
    assert found.frames.offset.tolist() == plain.frames.offset.tolist()
    assert found.rejects.offset.tolist() == plain.rejects.offset.tolist()
