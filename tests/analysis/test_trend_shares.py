"""Intervals of trends with the share of chance that each has, beside scipy; bounds of single figures; JSON."""

from __future__ import annotations

import hashlib
from typing import Any

import numpy as np
import pytest
from scipy import stats

from busbench.analysis import trend
from busbench.analysis.ranking import RANKED_BY, Ranked, rank
from busbench.analysis.recording_row import COLUMNS, Row, combined_sha256, empty_row
from busbench.analysis.trend import History, Point, history_of, robust_slope
from tests.analysis.test_trend import named, row

DAYS = np.cumsum(np.random.default_rng(2).uniform(0.3, 2.0, 26))


def rows(**figures: Any) -> list[Row]:
    """Recordings with some figures that vary by chance and climb a little."""
    rng = np.random.default_rng(7)
    made = [row(float(day)) for day in DAYS]
    for name, usual in figures.items():
        for one, value in zip(made, usual * (1 + 0.02 * np.arange(26) + 0.1 * rng.standard_normal(26)), strict=True):
            one[name] = float(value)
    return made


def holds(found: History, name: str, column: str, made: list[Row], share: float) -> None:
    one = named(found)[name]
    day = [Point(each["outages_start_utc"], 0.0, None, None).day for each in made]
    wanted = stats.theilslopes([each[column] for each in made], day, alpha=1 - share)
    assert (one.slope_per_day, one.low, one.high) == pytest.approx((wanted.slope, wanted.low_slope, wanted.high_slope))
    assert one.median == pytest.approx(np.median([each[column] for each in made]))


def test_half_of_chance_is_shared_by_figures_of_the_line() -> None:
    made = rows(outages_missed_ratio=0.01, timing_period_s_mean=0.014, timing_period_jitter_s_rms=1e-4)
    found = history_of("Heron", made)
    for name, column in (("missed frames", "outages_missed_ratio"), ("period", "timing_period_s_mean"),
                         ("period jitter, rms", "timing_period_jitter_s_rms")):  # fmt: skip
        holds(found, name, column, made, 0.05 / 2 / 3)
    two = rows(outages_missed_ratio=0.01, timing_period_s_mean=0.014)
    holds(history_of("Heron", two), "period", "timing_period_s_mean", two, 0.05 / 2 / 2)


def test_the_other_half_is_shared_by_figures_of_channels() -> None:
    made = rows(ch3_max_counts=1800, ch3_min_counts=200, ch5_max_counts=1700, timing_period_s_mean=0.014)
    for one in made:
        one.update({"ch3_moves": 2, "ch5_moves": 3})
        one["ch5_min_counts"] = 300.0
    found = history_of("Heron", made)
    assert list(named(found)) == [
        "period", "endpoint low, ch3", "endpoint high, ch3", "endpoint low, ch5", "endpoint high, ch5",
    ]  # fmt: skip
    for name in ("ch3_max_counts", "ch3_min_counts", "ch5_max_counts"):
        end = "high" if "max" in name else "low"
        holds(found, f"endpoint {end}, {name[:3]}", name, made, 0.05 / 2 / 4)
    holds(found, "period", "timing_period_s_mean", made, 0.05 / 2)


@pytest.mark.parametrize(("slope", "direction"), [(1e-4, "rising"), (-1e-4, "falling"), (0.0, "none found")])
def test_a_direction_is_that_of_the_whole_interval(slope: float, direction: str) -> None:
    noise = np.random.default_rng(1).normal(0, 1e-5, 26)
    made = [row(float(day), timing_period_s_mean=0.014 + slope * day + more)
            for day, more in zip(DAYS, noise, strict=True)]  # fmt: skip
    (one,) = history_of("x", made).trends
    assert one.direction == direction
    assert one.low is not None
    assert one.high is not None
    assert one.low < slope < one.high


