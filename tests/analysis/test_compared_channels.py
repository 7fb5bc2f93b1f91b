"""What is measured of each channel before two recordings are compared: endpoints, centre, noise and failsafe."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from busbench.analysis.change import Sample, trimmed_sample_of
from busbench.analysis.compared_channels import (
    MeasuredChannel,
    MeasuredFailsafe,
    compare_channel,
    compare_delay,
    compare_failsafe,
    measure_channels,
    measure_failsafe,
)
from busbench.model import F64, MARKED
from busbench.wire.codec import pack_frames
from busbench.wire.frame_spec import FLAG_FAILSAFE, FLAG_LOST
from busbench.wire.table import FrameTable

MS = 1_000_000
LOST, SAFE = FLAG_LOST, FLAG_LOST | FLAG_FAILSAFE


def table(
    values: list[int], *, flags: dict[int, int] | None = None, marked: tuple[int, ...] = (), period_ms: int = 10
) -> FrameTable:
    """Frames whose channel 2 has these values, the others 992."""
    count = len(values)
    counts = np.full((count, 16), 992)
    counts[:, 1] = values
    byte, marks = np.zeros(count, np.int64), np.zeros(count, np.uint8)
    for row, value in (flags or {}).items():
        byte[row] = value
    marks[list(marked)] = MARKED
    t_ns = np.arange(count, dtype=np.int64) * period_ms * MS
    return FrameTable(t_ns, np.zeros(count, np.int32), 25 * np.arange(count), pack_frames(counts, byte), marks)


def measured(values: list[int], **more: dict[int, int] | tuple[int, ...]) -> MeasuredChannel:
    return measure_channels(table(values, **more))[1]  # type: ignore[arg-type]


def visits(*levels: int, rest: int = 992, frames: int = 32) -> list[int]:
    """From rest to each level and back, some frames at each."""
    return [value for level in levels for value in [rest] * frames + [level] * frames] + [rest] * frames


def trimmed(*values: float) -> Sample | None:
    return trimmed_sample_of(np.array(values, np.float64))


def test_endpoints_are_those_of_single_excursions() -> None:
    found = measured(visits(1500, 480, 1504, 490, 1512, 500, 1490, 470, 1501, 510))
    assert found.high == trimmed(1500, 1504, 1512, 1490, 1501)
    assert found.low == trimmed(480, 490, 500, 470, 510)
    assert found.centre == trimmed(*[992] * 11)


@pytest.mark.parametrize(("peak", "counts"), [(1400, True), (1399, False)])
def test_an_excursion_comes_within_a_tenth_of_the_range(peak: int, counts: bool) -> None:
    found = measured(visits(1500, 500, 1500, 500, 1500, 500, peak))
    assert found.high == (trimmed(1500, 1500, 1500, peak) if counts else trimmed(1500, 1500, 1500))
    mirrored = measured(visits(500, 1500, 500, 1500, 500, 1500, 2000 - peak, rest=1008))
    assert mirrored.low == (trimmed(500, 500, 500, 2000 - peak) if counts else trimmed(500, 500, 500))


@pytest.mark.parametrize(("dip", "excursions"), [(1001, [1500, 1480, 1490]), (1000, [1500, 1450, 1480, 1490])])
def test_an_excursion_is_over_at_half_of_the_range(dip: int, excursions: list[int]) -> None:
    one = [500] * 5 + [1500] * 5 + [dip] * 5 + [1450] * 5
    assert measured([*one, *[500] * 5, *[1480] * 5, *[500] * 5, *[1490] * 5]).high == trimmed(*excursions)


def test_what_was_seen_twice_has_no_error() -> None:
    found = measured(visits(1500, 500, 1510, 490))
    assert (found.high, found.low) == (Sample(1505.0, 0.0, 0), Sample(495.0, 0.0, 0))
    assert measured(visits(1500)).high == Sample(1500.0, 0.0, 0)


@pytest.mark.parametrize(("reach", "moves"), [(99, False), (100, True)])
def test_a_channel_that_hardly_moved_has_no_endpoints(reach: int, moves: bool) -> None:
    found = measured(visits(992 + reach, 992 + reach, 992 + reach))
    assert (found.low is not None, found.high is not None) == (moves, moves)


def test_one_frame_away_is_no_endpoint_and_flagged_or_marked_frames_are_left_out() -> None:
    values = visits(1500, 500, 1500, 500, 1500, 500)
    plain = measured(values)
    values[5] = 2000
    assert measured(values).high == plain.high
    values[5:9] = [2000] * 4
    assert measured(values).high != plain.high
    again = measured(values, flags={5: LOST, 6: SAFE}, marked=(7, 8))
    assert (again.high, again.low, again.centre) == (plain.high, plain.low, plain.centre)
    assert measure_channels(table([992, 500]))[1] == MeasuredChannel(None, None, None, None)


def plain_noise(values: F64) -> tuple[float, float]:
    """rms of steps over the root of two in twelve parts of the blocks of 16, with its error."""
    steps = np.diff(values.reshape(-1, 16), axis=1)
    blocks = [float((row**2).mean()) / 2 for row in steps]
    parts = np.array_split(np.array(blocks), 12)
    squares = np.array([part.mean() for part in parts])
    rms = math.sqrt(squares.mean())
    return rms, float(stats.sem(squares)) / 2 / rms


def test_noise_at_rest_is_that_of_the_steps() -> None:
    values = 992 + np.random.default_rng(1).integers(-3, 4, 16 * 60)
    noise = measured(values.tolist()).noise
    assert noise is not None
    assert (noise.mean, noise.error) == pytest.approx(plain_noise(values.astype(np.float64)))
    assert noise.freedom == 11
    # a last block that is not whole, and blocks in motion, count for nothing
    assert measured([*values.tolist(), 900, 900, 900]).noise == noise
    assert measured([*values.tolist(), *range(600, 1240, 4)]).noise == noise


def test_noise_that_does_not_vary_has_no_error() -> None:
    assert measured([991, 993] * 200).noise == Sample(math.sqrt(2), 0.0, 5)
    assert measured([992] * 400).noise == Sample(0.0, 0.0, 5)


@pytest.mark.parametrize(("wide", "is_still"), [(20, True), (21, False)])
def test_rest_is_within_twenty_counts(wide: int, is_still: bool) -> None:
    assert (measured([992, 992 + wide] * 200).noise is not None) is is_still


@pytest.mark.parametrize(("blocks", "is_known"), [(23, False), (24, True)])
def test_noise_needs_six_parts_of_four_blocks(blocks: int, is_known: bool) -> None:
    assert (measured([992, 993] * 8 * blocks).noise is not None) is is_known


def rests(*levels: int) -> MeasuredChannel:
    """Rests of two blocks each, with both ends of 200 … 1800 between."""
    values: list[int] = []
    for number, level in enumerate(levels):
        values += [200 if number % 2 else 1800] * 16 + [level] * 32
    return measured(values)


@pytest.mark.parametrize(
    ("levels", "centre"),
    [
        ((990, 992, 1001), (990, 992, 1001)),
        ((990, 992), None),  # too few
        ((990, 992, 1030, 700, 1300), (990, 992, 1030)),  # 60 % within 40 counts
        ((990, 992, 1031, 700, 1300), None),
        ((990, 992, 994, 700, 1300, 500), None),  # half of them
        ((359, 362, 365), None),  # within a tenth of the range from an end: part of the end
        ((361, 364, 367), (361, 364, 367)),
        ((1641, 1638, 1635), None),
        ((1639, 1637, 1635), (1639, 1637, 1635)),
    ],
)
def test_a_centre_is_where_most_rests_are(levels: tuple[int, ...], centre: tuple[int, ...] | None) -> None:
    assert rests(*levels).centre == (None if centre is None else trimmed(*centre))


@pytest.mark.parametrize(("step", "levels"), [(10, 1), (11, 3)])
def test_rests_that_follow_one_another_are_one_within_ten_counts(step: int, levels: int) -> None:
    """Three rests without a move between: one rest is too few for a centre."""
    values = [1800] * 16 + [200] * 16 + [900] * 16 + [900 + step] * 16 + [900 + 2 * step] * 16
    centre = measured(values).centre
    assert centre == (None if levels == 1 else trimmed(900, 911, 922))


def failsafe(values: list[int], flags: dict[int, int], *, has_clock: bool = True, **more: int) -> MeasuredFailsafe:
    found = measure_failsafe(table(values, flags=flags, **more), has_clock=has_clock)  # type: ignore[arg-type]
    assert found is not None
    return found


def test_a_delay_is_from_the_last_good_frame_to_the_first_flag() -> None:
    flags = dict.fromkeys(range(30, 40), LOST) | dict.fromkeys(range(40, 50), SAFE)
    flags |= dict.fromkeys(range(70, 75), SAFE)
    found = failsafe([992] * 100, flags)
    assert found.delay_s.tolist() == [pytest.approx(0.11), pytest.approx(0.01)]
    assert np.isnan(failsafe([992] * 100, flags, has_clock=False).delay_s).tolist() == [True, True]


def test_a_flag_that_flickers_is_one_failsafe() -> None:
    flags = dict.fromkeys(range(30, 50), LOST) | dict.fromkeys((35, 36, 40, 41, 45), SAFE)
    assert failsafe([992] * 100, flags).delay_s.tolist() == [pytest.approx(0.06)]


def test_a_failsafe_from_the_first_frame_on_was_not_seen_to_begin() -> None:
    assert measure_failsafe(table([992] * 50, flags=dict.fromkeys(range(20), SAFE)), has_clock=True) is None
    later = dict.fromkeys(range(20), SAFE) | dict.fromkeys(range(40, 45), SAFE)
    assert failsafe([992] * 50, later).delay_s.tolist() == [pytest.approx(0.01)]
    assert measure_failsafe(table([992] * 50), has_clock=True) is None
    assert measure_failsafe(FrameTable.empty(), has_clock=True) is None
    damaged = table([992] * 50, flags={30: SAFE}, marked=(30,))
    assert measure_failsafe(damaged, has_clock=True) is None


def test_the_range_in_failsafe_is_over_all_of_its_frames() -> None:
    values = [992] * 100
    values[40:46] = [500, 510, 505, 700, 700, 500]
    flags = dict.fromkeys(range(40, 46), SAFE)
    found = failsafe(values, flags)
    assert (found.low[1], found.high[1], found.low[0], found.high[0]) == (500, 700, 992, 992)
    damaged = measure_failsafe(table(values, flags=flags, marked=(43, 44)), has_clock=True)
    assert damaged is not None
    assert (damaged.low[1], damaged.high[1]) == (500, 510)


@pytest.mark.parametrize("has_clock", [True, False])
@pytest.mark.parametrize(
    ("before", "value", "is_held"),
    [
        ([992] * 20, 992 + 8, True),  # 1 % of full command: 8.19 counts
        ([992] * 20, 992 + 9, False),
        ([992] * 20, 992 - 8, True),
        ([992] * 20, 992 - 9, False),
        ([700] * 10 + [992] * 10, 700, True),  # a value of a tenth of a second before may be the one that is held
        ([700] * 9 + [992] * 11, 700, False),
    ],
)
def test_a_value_near_the_last_one_may_be_held(before: list[int], value: int, is_held: bool, has_clock: bool) -> None:
    found = failsafe(before + [value] * 10, dict.fromkeys(range(20, 30), SAFE), has_clock=has_clock)
    assert found.is_held[1] == is_held
    assert found.is_held[0]


def test_one_failsafe_that_goes_elsewhere_is_enough() -> None:
    values = [992] * 20 + [500] * 5 + [500] * 20 + [500] * 5
    flags = dict.fromkeys([*range(20, 25), *range(45, 50)], SAFE)
    assert not failsafe(values, flags).is_held[1]


def made(delays: tuple[float, ...], *, low: int = 500, high: int = 500, is_held: bool = False) -> MeasuredFailsafe:
    return MeasuredFailsafe(np.array(delays), np.full(16, low), np.full(16, high), np.full(16, is_held))


def test_a_difference_of_delays_is_that_of_equal_scatter() -> None:
    old, new = (0.5, 0.52, 0.49), (0.9, 0.93)
    found = compare_delay(made(old), made(new), chance=0.01)
    # outside check: scipy.stats
    low, high = stats.ttest_ind(new, old).confidence_interval(0.99)
    assert (found.low, found.high) == pytest.approx((low, high))
    assert (found.old, found.new) == pytest.approx((np.mean(old), np.mean(new)))
    assert found.floor == pytest.approx((high - low) / 2)
    assert found.tolerance == pytest.approx((-0.2 * np.mean(old), 0.2 * np.mean(old)))
    assert (found.unit, found.verdict) == ("s", "different")


def test_a_delay_seen_once_in_each_has_no_floor() -> None:
    found = compare_delay(made((0.5,)), made((0.9,)), chance=0.01)
    assert (found.old, found.new, found.floor, found.tolerance) == (0.5, 0.9, None, (-0.1, 0.1))
    assert compare_delay(made((0.5, 0.51)), made((0.9,)), chance=0.01).floor is not None
    gone = compare_delay(None, made((0.9,)), chance=0.01)
    assert (gone.old, gone.new, gone.floor, gone.tolerance) == (None, 0.9, None, (0.0, 0.0))


def test_a_failsafe_value_is_compared_by_its_whole_range() -> None:
    found = compare_failsafe(made((0.5,), low=500, high=504), made((0.5,), low=540, high=550), 3)
    assert found is not None
    assert (found.old, found.new, found.low, found.high, found.floor) == (502, 545, 36, 50, 7)
    assert found.tolerance == pytest.approx((-8.19, 8.19))  # 1 % of full command
    assert found.verdict == "different"
    assert compare_failsafe(made((0.5,), is_held=True), made((0.5,)), 3) is None
    assert compare_failsafe(made((0.5,)), made((0.5,), is_held=True), 3) is None


def channel(mean: float, noise: float) -> MeasuredChannel:
    return MeasuredChannel(Sample(mean - 800, 1.0, 9), Sample(mean + 800, 1.0, 9), Sample(mean, 1.0, 9),
                           Sample(noise, 0.01, 11))  # fmt: skip


def test_what_matters_of_positions_and_noise() -> None:
    low, high, centre, noise = compare_channel(channel(992, 4.0), channel(1000, 4.4), chance=0.01)
    assert [one.what for one in (low, high, centre, noise)] == [
        "endpoint low", "endpoint high", "centre", "noise at rest",
    ]  # fmt: skip
    width = float(stats.t.ppf(0.995, 18)) * math.sqrt(2) + 0.5  # half a count by rounding
    for one, old in ((low, 192), (high, 1792), (centre, 992)):
        assert [one.old, one.new, one.floor] == pytest.approx([old, old + 8, width])
        assert one.tolerance == pytest.approx((-4.095, 4.095))  # half a percent of full command
    assert noise.floor == pytest.approx(float(stats.t.ppf(0.995, 22)) * 0.01 * math.sqrt(2))
    assert noise.tolerance == (-2.0, 2.0)  # half of the old noise


@pytest.mark.parametrize(
    ("old", "new", "hidden", "matters"),
    [(0.4, 4.0, True, 1.0), (4.0, 0.4, True, 2.0), (0.5, 0.5, False, 1.0), (2.0, 2.0, False, 1.0)],
)
def test_noise_that_whole_counts_hide(old: float, new: float, hidden: bool, matters: float) -> None:
    noise = compare_channel(channel(992, old), channel(992, new), chance=0.01)[-1]
    plain = float(stats.t.ppf(0.995, 22)) * 0.01 * math.sqrt(2)
    assert noise.floor == pytest.approx(plain + hidden / math.sqrt(12))
    assert noise.tolerance == (-matters, matters)


def test_what_one_recording_does_not_show_is_no_figure() -> None:
    none = MeasuredChannel(None, None, None, None)
    assert compare_channel(none, channel(992, 1.0), chance=0.01) == []
    assert compare_channel(channel(992, 1.0), none, chance=0.01) == []
