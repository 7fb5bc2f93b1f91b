"""A column that grows without bound in constant memory: a long one is kept in a file.

A live session may run for days, and most of it is never shown again. On Linux a long
column is a temporary file that is written to as a file and read through a mapping, from
which the older part is released; the system reads it again on access.
Elsewhere, and if no file can be made, a column stays in memory.
"""

from __future__ import annotations

import mmap
import os
import sys
import tempfile
from typing import IO, Any

import numpy as np
from numpy.typing import DTypeLike, NDArray

_FIRST = 4096
_LONG_BYTES = 1 << 20  # shorter ones stay in memory
_NEAR_BYTES = 1 << 19  # mapped size of the newest part: about ten minutes of times
_MOST_BYTES = 1 << 33  # address space, not disk space: about 80 days of frames; then memory is used


class GrowingArray:
    """A growing array of values."""

    def __init__(self, dtype: DTypeLike) -> None:
        self._all: NDArray[Any] = np.empty(_FIRST, dtype)
        self._count = 0
        self._file: IO[bytes] | None = None
        self._map: mmap.mmap | None = None
        self._let_go_bytes = 0

    def add(self, values: NDArray[Any]) -> None:
        """Append values."""
        end = self._count + len(values)
        if self._file is None and end > self._all.size:
            self._grow(end)
        if self._file is not None and not self._write(values.astype(self._all.dtype, copy=False)):
            self._into_memory(end)
        if self._file is None:
            self._all[self._count : end] = values
        self._count = end

    def first(self, count: int) -> NDArray[Any]:
        """The first values; later additions do not change them."""
        return self._all[:count]

    def close(self) -> None:
        """Close the file; arrays in use stay valid."""
        if self._file is not None:
            self._file.close()

    def _grow(self, end: int) -> None:
        """Move into a file, or into twice the memory; pages are only touched when filled."""
        held = self._all[: self._count]
        if end * held.itemsize > _LONG_BYTES and self._map is None and self._open_file() and self._write(held, at=0):
            assert self._map is not None
            self._all = np.frombuffer(self._map, held.dtype)
        else:
            self._into_memory(end)

    def _into_memory(self, end: int) -> None:
        held, self._file, self._map = self._all[: self._count], None, None
        self._all = np.empty(1 << (end - 1).bit_length(), held.dtype)
        self._all[: self._count] = held

    def _open_file(self) -> bool:
        if sys.platform != "linux":
            return False
        try:
            self._file = tempfile.TemporaryFile(prefix="busbench-", buffering=0)  # noqa: SIM115 - close() closes it
            self._file.truncate(_MOST_BYTES)
            self._map = mmap.mmap(self._file.fileno(), _MOST_BYTES, access=mmap.ACCESS_READ)
        except (OSError, ValueError, OverflowError):
            return False
        return True

    def _write(self, values: NDArray[Any], *, at: int | None = None) -> bool:
        """Write values into the file; False if the disk is full."""
        if sys.platform != "linux" or self._file is None or self._map is None:
            return False
        place = (self._count if at is None else at) * values.itemsize
        data = memoryview(values.tobytes())
        if place + len(data) > _MOST_BYTES:
            return False
        try:
            while data:
                done = os.pwrite(self._file.fileno(), data, place)
                place, data = place + done, data[done:]
        except OSError:
            return False
        if place > self._let_go_bytes + 2 * _NEAR_BYTES:
            self._map.madvise(mmap.MADV_DONTNEED, 0, place // _NEAR_BYTES * _NEAR_BYTES - _NEAR_BYTES)
            self._let_go_bytes = place - _NEAR_BYTES
        return True