@pytest.mark.parametrize("count", [150, 151, 301, 450])
def test_more_recordings_than_pairs_are_joined_by_medians(count: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(trend, "_PAIRS_OF", 150)
    rng = np.random.default_rng(3)
    x = np.arange(float(count))
    y = 0.01 * x + rng.standard_cauchy(count)
    parts = np.array_split(np.arange(count), 150)
    joined = [np.array([np.median(values[part]) for part in parts]) for values in (x, y)]
    wanted = stats.theilslopes(joined[1], joined[0], alpha=0.95)
    assert robust_slope(x, y, chance=0.05) == pytest.approx((wanted.slope, wanted.low_slope, wanted.high_slope))


@pytest.mark.parametrize("count", range(3, 9))
@pytest.mark.parametrize("chance", [0.2, 0.05, 0.01])
def test_where_the_ranks_have_no_such_interval_it_is_not_known(count: int, chance: float) -> None:
    """By the normal approximation of Kendall's statistic: its ranks must be among those of all pairs."""
    x, y = np.arange(float(count)), np.random.default_rng(count).permutation(count).astype(np.float64)
    pairs = count * (count - 1) / 2
    reach = stats.norm.ppf(1 - chance / 2) * np.sqrt(count * (count - 1) * (2 * count + 5) / 18)
    low, high = round((pairs - reach) / 2) - 1, round((pairs + reach) / 2)
    found = robust_slope(x, y, chance=chance)
    assert (found[1] is not None) == (found[2] is not None) == (low >= 0 and high < pairs)


@pytest.mark.parametrize(
    ("figures", "low", "high"),
    [
        ({"timing_frames": 101, "timing_missing": 0}, 0.014 - 1.2e-5, 0.014 + 1.2e-5),
        ({"timing_frames": 91, "timing_missing": 10}, 0.014 - 1.2e-5, 0.014 + 1.2e-5),
        ({"timing_frames": 101, "timing_missing": None}, 0.014 - 1.2e-5, 0.014 + 1.2e-5),
        ({"timing_frames": 2, "timing_missing": 0}, 0.014 - 1.2e-3, 0.014 + 1.2e-3),
        ({"timing_frames": 1, "timing_missing": 0}, None, None),
        ({"timing_frames": 101, "timing_missing": 0, "timing_tie_s_pp": None}, None, None),
        ({"timing_frames": 101, "timing_missing": 0, "timing_clock_resolution_s": None}, None, None),
    ],
)
def test_a_period_is_known_to_the_reach_of_its_ends(
    figures: dict[str, Any], low: float | None, high: float | None
) -> None:
    usual = {"timing_period_s_mean": 0.014, "timing_tie_s_pp": 0.00119, "timing_clock_resolution_s": 1e-5}
    (one,) = history_of("x", [row(day, **usual | figures) for day in range(3)]).trends
    point = one.points[0]
    assert point.value == 0.014
    assert [point.low, point.high] == ([None, None] if low is None else pytest.approx([low, high]))


@pytest.mark.parametrize(("noise", "reach"), [(None, 0.5), (0.0, 0.5), (1.5, 5.0)])
def test_an_endpoint_is_known_to_three_times_its_noise(noise: float | None, reach: float) -> None:
    figures = {"ch2_min_counts": 200, "ch2_max_counts": 1800, "ch2_moves": 1, "ch2_still_noise_counts": noise}
    found = named(history_of("x", [row(day, **figures) for day in range(3)]))
    low, high = found["endpoint low, ch2"].points[0], found["endpoint high, ch2"].points[0]
    assert (low.value, low.low, low.high) == (200, 199.5, 200 + reach)
    assert (high.value, high.low, high.high) == (1800, 1800 - reach, 1800.5)


@pytest.mark.parametrize("frames", [64, 192, 6400])
def test_noise_has_the_bounds_of_a_chi_squared_spread(frames: int) -> None:
    figures = {"ch2_still_noise_counts": 0.8, "ch2_still_frames": frames}
    point = named(history_of("x", [row(day, **figures) for day in range(3)]))["noise, ch2"].points[0]
    freedom = frames * 2 / 3
    quantiles = stats.chi2.ppf([0.975, 0.025], freedom) / freedom
    assert [point.low, point.high] == pytest.approx((0.8 / np.sqrt(quantiles)).tolist(), rel=2e-3)
    assert "noise, ch2" not in named(history_of("x", [row(day, ch2_still_noise_counts=0.8) for day in range(3)]))


def test_very_few_still_frames_leave_noise_open_above() -> None:
    figures = {"ch2_still_noise_counts": 0.8, "ch2_still_frames": 1}
    point = named(history_of("x", [row(day, **figures) for day in range(3)]))["noise, ch2"].points[0]
    assert point.low is not None
    assert point.high is None


def test_a_history_in_json() -> None:
    made = [row(day, timing_period_s_mean=0.25 * day, sha256=f"{day}") for day in (0, 7, 14)]
    found = history_of("Heron", made).to_json()
    assert list(found) == ["unit", "recordings", "without_time", "recordings_sha256", "trends"]
    assert (found["unit"], found["recordings"], found["without_time"]) == ("Heron", 3, 0)
    trends = found["trends"]
    assert isinstance(trends, list)
    assert trends[0] == {
        "name": "period", "unit": "s", "median": 1.75, "slope_per_day": 0.25, "low": None, "high": None,
        "direction": "cannot tell",
        "points": [
            {"start_utc": one["outages_start_utc"], "value": 1.75 * at, "low": None, "high": None, "recording": at + 1}
            for at, one in enumerate(made)
        ],
    }  # fmt: skip


def test_one_hash_of_many_recordings() -> None:
    hashes = ["b" * 64, "a" * 64, "b" * 64]
    made = [empty_row(f"{at}") | {"sha256": one} for at, one in enumerate(hashes)]
    wanted = hashlib.sha256(("a" * 64 + "\n" + "b" * 64 + "\n").encode()).hexdigest()
    assert combined_sha256(made) == combined_sha256(reversed(made)) == wanted
    unread = empty_row("x", error="no such file")
    assert combined_sha256([unread]) == hashlib.sha256(b"\n").hexdigest()
    assert list(unread) == list(COLUMNS)
    assert {name: value for name, value in unread.items() if value is not None} == {
        "path": "x",
        "error": "no such file",
    }


def ranked(
    path: str, low: float | None, high: float | None, interface: str | None = None, *, missed: int = 3, due: int = 100
) -> Row:
    values = (path, interface, "Heron", None, missed, due, 0.03, 2, low, high, "ab")
    return dict(zip(RANKED_BY, values, strict=True))


def test_recordings_that_are_alike_are_in_the_order_of_their_names() -> None:
    made = [
        ranked("b", 0.01, 0.2), ranked("a", 0.01, 0.2, "1"), ranked("a", 0.01, 0.2), ranked("c", 0.0, None),
        ranked("d", None, 0.5), ranked("e", 0.01, 0.3), ranked("f", 0.0, 0.1),
    ]  # fmt: skip
    found = rank(made)
    assert [one.name for one in found] == ["e", "a", "a [1]", "b", "f", "c", "d"]
    assert found[2].to_json() == {
        "path": "a", "interface": "1", "unit": "Heron", "start_utc": None, "missed": 3, "expected": 100,
        "missed_ratio": 0.03, "bursts": 2, "ratio_low": 0.01, "ratio_high": 0.2, "sha256": "ab",
    }  # fmt: skip
    assert isinstance(found[0], Ranked)


def test_recordings_without_a_good_frame_come_first() -> None:
    made = [
        ranked("a", 0.3, 0.9, missed=99), ranked("c", None, None, missed=0, due=0),
        ranked("b", None, None, missed=100), ranked("d", 0.1, 1.0, missed=100), ranked("e", None, None),
    ]  # fmt: skip
    found = rank(made)
    assert [(one.name, one.has_good_frame) for one in found] == [
        ("d", False), ("b", False), ("c", False), ("a", True), ("e", True),
    ]  # fmt: skip
