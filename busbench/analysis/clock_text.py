"""What a logic analyser showed of an adapter's clock and lateness, in cells for people."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

if TYPE_CHECKING:  # long to import
    from busbench.analysis.clock_alignment import ClockAlignment

CLOCK_HEAD = ("", "value", "95 % low", "95 % high")
LATENESS_HEAD = ("", "min", "median", "99 %", "max")


def clock_rows(found: ClockAlignment) -> list[list[str]]:
    """Offset and drift of the clocks with their intervals, as under CLOCK_HEAD; empty if they are not known."""
    offset, drift = found.offset_s, found.drift_ppm
    if offset is None or drift is None:
        return []
    digits, drift_digits = decimals_of(offset.high - offset.low), decimals_of((drift.high - drift.low) / 1e3)
    return [
        ["offset of the clocks, ms", *(f"{value * 1e3:.{digits}f}" for value in offset)],
        ["drift, ppm", *(f"{value:.{drift_digits}f}" for value in drift)],
    ]


def lateness_row(found: ClockAlignment) -> list[str]:
    """Lateness of the adapter, as under LATENESS_HEAD; empty if it is not known."""
    if found.offset_s is None or found.lateness is None:
        return []
    digits = min(3, decimals_of(found.offset_s.high - found.offset_s.low))
    cells = [f"{value * 1e3:.{digits}f}" for value in found.lateness.to_json().values()]
    return ["lateness of the adapter, ms", *cells]


def decimals_of(rms_s: float) -> int:
    """Decimals of a time in ms that its uncertainty justifies: two below its first digit."""
    return 6 if rms_s <= 0 else min(6, max(0, 1 - math.floor(math.log10(rms_s * 1e3))))
