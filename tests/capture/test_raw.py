"""Raw bytes: any are read, and only those that hold frames are recognised."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from busbench.capture import raw
from busbench.capture.base import ReadOptions
from busbench.errors import CaptureError
from busbench.model import NO_CLOCK

FRAME = bytes([0x0F]) + bytes(range(100, 122)) + b"\x00\x00"


@pytest.mark.parametrize(
    "head",
    [
        FRAME,
        FRAME * 2,
        b"\x55" * 1000 + FRAME * 2,
        b"".join(FRAME[:-1] + bytes([end, 3, 1, 2]) for end in (0x04, 0x14, 0x24, 0x34)),
        FRAME[7:] + FRAME * 3 + FRAME[:9],
    ],
)
def test_frames_in_a_row_are_recognised(head: bytes) -> None:
    assert raw.sniff(head)


@pytest.mark.parametrize(
    "head",
    [
        b"",
        b"\x0f",
        FRAME[:-1],
        bytes(5000),
        b"\x0f" * 5000,
        FRAME + bytes(5000),
        (FRAME[:23] + b"\x10\x00") * 9,
        b"time_s,byte\n0.1,0x0F\n" * 99,
    ],
)
def test_other_bytes_are_not(head: bytes) -> None:
    assert not raw.sniff(head)


def test_noise_is_not() -> None:
    rng = np.random.default_rng(3)
    assert not any(raw.sniff(rng.bytes(65_536)) for _ in range(50))


def test_all_bytes_come_back_in_runs_that_follow_one_another(tmp_path: Path) -> None:
    data = np.random.default_rng(1).bytes(2_500_000)
    path = tmp_path / "a"
    path.write_bytes(data)
    with raw.open_file(str(path), ReadOptions()) as capture:
        for _ in range(2):  # as often as needed
            logs = list(capture.blocks())
            assert [(log.offset, len(log)) for log in logs] == [(0, 1048576), (1048576, 1048576), (2097152, 402848)]
            assert b"".join(log.data.tobytes() for log in logs) == data
            assert all(log.mark_end.size == 0 for log in logs)
        assert capture.info.clock == NO_CLOCK


def test_a_missing_file_is_told_when_it_is_opened(tmp_path: Path) -> None:
    with pytest.raises(CaptureError, match="file not found"):
        raw.open_file(str(tmp_path / "none"), ReadOptions())
