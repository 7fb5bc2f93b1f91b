"""Bytes that came in reads, spread to times of their own."""

from __future__ import annotations

import numpy as np
import pytest

from busbench.capture.write import byte_times
from busbench.model import ByteLog


@pytest.mark.parametrize(
    ("before_ns", "began_ns"),
    [
        (0, [700, 800, 900, 1900]),  # back from the mark, a character each
        (850, [850, 950, 1050, 1900]),  # the log before ended later: moved on, and only those it crowds
        (1850, [1850, 1950, 2050, 2150]),
    ],
)
def test_bytes_never_overlap_those_of_the_log_before(before_ns: int, began_ns: list[int]) -> None:
    log = ByteLog(10, np.zeros(4, np.uint8), np.array([13, 14]), np.array([1000, 2000]))
    assert byte_times(log, before_ns=before_ns, character_ns=100).tolist() == began_ns
