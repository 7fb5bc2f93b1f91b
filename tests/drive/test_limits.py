"""Nothing gets past the limits, whatever is asked."""

import pickle
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busbench.drive.limits import ChannelLimit, LimitedCounts, Limiter, Limits
from busbench.errors import DriveError
from busbench.model import F64
from busbench.wire.frame_spec import ALL_CHANNELS, CHANNELS

PLAIN = ChannelLimit(low=200, high=1800, rest=1000, rate=1000.0)
NAN = float("nan")


def limits_of(limit: ChannelLimit) -> Limits:
    return Limits((limit,) * CHANNELS)


def wish(*levels: float) -> F64:
    return np.repeat(np.array(levels)[:, None], ALL_CHANNELS, axis=1)


def followed(limit: ChannelLimit, *levels: float, last: int | None = None, period_s: float = 0.007) -> list[int]:
    limiter = Limiter(limits_of(limit), period_s, None if last is None else (last,) * CHANNELS)
    out: list[int] = limiter.limit(wish(*levels)).channels[:, 5].tolist()
    return out


def test_first_frame_says_idle_then_each_frame_moves_by_the_rate() -> None:
    assert followed(PLAIN, 1500, 1500, 1500, 1012, 1500) == [1000, 1007, 1014, 1012, 1019]


def test_first_frame_says_the_last_known_position() -> None:
    assert followed(PLAIN, 1500, 1500, last=700) == [700, 707]


def test_a_last_position_outside_the_limits_is_brought_inside() -> None:
    assert followed(PLAIN, 1500, 1500, last=2047) == [1800, 1793]


def test_travel_ends_hold() -> None:
    assert followed(replace(PLAIN, rate=1e6), 0, 9e9, -9e9, float("inf"), float("-inf")) == [1000, 1800, 200, 1800, 200]


def test_nothing_wanted_goes_to_idle() -> None:
    assert followed(replace(PLAIN, rate=1e6), NAN, 1300, NAN) == [1000, 1300, 1000]


def test_a_locked_channel_stays_whatever_is_wanted_and_whatever_was() -> None:
    locked = replace(PLAIN, is_locked=True, rest=172, rate=1e6)
    assert followed(locked, 1500, 0, 1800, last=900) == [172, 172, 172]


def test_whole_counts_are_rounded_down() -> None:
    # 420 counts/s are 2.94 counts per frame.
    assert followed(replace(PLAIN, rate=420.0), 1500, 1500, 1500) == [1000, 1002, 1004]


def test_less_than_a_count_a_frame_moves_one_count_every_few() -> None:
    # 50 counts/s are 0.35 counts per frame: a count every third frame.
    assert followed(replace(PLAIN, rate=50.0), *[1500] * 8) == [1000, 1001, 1001, 1001, 1002, 1002, 1002, 1003]


def test_the_wait_of_a_slow_channel_lasts_across_calls() -> None:
    slow = Limiter(limits_of(replace(PLAIN, rate=50.0)), 0.007)
    got = [int(slow.limit(wish(1500)).channels[0, 0]) for _ in range(8)]
    assert got == [1000, 1001, 1001, 1001, 1002, 1002, 1002, 1003]


def test_long_chase_then_free_again() -> None:
    levels = [1800.0] * 20_000 + [1799.0, 1800.0]
    got = followed(replace(PLAIN, rate=1.0 / 0.007), *levels)
    assert got[:801] == list(range(1000, 1801))
    assert got[801:] == [1800] * 19_199 + [1799, 1800]


def test_switches_follow_at_once_and_stay_when_locked() -> None:
    limits = replace(limits_of(PLAIN), switches_rest=(False, True), switches_locked=(False, True))
    rows = wish(1.0, 0.0, 0.5, NAN)
    assert Limiter(limits, 0.007).limit(rows).switches.tolist() == [
        [True, True],
        [False, True],
        [True, True],
        [False, True],
    ]


def test_only_a_limiter_makes_limited_counts() -> None:
    good = Limiter(limits_of(PLAIN), 0.007).limit(wish(1000))
    with pytest.raises(TypeError, match="come from a Limiter only"):
        LimitedCounts(good.channels, good.switches, key=object())
    with pytest.raises(ValueError, match="read-only"):
        good.channels[0, 0] = 2047
    with pytest.raises(AttributeError, match="read-only"):
        good.channels = good.channels
    with pytest.raises(TypeError, match="not to be pickled"):
        pickle.dumps(good)


