"""Recordings in the order of their losses: by what is known of the true ratio, not by the ratio that was seen.

A short recording with one loss shows a high ratio and proves little; its lower confidence limit is low. The worst come
first by that limit, and those without a proven loss by the upper limit: what is least known to be good. Before all of
them come recordings without a good frame, which may have no limits.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from busbench.analysis.recording_row import Row

RANKED_BY = (
    "path", "interface", "unit", "outages_start_utc", "outages_missed", "outages_expected", "outages_missed_ratio",
    "missed_bursts", "missed_ratio_low", "missed_ratio_high", "sha256",
)  # fmt: skip
"""Columns that a ranking needs."""
NO_GOOD_FRAME = "no good frame"
"""In place of the interval of a recording without one."""


@dataclass(frozen=True, slots=True)
class Ranked:
    """A recording in a ranking.

    Args:
        path, interface, unit, start_utc: which it is, see the columns of a survey.
        missed, expected, missed_ratio: as `outages` reports them.
        bursts: bursts of outages.
        ratio_low, ratio_high: two-sided 95 % confidence limits of the true ratio, by bursts; None where gaps cannot be
            seen.
        sha256: hash of the recording's file.
    """

    path: str
    interface: str | None
    unit: str | None
    start_utc: str | None
    missed: int
    expected: int
    missed_ratio: float | None
    bursts: int | None
    ratio_low: float | None
    ratio_high: float | None
    sha256: str | None

    @property
    def name(self) -> str:
        """Path, and interface if the recording has several."""
        return self.path if self.interface is None else f"{self.path} [{self.interface}]"

    @property
    def has_good_frame(self) -> bool:
        """True if a frame came that was not missed."""
        return self.missed < self.expected

    def to_json(self) -> dict[str, object]:
        """Plain values."""
        return {name: getattr(self, name) for name in Ranked.__slots__}


def rank(rows: Iterable[Row]) -> list[Ranked]:
    """Rank recordings that could be read, the worst first: those without a good frame, then by their limits.

    Those whose gaps cannot be seen come last.

    Args:
        rows: with the columns RANKED_BY at least.
    """
    made = [Ranked(*(row[name] for name in RANKED_BY)) for row in rows if row["outages_missed"] is not None]
    return sorted(made, key=_order)


def _order(one: Ranked) -> tuple[bool, float, float, str, str]:
    low = -1.0 if one.ratio_low is None else one.ratio_low
    return one.has_good_frame, -low, -(one.ratio_high or 0.0), one.path, one.interface or ""
