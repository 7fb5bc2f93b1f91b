"""Columns that are in a file, in memory, and on a disk that fills up."""

from __future__ import annotations

import errno
import mmap
import os
import sys
from pathlib import Path

import numpy as np
import pytest

from busbench.tui import growing_array
from busbench.tui.growing_array import GrowingArray

ROWS = 400_000  # 3.2 MB


def filled(dtype: type = np.int64) -> GrowingArray:
    made = GrowingArray(dtype)
    for start in range(0, ROWS, 7_001):
        made.add(np.arange(start, min(start + 7_001, ROWS)))
    return made


@pytest.mark.parametrize("dtype", [np.int64, np.uint32])
def test_what_was_put_in_is_there(dtype: type) -> None:
    made = filled(dtype)
    early = made.first(5)
    assert np.array_equal(made.first(ROWS), np.arange(ROWS, dtype=dtype))
    assert made.first(ROWS).dtype == dtype
    made.close()
    assert early.tolist() == [0, 1, 2, 3, 4]


@pytest.mark.skipif(sys.platform != "linux", reason="elsewhere columns stay in memory")
def test_a_long_column_stands_in_a_file_and_its_older_part_is_let_go(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(growing_array, "_NEAR_BYTES", mmap.PAGESIZE)
    made = filled()
    values = made.first(ROWS)
    values.sum()  # maps every page
    before = _mapped_bytes()
    made.add(np.zeros(2 * mmap.PAGESIZE, np.int64))
    assert before - _mapped_bytes() >= ROWS * 8 - 16 * mmap.PAGESIZE
    assert int(values.sum()) == ROWS * (ROWS - 1) // 2
    made.close()


def _mapped_bytes() -> int:
    """Of files, held by this process."""
    for line in Path("/proc/self/status").read_text(encoding="ascii").splitlines():
        if line.startswith("RssFile:"):
            return int(line.split()[1]) * 1024
    raise AssertionError("no such line")


@pytest.mark.skipif(sys.platform != "linux", reason="elsewhere columns stay in memory")
@pytest.mark.parametrize("after", [0, 1, 30])
def test_on_a_full_disk_it_goes_on_in_memory(monkeypatch: pytest.MonkeyPatch, after: int) -> None:
    calls, write = 0, os.pwrite

    def full(file: int, data: bytes, place: int) -> int:
        nonlocal calls
        calls += 1
        if calls > after:
            raise OSError(errno.ENOSPC, "No space left on device")
        return write(file, data, place)

    monkeypatch.setattr(os, "pwrite", full)
    assert np.array_equal(filled().first(ROWS), np.arange(ROWS))
    assert calls > after
