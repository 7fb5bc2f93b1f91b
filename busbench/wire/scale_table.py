"""The table [scale] of rig files and drive programs."""

from __future__ import annotations

from typing import Annotated

from msgspec import Meta

from busbench.schema import Table
from busbench.wire.frame_spec import COUNTS_MAX
from busbench.wire.scale import Scale


class ScaleTable(Table, frozen=True, kw_only=True):
    """The table [scale]: from counts to microseconds.

    Args:
        centre_counts: counts at the centre.
        centre_us: pulse at the centre, µs.
        us_per_count: µs per count.
    """

    centre_counts: Annotated[float, Meta(ge=0, le=COUNTS_MAX, extra={"unit": "counts"})] = 992.0
    centre_us: Annotated[float, Meta(ge=500, le=2500, extra={"unit": "us"})] = 1500.0
    us_per_count: Annotated[float, Meta(ge=0.01, le=10, extra={"unit": "us"})] = 0.625

    @property
    def scale(self) -> Scale:
        """The scale for calculations."""
        return Scale(self.centre_counts, self.centre_us, self.us_per_count)
