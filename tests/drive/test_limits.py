"""Nothing gets past the limits, whatever is asked."""

import math
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


def plainly(limit: ChannelLimit, targets: list[float], *, period_s: float, last: int | None) -> list[int]:
    """What a channel does, one frame after another."""
    step = limit.rate * period_s
    budget, wait = (int(step + 1e-9), 1) if step >= 1 - 1e-9 else (1, math.ceil(1 / step - 1e-9))
    low, high = (limit.rest, limit.rest) if limit.is_locked else (limit.low, limit.high)
    at = limit.rest if last is None else min(max(last, low), high)
    out, cool = [at], 0
    for target in targets[1:]:
        aim = round(min(max(limit.rest if math.isnan(target) else target, low), high))
        if cool:
            cool -= 1
        elif aim != at:
            at += max(-budget, min(budget, aim - at))
            cool = wait - 1
        out.append(at)
    return out


@pytest.mark.parametrize(("last", "period_s"), [(None, 0.007), (0, 0.02), (1000, 1.0), (2047, 0.007)])
def test_every_frame_is_where_its_rate_leads(last: int | None, period_s: float) -> None:
    rng = np.random.default_rng(5)
    rates = (0.01, 0.5, 1.0, 1 / 3, 20.0, 49.0, 50.0, 50.5, 1 / 0.007, 142.0, 143.0, 700.0, 1e4, 1e6, 1e9, 25.0)
    limits = [ChannelLimit(200 + number, 1800, 1000, rate, is_locked=number == 7) for number, rate in enumerate(rates)]
    # 4500 targets that no slow channel ever reaches, then a rest, then smooth ones.
    targets = np.concatenate(
        [rng.uniform(-100, 2200, (4500, ALL_CHANNELS)), np.full((1000, ALL_CHANNELS), NAN), np.zeros((50, 18))]
    )
    targets = np.concatenate([targets, 1000.5 + 600 * np.sin(np.arange(1500) / 200)[:, None] * np.ones(ALL_CHANNELS)])
    limiter = Limiter(Limits(tuple(limits)), period_s, None if last is None else (last,) * CHANNELS)
    got = np.concatenate([limiter.limit(rows).channels for rows in np.split(targets, [1, 2, 77, 5400])])
    for channel, limit in enumerate(limits):
        assert got[:, channel].tolist() == plainly(limit, targets[:, channel].tolist(), period_s=period_s, last=last)


def test_the_way_to_a_target_counts_the_frames_that_a_slow_channel_still_waits() -> None:
    limiter = Limiter(limits_of(replace(PLAIN, rate=50.0)), 0.007)  # a count every third frame
    aim = np.full(ALL_CHANNELS, 1003.0)
    expected = [8, 7, 6, 5, 4, 3, 2, 1, 0, 0]  # 1000, 1001, 1001, 1001, 1002, 1002, 1002, 1003
    for frames in expected:
        assert limiter.frames_to(aim) == frames
        limiter.limit(aim[None])


def test_the_way_is_that_of_the_slowest_and_none_where_nothing_moves() -> None:
    limits = Limits(tuple(replace(PLAIN, rate=rate) for rate in (1000.0, 2000.0, *[1e6] * 14)))
    limiter = Limiter(limits, 0.007)  # 7 and 14 counts in a frame
    target = np.full(ALL_CHANNELS, NAN)
    assert limiter.frames_to(target) == 0
    target[1] = 1140
    assert limiter.frames_to(target) == 11  # the first frame says where it is
    target[0] = 1000 - 71
    assert limiter.frames_to(target) == 12
    limiter.limit(target[None])
    assert limiter.frames_to(target) == 11
    target[[0, 1]] = 1000.4, 9999.0
    assert limiter.frames_to(target) == 58  # 800 counts to its end, by 14
    target[[1, 16, 17]] = 1000.0, 1.0, 1.0
    assert limiter.frames_to(target) == 0  # on/off channels need no way


def test_what_is_not_heard_says_what_was_and_moves_nothing() -> None:
    limits = replace(limits_of(PLAIN), switches_rest=(True, False))
    limiter = Limiter(limits, 0.007)
    is_heard = np.array([False, True, True, False, False, True])
    rows = np.full((6, ALL_CHANNELS), 1500.0)
    rows[:, 16:] = [[0, 0], [1, 0], [0, 1], [1, 0], [1, 1], [1, 1]]
    got = limiter.limit(rows, is_heard=is_heard)
    assert got.channels[:, 3].tolist() == [1000, 1000, 1007, 1007, 1007, 1014]
    assert got.switches.tolist() == [
        [True, False], [True, False], [False, True], [False, True], [False, True], [True, True],
    ]  # fmt: skip
    assert limiter.position == (1014,) * CHANNELS
    assert limiter.switches == (True, True)
    assert len(got) == 6
    assert not got.channels.flags.writeable
    assert not got.switches.flags.writeable


