"""A program: where its parts lie in time, how long it is, and what its targets are in each frame."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from busbench.drive.limits import ChannelLimit, Limits
from busbench.drive.program import (
    FrameFault,
    Order,
    Part,
    Program,
    Unit,
    arrange,
    default_limits,
    level_counts,
    lock,
    rate_counts,
)
from busbench.drive.shapes import Cycle, Hold, Shape, TimeSpan, Wave
from busbench.errors import DriveError
from busbench.wire.scale import Scale

ODD = Scale(1024.0, 1520.0, 0.5)


def program(*parts: Part, period_s: float = 0.1, **more: object) -> Program:
    return Program("Heron", parts, default_limits(Scale()), Scale(), period_s, **more)  # type: ignore[arg-type]


def hold(channel: int, level: float, start_s: float, seconds: float) -> Part:
    return Part(channel, Hold(level, seconds), start_s)


def targets(program: Program, channel: int, slots: int, start: int = 0) -> list[float | None]:
    """The targets of a channel, None without one."""
    return [None if np.isnan(one) else float(one) for one in program.wanted(start, slots)[:, channel]]


def test_a_frame_on_the_boundary_of_two_parts_is_the_later_ones() -> None:
    both = program(hold(0, 5, 0.0, 0.3), hold(0, 7, 0.3, 0.2), hold(17, 1, 0.1, 0.1))
    assert targets(both, 0, 6) == [5, 5, 5, 7, 7, None]
    assert targets(both, 0, 4, start=2) == [5, 7, 7, None]
    assert targets(both, 17, 4) == [None, 1, None, None]
    assert targets(both, 1, 6) == [None] * 6
    assert both.wanted(3, 0).shape == (0, 18)


def test_a_shape_is_asked_for_the_time_since_its_own_start() -> None:
    ramp = Part(2, Wave("ramp", TimeSpan(0.0, 500.0, 1000.0), Cycle(1.0)), 0.5)
    assert targets(program(ramp), 2, 16)[5:15] == pytest.approx([100.0 * step for step in range(10)])


@pytest.mark.parametrize("repeat", [1, 2, 3])
def test_a_repeat_runs_all_parts_again(repeat: int) -> None:
    # 0.3 s three times are 0.9 s less a few parts in 1e16.
    both = program(hold(0, 5, 0.0, 0.1), hold(0, 7, 0.1, 0.2), repeat=repeat)
    assert (both.round_s, both.duration_s, both.slots) == pytest.approx((0.3, 0.3 * repeat, 3 * repeat))
    assert targets(both, 0, 12) == [5, 7, 7] * repeat + [None] * (12 - 3 * repeat)
    assert targets(both, 0, 5, start=1) == ([5, 7, 7] * repeat + [None] * 6)[1:6]


def test_a_gap_between_parts_is_a_rest_in_each_repeat() -> None:
    late = program(hold(3, 9, 0.2, 0.2), repeat=2)
    assert targets(late, 3, 10) == [None, None, 9, 9, None, None, 9, 9, None, None]


@pytest.mark.parametrize(
    ("faults", "repeat", "duration_s", "slots"),
    [
        ((), 1, 0.3, 3),
        ((FrameFault("gap", 0.1, 0.2),), 1, 0.3, 3),
        ((FrameFault("gap", 0.5, 0.25),), 1, 0.75, 8),
        ((FrameFault("lost", 0.0, 0.7), FrameFault("failsafe", 0.1, 0.8)), 2, 0.9, 9),
        ((FrameFault("flips", 0.5, 9.0, 0.1),), 1, 0.3, 3),  # noise adds no frames
    ],
)
def test_a_fault_that_lasts_longer_makes_a_program_longer(
    faults: tuple[FrameFault, ...], repeat: int, duration_s: float, slots: int
) -> None:
    faulty = program(hold(0, 5, 0.0, 0.3), faults=faults, repeat=repeat)
    assert faulty.duration_s == pytest.approx(duration_s)
    assert faulty.slots == slots
    assert faulty.round_s == pytest.approx(0.3)


@pytest.mark.parametrize(("duration_s", "slots"), [(1e-9, 1), (0.1, 1), (0.1 + 1e-8, 1), (0.1001, 2), (0.2, 2)])
def test_a_program_has_a_frame_in_each_period_that_it_begins(duration_s: float, slots: int) -> None:
    assert program(hold(0, 5, 0.0, duration_s)).slots == slots


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"period_s": 0.0039}, "frame period: 0.0039 s is out of range: give 0.004 to 1 s"),
        ({"period_s": 1.001}, "frame period: 1.001 s is out of range: give 0.004 to 1 s"),
        ({"end_bytes": ()}, "end bytes: () is not an end byte: give 0x00, 0x04, 0x14, 0x24, 0x34"),
        ({"end_bytes": (0, 5)}, "end bytes: (0, 5) is not an end byte: give 0x00, 0x04, 0x14, 0x24, 0x34"),
        ({"repeat": 2_016_001}, "Heron: lasts 604,800 s: keep it to 604,800 s (7 days)"),
    ],
)
def test_what_cannot_be_sent_is_refused(change: dict[str, object], said: str) -> None:
    with pytest.raises(DriveError) as caught:
        program(hold(0, 5, 0.0, 0.3), **change)  # type: ignore[arg-type]
    assert str(caught.value) == said


def test_the_ends_of_what_can_be_sent() -> None:
    assert program(hold(0, 5, 0.0, 604_800.0), period_s=1.0).slots == 604_800
    assert program(hold(0, 5, 0.0, 0.3), period_s=0.004, end_bytes=(0, 4, 0x14, 0x24, 0x34)).slots == 75


def test_names_are_for_people() -> None:
    named = program(hold(0, 5, 0.0, 0.3), channel_names=((0, "left aileron"), (17, "horn"), (3, "")))
    assert [named.named(channel) for channel in (0, 3, 5, 17)] == [
        "channel 1 (left aileron)", "channel 4", "channel 6", "channel 18 (horn)",
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("order", "starts_s"),
    [
        # Channel 1 is busy to 2 s and from 2.5 to 4.5 s, channel 2 from 0.5 to 1 s and then to 2 s.
        ("together", [(0, 0.0), (0, 2.5), (1, 0.5), (1, 1.0), (2, 0.25)]),
        # The second part ends with its longer channel, at 4.5 s.
        ("in turn", [(0, 0.0), (0, 2.5), (1, 2.5), (1, 4.5), (2, 5.75)]),
    ],
)
def test_parts_follow_one_another_by_channel_or_all(order: Order, starts_s: list[tuple[int, float]]) -> None:
    parts = [((0,), 0.0, 2.0), ((0, 1), 0.5, None), ((1,), 0.0, 1.0), ((2,), 0.25, 1.0)]

    def shape_of(seconds: float | None) -> Callable[[int], Shape]:
        return lambda channel: Hold(5.0, seconds or (2.0, 0.5)[channel])

    placed = arrange([(channels, delay_s, shape_of(long_s)) for channels, delay_s, long_s in parts], order=order)
    assert [(part.channel, part.start_s) for part in placed] == starts_s


@pytest.mark.parametrize(
    ("unit", "value", "counts", "odd"),
    [("%", 50, 1401.5, 1433.5), ("us", 1600, 1152, 1184), ("counts", 700, 700, 700)],
)
def test_levels_in_each_unit(unit: Unit, value: float, counts: float, odd: float) -> None:
    assert level_counts(value, unit, Scale()) == counts
    assert level_counts(value, unit, ODD) == odd


@pytest.mark.parametrize(
    ("unit", "value", "counts_per_s", "odd"),
    [("%", 50, 409.5, 409.5), ("us", 100, 160, 200), ("counts", 700, 700, 700)],
)
def test_rates_in_each_unit(unit: Unit, value: float, counts_per_s: float, odd: float) -> None:
    for speed in (value, -value):
        assert rate_counts(speed, unit, Scale()) == pytest.approx(counts_per_s)
        assert rate_counts(speed, unit, ODD) == pytest.approx(odd)


@pytest.mark.parametrize(
    ("scale", "low", "rest", "high"),
    [(Scale(), 173, 992, 1811), (Scale(600.0), 0, 600, 1419), (Scale(1500.4), 681, 1500, 2047)],
)
def test_the_usual_limits_are_full_travel_in_two_seconds(scale: Scale, low: int, rest: int, high: int) -> None:
    limits = default_limits(scale)
    assert set(limits.channels) == {ChannelLimit(low, high, rest, 819.0)}
    assert (limits.switches_rest, limits.switches_locked) == ((False, False), (False, False))


@pytest.mark.parametrize("channel", [0, 7, 15])
@pytest.mark.parametrize("rest", [None, 172])
def test_a_lock_holds_one_channel_at_its_rest_or_at_counts(channel: int, rest: int | None) -> None:
    before = default_limits(Scale())
    after = lock(before, channel=channel, rest=rest)
    changed = replace(before.channels[channel], is_locked=True, rest=992 if rest is None else rest)
    assert after.channels == (*before.channels[:channel], changed, *before.channels[channel + 1 :])
    assert (after.switches_rest, after.switches_locked) == ((False, False), (False, False))


@pytest.mark.parametrize("was", [False, True])
@pytest.mark.parametrize("rest", [None, 0, 1])
def test_a_lock_holds_an_on_off_channel_and_leaves_the_other(was: bool, rest: int | None) -> None:
    state = was if rest is None else bool(rest)
    before = Limits(default_limits(Scale()).channels, (was, was), (False, was))
    first, second = (lock(before, channel=channel, rest=rest) for channel in (16, 17))
    assert (first.switches_rest, first.switches_locked) == ((state, was), (True, was))
    assert (second.switches_rest, second.switches_locked) == ((was, state), (False, True))
    assert first.channels == second.channels == before.channels
