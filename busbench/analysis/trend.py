"""One receiver or aircraft over time: its figures with bounds, and a trend of each that single bad days do not move.

The trend is the median of the slopes between all pairs of recordings; its interval comes from the ranks of those
slopes. All intervals of a unit hold together: the chance that any of them leaves out a slope of zero although nothing
changes is at most CHANCE (Bonferroni). With so few recordings that the ranks have no such interval, it is not known.
Recordings of less than SPAN_DAYS have no trend: a slope of hours or days says nothing of a season.

Source: P. Sen, Journal of the American Statistical Association 63 (1968) 1379, with the variance for ties.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from datetime import datetime
from statistics import NormalDist
from typing import Literal

import numpy as np

from busbench.analysis.recording_row import Row, combined_sha256
from busbench.model import F64, I64
from busbench.wire.frame_spec import CHANNELS

Direction = Literal["rising", "falling", "none found", "cannot tell", "span too short"]
CHANCE = 0.05
SPAN_DAYS = 7
"""From the first recording of a trend to the last, at least."""
OF_THE_LINE = ("missed frames", "period", "period jitter, rms")
"""These share half of CHANCE, the many figures of channels the other half."""
_LEAST = 3  # recordings that show a figure
_PAIRS_OF = 1500  # recordings whose pairs are all looked at; more are joined by medians first
_DAY_S = 86_400.0


@dataclass(frozen=True, slots=True)
class Point:
    """A figure in one recording.

    Args:
        start_utc: when it began, ISO 8601.
        value: as it was measured.
        low, high: the true value lies between; None where that is not known.
        recording: its number by time, from 1, among those of the unit with a date; the same in all figures.
    """

    start_utc: str
    value: float
    low: float | None
    high: float | None
    recording: int = 0

    @property
    def day(self) -> float:
        """Days since 1970."""
        whole, _, digits = self.start_utc.rstrip("Z").partition(".")
        return (datetime.fromisoformat(f"{whole}+00:00").timestamp() + float(f"0.{digits or 0}")) / _DAY_S


@dataclass(frozen=True, slots=True)
class Trend:
    """A figure over time.

    Args:
        name: as in "endpoint high, ch3".
        unit: of its values, as in "s", "counts", "ratio".
        points: by time.
        median: of the values.
        slope_per_day: median of the slopes between all pairs of recordings; None if they span less than SPAN_DAYS.
        low, high: the true slope lies between; None with too few recordings.
    """

    name: str
    unit: str
    points: tuple[Point, ...]
    median: float
    slope_per_day: float | None
    low: float | None
    high: float | None

    @property
    def direction(self) -> Direction:
        """Which way it goes, if that is more than chance."""
        if self.slope_per_day is None:
            return "span too short"
        if self.low is None or self.high is None:
            return "cannot tell"
        return "rising" if self.low > 0 else "falling" if self.high < 0 else "none found"

    def to_json(self) -> dict[str, object]:
        """Plain values."""
        keys = ("name", "unit", "median", "slope_per_day", "low", "high", "direction")
        points = [{key: getattr(point, key) for key in Point.__slots__} for point in self.points]
        return {key: getattr(self, key) for key in keys} | {"points": points}


@dataclass(frozen=True, slots=True)
class History:
    """One receiver or aircraft over time.

    Args:
        unit: its name.
        recordings: as many of it were read.
        without_time: as many of these do not know when they were made; they count in no trend.
        recordings_sha256: one hash of all their files, see combined_sha256.
        trends: figures that at least three recordings show.
    """

    unit: str
    recordings: int
    without_time: int
    recordings_sha256: str
    trends: tuple[Trend, ...]

    def to_json(self) -> dict[str, object]:
        """Plain values."""
        out: dict[str, object] = {name: getattr(self, name) for name in History.__slots__[:-1]}
        return out | {"trends": [one.to_json() for one in self.trends]}


Values = tuple[float, float | None, float | None] | None


def history_of(unit: str, rows: Iterable[Row]) -> History:
    """Figures and trends of one unit.

    Args:
        rows: of its recordings, with all columns of a survey.
    """
    rows = list(rows)
    read = [row for row in rows if row["outages_frames"] is not None]
    timed = sorted((row for row in read if row["outages_start_utc"]), key=_when)
    series: list[tuple[str, str, tuple[Point, ...]]] = []
    for name, of_unit, measure in _figures():
        found = [(row["outages_start_utc"], measure(row)) for row in timed]
        points = tuple(Point(when, *values, at) for at, (when, values) in enumerate(found, 1) if values is not None)
        if len(points) >= _LEAST:
            series.append((name, of_unit, points))
    lines = sum(name in OF_THE_LINE for name, _, _ in series)
    shares = [CHANCE / 2 / (lines if name in OF_THE_LINE else len(series) - lines) for name, _, _ in series]
    trends = tuple(_trend(*one, chance=share) for one, share in zip(series, shares, strict=True))
    return History(unit, len(read), len(read) - len(timed), combined_sha256(rows), trends)


def _when(row: Row) -> tuple[str, ...]:
    """Start of a recording, and what orders those of the same start, whatever their paths."""
    return tuple(str(row[name] or "") for name in ("outages_start_utc", "sha256", "interface"))


def _trend(name: str, unit: str, points: tuple[Point, ...], *, chance: float) -> Trend:
    values, days = (np.array([getattr(point, key) for point in points]) for key in ("value", "day"))
    slope = robust_slope(days, values, chance=chance) if days[-1] - days[0] >= SPAN_DAYS else (None, None, None)
    return Trend(name, unit, points, float(np.median(values)), *slope)


def robust_slope(x: F64, y: F64, *, chance: float) -> tuple[float, float | None, float | None]:
    """Theil-Sen slope with its interval; see the module.

    Args:
        x, y: float64 (N,), x in rising order.
        chance: that the interval misses the true slope.

    Returns:
        The slope, and between what it lies; None for both where that is not known.
    """
    x, y = _joined(x, y)
    first, second = np.triu_indices(x.size, 1)
    run = x[second] - x[first]
    slopes = np.sort((y[second] - y[first])[run > 0] / run[run > 0])
    if not slopes.size:
        return 0.0, None, None
    variance = (
        _spread(np.array([x.size])) - sum(_spread(np.unique(one, return_counts=True)[1]) for one in (x, y))
    ) / 18
    reach = _quantile(chance) * math.sqrt(max(0.0, variance))
    low, high = round((slopes.size - reach) / 2) - 1, round((slopes.size + reach) / 2)
    middle = float(np.median(slopes))
    if low < 0 or high >= slopes.size:
        return middle, None, None
    return middle, float(slopes[low]), float(slopes[high])


def _spread(repeats: I64) -> float:
    k = repeats.astype(np.float64)
    return float((k * (k - 1) * (2 * k + 5)).sum())


def _quantile(chance: float) -> float:
    """Of the normal distribution, exceeded either side with some chance."""
    return NormalDist().inv_cdf(1 - chance / 2)


def _joined(x: F64, y: F64) -> tuple[F64, F64]:
    """Neighbours in time joined by their medians, so that not too many are left."""
    if x.size <= _PAIRS_OF:
        return x, y
    parts = np.array_split(np.arange(x.size), _PAIRS_OF)
    return np.array([np.median(x[part]) for part in parts]), np.array([np.median(y[part]) for part in parts])


def _figures() -> Iterator[tuple[str, str, Callable[[Row], Values]]]:
    """Name, unit and measurement of each figure."""
    yield (
        "missed frames",
        "ratio",
        lambda row: _known(row, "outages_missed_ratio", "missed_ratio_low", "missed_ratio_high"),
    )
    yield "period", "s", _period
    jitter = [f"timing_period_jitter_s_{name}" for name in ("rms", "rms_low", "rms_high")]
    yield "period jitter, rms", "s", lambda row: _known(row, *jitter)
    for channel in range(1, CHANNELS + 1):
        yield f"endpoint low, ch{channel}", "counts", lambda row, channel=channel: _endpoint(row, channel, "min")  # type: ignore[misc]
        yield f"endpoint high, ch{channel}", "counts", lambda row, channel=channel: _endpoint(row, channel, "max")  # type: ignore[misc]
        yield f"noise, ch{channel}", "counts", lambda row, channel=channel: _noise(row, channel)  # type: ignore[misc]


def _known(row: Row, value: str, low: str, high: str) -> Values:
    return None if row[value] is None else (row[value], row[low], row[high])


def _period(row: Row) -> Values:
    """The mean period: ends that came early or late move it by their reach over the whole recording at most."""
    mean, reach, step = row["timing_period_s_mean"], row["timing_tie_s_pp"], row["timing_clock_resolution_s"]
    if mean is None:
        return None
    periods = row["timing_frames"] + (row["timing_missing"] or 0) - 1
    if reach is None or step is None or periods < 1:
        return mean, None, None
    return mean, mean - (reach + step) / periods, mean + (reach + step) / periods


def _endpoint(row: Row, channel: int, end: Literal["min", "max"]) -> Values:
    """An endpoint of a channel that moved: noise may have carried it outwards, rounding by half a count."""
    value, moves = row[f"ch{channel}_{end}_counts"], row[f"ch{channel}_moves"]
    if not moves:
        return None
    inward, outward = 0.5 + 3 * (row[f"ch{channel}_still_noise_counts"] or 0.0), 0.5
    return (value, value - outward, value + inward) if end == "min" else (value, value - inward, value + outward)


def _noise(row: Row, channel: int) -> Values:
    """Noise at rest; the error of a spread from differences is that of a third fewer values.

    Source: J. von Neumann, Annals of Mathematical Statistics 12 (1941) 367, with the chi-squared quantiles of
    E. Wilson and M. Hilferty (1931); from memory.
    """
    noise, frames = row[f"ch{channel}_still_noise_counts"], row[f"ch{channel}_still_frames"]
    if noise is None or not frames:
        return None
    freedom, z = frames * 2 / 3, _quantile(CHANCE)
    spread = 2 / (9 * freedom)
    low, high = ((1 - spread + side * math.sqrt(spread)) ** 3 for side in (z, -z))
    return noise, noise / math.sqrt(low), noise / math.sqrt(high) if high > 0 else None