def test_the_state_before_the_first_frame() -> None:
    limits = replace(limits_of(PLAIN), switches_rest=(False, True))
    limiter = Limiter(limits, 0.007)
    assert (limiter.position, limiter.switches) == ((1000,) * CHANNELS, (False, True))
    assert len(limiter.limit(np.empty((0, ALL_CHANNELS)))) == 0
    assert limiter.limit(wish(1500)).channels[0].tolist() == [1000] * CHANNELS


def test_a_locked_channel_may_rest_anywhere_and_a_free_one_within_its_travel() -> None:
    for good in ({"low": 0, "high": 0, "rest": 0}, {"low": 2047, "high": 2047, "rest": 2047}, {"rest": 200},
                 {"rest": 1800}, {"rest": 0, "is_locked": True}, {"rest": 2047, "is_locked": True}):  # fmt: skip
        limits_of(replace(PLAIN, **good))  # type: ignore[arg-type]
    for bad, said in (
        ({"rest": 1801}, "rest: 1801 counts lies outside the channel's travel: give 200 to 1800 counts"),
        ({"rest": 199}, "rest: 199 counts lies outside the channel's travel: give 200 to 1800 counts"),
        ({"rest": 2048, "is_locked": True}, "rest: 2048 counts lies outside the channel's travel: give 0 to 2047"),
        ({"rest": -1, "is_locked": True}, "rest: -1 counts lies outside the channel's travel: give 0 to 2047"),
        ({"low": 2048}, "low: 2048 counts does not fit a frame: give 0 to 2047"),
        ({"low": 1801}, "high: 1800 counts is out of range: give 1801 to 2047"),
        ({"rate": float("inf")}, "rate: inf counts/s moves nothing"),
        ({"rate": -5.0}, "rate: -5 counts/s moves nothing"),
    ):
        with pytest.raises(DriveError) as caught:
            limits_of(replace(PLAIN, **bad))
        assert str(caught.value).startswith(f"limits, channel 1, {said}")


def test_limits_are_those_of_every_channel() -> None:
    last = (*[PLAIN] * 15, replace(PLAIN, rate=0.0))
    with pytest.raises(DriveError, match=r"limits, channel 16, rate: 0 counts/s moves nothing"):
        Limits(last)
    for number in (15, 17):
        with pytest.raises(DriveError, match=f"limits for {number} channels: give all 16"):
            Limits((PLAIN,) * number)
    for wrong in ({"switches_rest": (True,)}, {"switches_locked": (True,) * 3}):
        with pytest.raises(DriveError, match="limits of the on/off channels are not two"):
            Limits((PLAIN,) * 16, **wrong)


def test_which_channels_are_locked() -> None:
    some = (*[PLAIN] * 14, replace(PLAIN, is_locked=True), PLAIN)
    for switches in ((True, False), (False, True)):
        limits = Limits(some, switches_locked=switches)
        assert [limits.is_locked(channel) for channel in range(18)] == [False] * 14 + [True, False, *switches]
    assert not any(limits_of(PLAIN).is_locked(channel) for channel in range(18))
    assert Limits((PLAIN,) * 16).switches_rest == (False, False)


@pytest.mark.parametrize("period_s", [0.0, -0.007, NAN, float("inf")])
def test_a_period_is_a_time(period_s: float) -> None:
    with pytest.raises(DriveError, match=r"frame period: .* s is not a period: give more than 0"):
        Limiter(limits_of(PLAIN), period_s)


def test_targets_are_rows_of_18_and_a_mark_is_a_mark() -> None:
    limiter = Limiter(limits_of(PLAIN), 0.007)
    for wrong in (np.zeros(ALL_CHANNELS), np.zeros((3, 17)), np.zeros((3, 19)), np.zeros((1, 3, 18))):
        with pytest.raises(ValueError, match=r"wishes must have the shape \(N, 18\)"):
            limiter.limit(wrong)
    with pytest.raises(TypeError, match="rewind takes what mark gave"):
        limiter.rewind(object())


def test_a_mark_keeps_its_own_state() -> None:
    limiter = Limiter(limits_of(replace(PLAIN, rate=50.0)), 0.007)
    mark = limiter.mark()
    for _ in range(2):  # rewound to it twice, with frames of each kind between
        assert limiter.limit(wish(1500, 1500, 1500, 1500, 1500)).channels[:, 0].tolist() == [
            1000,
            1001,
            *[1001] * 2,
            1002,
        ]
        limiter.limit(wish(1500))
        limiter.rewind(mark)
