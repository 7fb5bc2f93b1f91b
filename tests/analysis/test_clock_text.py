"""Clocks and lateness in cells, with the digits that their uncertainty justifies."""

from __future__ import annotations

import numpy as np
import pytest

from busbench.analysis.clock_alignment import Bounded, ClockAlignment, Lateness
from busbench.analysis.clock_text import clock_rows, decimals_of, lateness_row

LATE = Lateness(np.arange(5), np.array([0.0, 1e6, 2.5e6, 4e6, 16.1234567e6]), 43.0)


def found(
    offset: tuple[float, float, float] | None, drift: tuple[float, float, float] | None, late: Lateness | None = LATE
) -> ClockAlignment:
    return ClockAlignment(
        9, None if offset is None else Bounded(*offset), None if drift is None else Bounded(*drift), late, ""
    )


@pytest.mark.parametrize(
    ("rms_s", "decimals"),
    [(0.0, 6), (-1.0, 6), (1e-9, 6), (2e-8, 6), (1e-6, 4), (2e-5, 3), (9.9e-5, 3), (1e-3, 1), (0.02, 0), (5.0, 0)],
)
def test_a_time_has_two_digits_of_its_uncertainty(rms_s: float, decimals: int) -> None:
    assert decimals_of(rms_s) == decimals


def test_offset_and_drift_with_their_intervals() -> None:
    rows = clock_rows(found((1.23456789, 1.2344, 1.2347), (85.123, 84.0, 86.5)))
    assert rows == [
        ["offset of the clocks, ms", "1234.57", "1234.40", "1234.70"],
        ["drift, ppm", "85.1", "84.0", "86.5"],
    ]
    wide = clock_rows(found((-0.5, -0.9, 0.1), (-12.3, -400.0, 700.0)))
    assert wide == [["offset of the clocks, ms", "-500", "-900", "100"], ["drift, ppm", "-12", "-400", "700"]]


def test_what_is_not_known_has_no_row() -> None:
    offset, drift = (1.0, 0.9, 1.1), (85.0, 84.0, 86.0)
    assert clock_rows(found(None, drift)) == clock_rows(found(offset, None)) == []
    assert lateness_row(found(None, drift)) == lateness_row(found(offset, drift, None)) == []


@pytest.mark.parametrize(
    ("width_s", "cells"),
    [
        (1e-9, ["0.000", "2.500", "16.123", "16.123"]),  # three decimals at most
        (3e-4, ["0.00", "2.50", "16.12", "16.12"]),
        (3e-2, ["0", "2", "16", "16"]),
    ],
)
def test_lateness_by_its_ranks(width_s: float, cells: list[str]) -> None:
    row = lateness_row(found((1.0, 1.0, 1.0 + width_s), (85.0, 84.0, 86.0)))
    assert row == ["lateness of the adapter, ms", *cells]