def test_rewind_takes_frames_back() -> None:
    limiter = Limiter(limits_of(replace(PLAIN, rate=50.0)), 0.007)
    limiter.limit(wish(1500, 1500))
    mark = limiter.mark()
    first = limiter.limit(wish(*[1500] * 9)).channels
    limiter.rewind(mark)
    assert np.array_equal(limiter.limit(wish(*[1500] * 9)).channels, first)


@pytest.mark.parametrize(
    ("change", "line"),
    [
        ({"low": -1}, "limits, channel 1, low: -1 counts does not fit a frame: give 0 to 2047"),
        ({"high": 100}, "limits, channel 1, high: 100 counts is out of range: give 200 to 2047"),
        ({"high": 2048}, "limits, channel 1, high: 2048 counts is out of range: give 200 to 2047"),
        (
            {"rest": 100},
            "limits, channel 1, rest: 100 counts lies outside the channel's travel:"
            " give 200 to 1800 counts, or widen low and high",
        ),
        ({"rate": 0.0}, "limits, channel 1, rate: 0 counts/s moves nothing: give more than 0"),
        ({"rate": NAN}, "limits, channel 1, rate: nan counts/s moves nothing: give more than 0"),
    ],
)
def test_limits_that_cannot_be_are_refused(change: dict[str, float], line: str) -> None:
    bad = replace(PLAIN, **change)  # type: ignore[arg-type]
    with pytest.raises(DriveError) as caught:
        limits_of(bad)
    assert str(caught.value) == line


@st.composite
def any_limit(draw: st.DrawFn) -> ChannelLimit:
    low = draw(st.integers(0, 2047))
    high = draw(st.integers(low, 2047))
    rate = draw(st.floats(0.5, 1e6) | st.sampled_from([1 / 0.007, 1000.0, 142.0, 3.0]))
    return ChannelLimit(low, high, draw(st.integers(low, high)), rate, draw(st.booleans()))


LEVELS = st.floats(allow_nan=True, allow_infinity=True) | st.floats(-100, 2200) | st.sampled_from([0, 992, 2047])


@settings(max_examples=60, deadline=None)
@given(
    limits=st.lists(any_limit(), min_size=CHANNELS, max_size=CHANNELS),
    blocks=st.lists(st.lists(st.tuples(LEVELS, st.integers(1, 60)), min_size=1, max_size=6), min_size=1, max_size=5),
    period_s=st.sampled_from([0.007, 0.014, 0.004, 1.0]),
    last=st.none() | st.lists(st.integers(0, 2047), min_size=CHANNELS, max_size=CHANNELS),
    twist=st.integers(0, 2**32 - 1),
)
def test_no_wish_gets_past(
    limits: list[ChannelLimit],
    blocks: list[list[tuple[float, int]]],
    period_s: float,
    last: list[int] | None,
    twist: int,
) -> None:
    limiter = Limiter(Limits(tuple(limits)), period_s, last)
    rng = np.random.default_rng(twist)
    out = []
    for block in blocks:
        rows = np.concatenate([np.full((length, ALL_CHANNELS), float(level)) for level, length in block])
        rows += rng.choice([0.0, 0.0, 0.3, -3.0, 400.0], rows.shape)
        out.append(limiter.limit(rows).channels.astype(np.int64))
    counts = np.concatenate(out)
    for channel, limit in enumerate(limits):
        moved = counts[:, channel]
        if limit.is_locked:
            assert (moved == limit.rest).all()
            continue
        assert limit.low <= moved.min()
        assert moved.max() <= limit.high
        start = limit.rest if last is None else min(max(last[channel], limit.low), limit.high)
        assert moved[0] == start
        step = limit.rate * period_s * (1 + 1e-9)
        assert np.abs(np.diff(moved)).max(initial=0) <= max(step, 1.0)
        # Over any span, skipped and dropped frames included: rate x time, and one count for the first move.
        for frames in (2, 3, 7, 50):
            if frames < moved.size:
                assert np.abs(moved[frames:] - moved[:-frames]).max() <= step * frames + (step < 1)


@settings(max_examples=100, deadline=None)
@given(limit=any_limit(), aim=st.floats(0, 2047), last=st.integers(0, 2047))
def test_frames_to_is_neither_one_too_many_nor_too_few(limit: ChannelLimit, aim: float, last: int) -> None:
    limiter = Limiter(limits_of(replace(limit, rate=max(limit.rate, 20.0))), 0.007, (last,) * CHANNELS)
    row = np.full(ALL_CHANNELS, aim)
    needed = limiter.frames_to(row)
    reached = limiter.limit(np.repeat(row[None], needed + 50, axis=0)).channels[:, 0].astype(np.int64)
    assert (reached[max(needed - 1, 0) :] == reached[-1]).all()
    if needed > 1:
        assert reached[needed - 2] != reached[-1]
