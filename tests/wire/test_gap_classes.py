"""Bytes between frames, sorted by what they are."""

from __future__ import annotations

import pytest

from busbench.model import Reason
from busbench.wire.frame_spec import is_slot_gap
from busbench.wire.gap_classes import sort_gap

FRAME = b"\x0f" + bytes(22) + b"\x00\x04"
REPLY = b"\x03\x12\x34"
BAD = b"\x1f" + FRAME[1:]


@pytest.mark.parametrize(
    ("gap", "end_before", "is_first", "is_last", "runs"),
    [
        (b"", 4, False, False, []),
        (REPLY, 4, False, False, [(0, 3, Reason.SLOT)]),
        (REPLY * 2, 0x34, False, True, [(0, 6, Reason.SLOT)]),
        (REPLY, 0, False, False, [(0, 3, Reason.DAMAGED)]),  # a receiver without slots
        (REPLY, None, True, False, [(0, 3, Reason.CUT)]),
        (FRAME[5:], None, True, False, [(0, 20, Reason.CUT)]),
        (FRAME[:20], 0, False, True, [(0, 20, Reason.CUT)]),
        (FRAME[5:], 0, False, True, [(0, 20, Reason.DAMAGED)]),
        (REPLY + FRAME[:20], 4, False, True, [(0, 3, Reason.SLOT), (3, 23, Reason.CUT)]),
        (REPLY + FRAME[:24], 4, False, False, [(0, 3, Reason.SLOT), (3, 27, Reason.DAMAGED)]),
        (BAD + REPLY, 4, False, False, [(0, 25, Reason.DAMAGED), (25, 28, Reason.SLOT)]),
        (BAD[:-1] + REPLY, 4, False, False, [(0, 24, Reason.DAMAGED), (24, 27, Reason.SLOT)]),
        (BAD + b"\x77" + REPLY, 4, False, False, [(0, 26, Reason.DAMAGED), (26, 29, Reason.SLOT)]),
        (BAD, 4, False, False, [(0, 25, Reason.DAMAGED)]),
    ],
)
def test_each_run_has_its_reason(
    gap: bytes, end_before: int | None, is_first: bool, is_last: bool, runs: list[tuple[int, int, Reason]]
) -> None:
    assert sort_gap(gap, 0, end_before=end_before, is_first=is_first, is_last=is_last) == runs


@pytest.mark.parametrize(
    ("end", "length", "first", "answer"),
    [
        (0x04, 3, 0x03, True),
        (0x34, 21, 0x03, True),
        (0x34, 21, 0x0F, False),  # rather a frame that lost four bytes
        (0x34, 3, 0x0F, True),
        (0x34, 24, 0x03, False),
        (0x34, 4, 0x03, False),
        (0x34, 0, 0x03, False),
        (0x00, 3, 0x03, False),
    ],
)
def test_what_can_be_replies(end: int, length: int, first: int, answer: bool) -> None:
    assert is_slot_gap(end, length, first) is answer
