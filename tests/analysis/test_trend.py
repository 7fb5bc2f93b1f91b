"""One unit over time: figures with bounds, and trends that only rise or fall by more than chance."""

from __future__ import annotations

import random
from typing import Any

import numpy as np
import pytest

from busbench.analysis.recording_row import COLUMNS, Row
from busbench.analysis.trend import History, Point, history_of, robust_slope


def row(day: float, **figures: Any) -> Row:
    """A recording some days after the first."""
    whole = int(day)
    minutes = round((day - whole) * 1440)
    start = f"2026-{3 + whole // 28:02}-{1 + whole % 28:02}T{minutes // 60:02}:{minutes % 60:02}:00.250000000Z"
    return (
        dict.fromkeys(COLUMNS)
        | {"path": f"{day}", "outages_frames": 1000, "timing_frames": 1000, "outages_start_utc": start}
        | figures
    )


def named(found: History) -> dict[str, Any]:
    return {one.name: one for one in found.trends}


def test_days_are_counted_from_the_date() -> None:
    assert Point("1970-01-02T12:00:00.000000000Z", 1.0, None, None).day == 1.5
    assert Point("2026-05-28T20:26:40.500000000Z", 1.0, None, None).day == pytest.approx(20601.85185764, abs=1e-8)


def test_a_steady_climb_with_two_bad_days_is_rising_by_its_slope() -> None:
    jitter = [2e-4 + 1e-6 * day for day in range(24)]
    jitter[5], jitter[15] = 5e-3, 4e-3
    rows = [row(day, timing_period_jitter_s_rms=value) for day, value in enumerate(jitter)]
    found = named(history_of("Heron", reversed(rows)))["period jitter, rms"]
    assert found.slope_per_day == pytest.approx(1e-6)
    assert found.direction == "rising"
    assert found.low <= 1e-6 <= found.high
    assert [point.value for point in found.points] == jitter


def test_chance_alone_shows_no_trend() -> None:
    rng = random.Random(4)
    false = 0
    for _ in range(60):
        rows = [
            row(day, outages_missed_ratio=rng.expovariate(100), timing_period_jitter_s_rms=rng.gauss(1e-3, 1e-4),
                timing_period_s_mean=rng.gauss(0.014, 1e-7))
            for day in range(0, 90, 7)
        ]  # fmt: skip
        false += any(one.direction in ("rising", "falling") for one in history_of("x", rows).trends)
    assert false <= 6  # 5 % of 60, and as much as chance adds in 1 of 40 such sets


def test_few_recordings_cannot_tell_and_two_are_no_history() -> None:
    rows = [row(day, timing_period_s_mean=0.014 + day * 1e-4) for day in (0, 3, 5, 8)]
    assert [(one.direction, one.low) for one in history_of("x", rows).trends] == [("cannot tell", None)]
    assert history_of("x", rows[:2]).trends == ()


def test_recordings_without_a_date_or_that_were_not_read_count_in_no_trend() -> None:
    rows = [row(day, timing_period_s_mean=0.014) for day in range(3)]
    undated, unread = rows[0] | {"outages_start_utc": None}, dict.fromkeys(COLUMNS)
    found = history_of("x", [*rows, undated, unread])
    assert (found.recordings, found.without_time, len(found.trends[0].points)) == (4, 1, 3)


def test_bounds_of_each_figure() -> None:
    figures = {
        "outages_missed_ratio": 0.02, "missed_ratio_low": 0.01, "missed_ratio_high": 0.04,
        "timing_period_s_mean": 0.014, "timing_tie_s_pp": 0.00099, "timing_clock_resolution_s": 1e-5,
        "timing_frames": 901, "timing_missing": 100,
        "ch3_min_counts": 180, "ch3_max_counts": 1800, "ch3_moves": 4, "ch3_still_noise_counts": 0.5,
        "ch3_still_frames": 640, "ch4_min_counts": 990, "ch4_max_counts": 993, "ch4_moves": 0,
    }  # fmt: skip
    found = named(history_of("x", [row(day, **figures) for day in range(3)]))
    assert list(found) == ["missed frames", "period", "endpoint low, ch3", "endpoint high, ch3", "noise, ch3"]
    points = {name: one.points[0] for name, one in found.items()}
    assert points["missed frames"].low, points["missed frames"].high == (0.01, 0.04)
    assert (points["period"].low, points["period"].high) == (pytest.approx(0.013999), pytest.approx(0.014001))
    assert (points["endpoint low, ch3"].low, points["endpoint low, ch3"].high) == (179.5, 182.0)
    assert (points["endpoint high, ch3"].low, points["endpoint high, ch3"].high) == (1798.0, 1800.5)
    # 426.7 degrees of freedom: chi-squared 2.5 % 371.3, 97.5 % 485.8 (Wilson and Hilferty).
    assert points["noise, ch3"].low == pytest.approx(0.5 * (426.67 / 485.8) ** 0.5, rel=1e-3)
    assert points["noise, ch3"].high == pytest.approx(0.5 * (426.67 / 371.3) ** 0.5, rel=1e-3)


def test_many_recordings_are_joined_first() -> None:
    x = np.arange(4000.0)
    assert robust_slope(x, 3.0 * x, chance=0.05) == pytest.approx((3.0, 3.0, 3.0))


def test_recordings_of_one_moment_have_no_slope() -> None:
    assert robust_slope(np.zeros(3), np.arange(3.0), chance=0.05) == (0.0, None, None)


@pytest.mark.parametrize(("last", "direction"), [(6.99, "span too short"), (7.0, "rising")])
def test_a_span_of_less_than_a_week_has_no_trend(last: float, direction: str) -> None:
    rows = [row(last * part / 29, timing_period_s_mean=0.014 + part * 1e-4) for part in range(30)]
    (one,) = history_of("x", rows).trends
    assert (one.direction, one.slope_per_day is None, one.low is None) == (direction, *[last < 7] * 2)
    assert one.to_json()["direction"] == direction


def test_recordings_of_one_begin_are_told_apart_in_any_order() -> None:
    rows = [row(day, sha256=f"{at}", interface=at % 2 or None) for at, day in enumerate((0, 0, 7, 7, 14))]
    for at in (0, 1, 3, 4):
        rows[at]["timing_period_s_mean"] = at
    rows[2]["outages_missed_ratio"] = rows[3]["outages_missed_ratio"] = rows[4]["outages_missed_ratio"] = 0.5
    for given in (rows, rows[::-1]):
        found = named(history_of("x", given))
        assert [(one.value, one.recording) for one in found["period"].points] == [(0, 1), (1, 2), (3, 4), (4, 5)]
        assert [one.recording for one in found["missed frames"].points] == [3, 4, 5]
