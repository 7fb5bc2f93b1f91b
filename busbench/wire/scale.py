"""Counts <-> microseconds <-> percent.

Counts are what the wire carries. Microseconds are what a device makes of them,
which the wire does not say: the scale is an assumption, and its text is
shown wherever microseconds are shown.

Source: common practice, no published standard. 1500 µs at 992 counts and 0.625 µs per
count put the customary endpoints 172 and 1811 at 987.5 and 2011.875 µs.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import overload

import numpy as np
from numpy.typing import NDArray

from busbench.model import F64, U16
from busbench.wire.frame_spec import COUNTS_MAX

# The customary endpoints are 820 below and 819 above 992; the smaller is used, so that 1811 is
# exactly +100 %, 173 exactly -100 % and 172 reads as -100.1 %.
FULL_COUNTS = 819.0


@dataclass(frozen=True, slots=True)
class Scale:
    """Linear conversion between counts, µs and percent. Conversions are exact; `whole` rounds for the wire.

    Args:
        centre_counts: counts at the centre.
        centre_us: pulse width there, in µs.
        us_per_count: µs per count.

    Raises:
        ValueError: a value is not finite, or us_per_count is not positive.
    """

    centre_counts: float = 992.0
    centre_us: float = 1500.0
    us_per_count: float = 0.625

    def __post_init__(self) -> None:
        for name in ("centre_counts", "centre_us", "us_per_count"):
            if not np.isfinite(getattr(self, name)):
                raise ValueError(f"{name} is {getattr(self, name)}, not a finite number")
        if self.us_per_count <= 0:
            raise ValueError(f"us_per_count is {self.us_per_count}, not above 0")

    @overload
    def to_us(self, counts: float) -> float: ...
    @overload
    def to_us(self, counts: NDArray[np.generic]) -> F64: ...
    def to_us(self, counts: float | NDArray[np.generic]) -> float | F64:
        """Pulse width in µs of counts.

        Args:
            counts: a number or an array of any numeric dtype.
        """
        return _line(counts, self.centre_counts, self.centre_us, self.us_per_count)

    @overload
    def to_counts(self, us: float) -> float: ...
    @overload
    def to_counts(self, us: NDArray[np.generic]) -> F64: ...
    def to_counts(self, us: float | NDArray[np.generic]) -> float | F64:
        """Counts of a pulse width, not rounded; may be out of the frame's range.

        Args:
            us: µs, a number or an array.
        """
        return _line(us, self.centre_us, self.centre_counts, 1 / self.us_per_count)

    @overload
    def to_percent(self, counts: float) -> float: ...
    @overload
    def to_percent(self, counts: NDArray[np.generic]) -> F64: ...
    def to_percent(self, counts: float | NDArray[np.generic]) -> float | F64:
        """Percent of the customary throw: 100 % is 819 counts from the centre.

        Args:
            counts: a number or an array.
        """
        return _line(counts, self.centre_counts, 0.0, 100 / FULL_COUNTS)

    @overload
    def from_percent(self, percent: float) -> float: ...
    @overload
    def from_percent(self, percent: NDArray[np.generic]) -> F64: ...
    def from_percent(self, percent: float | NDArray[np.generic]) -> float | F64:
        """Counts of a percentage, not rounded.

        Args:
            percent: a number or an array.
        """
        return _line(percent, 0.0, self.centre_counts, FULL_COUNTS / 100)

    def describe(self) -> str:
        """The text that is shown with every µs."""
        return f"{self.centre_us:.10g} µs at {self.centre_counts:.10g} counts, {self.us_per_count:.10g} µs a count"


@overload
def whole(counts: float, *, clip: bool = False) -> int: ...
@overload
def whole(counts: NDArray[np.generic], *, clip: bool = False) -> U16: ...
def whole(counts: float | NDArray[np.generic], *, clip: bool = False) -> int | U16:
    """Counts for the wire: rounded, halves to even.

    Args:
        clip: True to clip values to the frame's range.

    Returns:
        int or uint16 of the same shape, 0 to 2047.

    Raises:
        ValueError: a value is not a number, or outside 0 to 2047 while clip is False; names it.
    """
    values = np.rint(np.asarray(counts, np.float64))
    if clip:
        values = np.clip(values, 0, COUNTS_MAX)
    good = (values >= 0) & (values <= COUNTS_MAX)
    if not good.all():
        at = int(np.argmin(good))
        value = np.asarray(counts).flat[at]
        place = f" at index {at}" if values.ndim else ""
        raise ValueError(f"{value:.10g} counts{place} does not fit a frame: give 0 to {COUNTS_MAX}")
    return values.astype(np.uint16) if values.ndim else int(values)


def _line(x: float | NDArray[np.generic], x0: float, y0: float, slope: float) -> float | F64:
    if isinstance(x, np.ndarray):
        return y0 + (x.astype(np.float64) - x0) * slope
    return y0 + (float(x) - x0) * slope
