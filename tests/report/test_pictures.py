"""The pictures of a page at their coordinates: x runs from 96 to 674, and a wrong place is a wrong figure."""

from __future__ import annotations

import re
from types import SimpleNamespace
from typing import cast

import numpy as np
import pytest

from busbench.analysis.outages import Kind, Outage
from busbench.analysis.timing import Timing
from busbench.report.pictures import draw_histogram, draw_outages, draw_periods, draw_trace
from busbench.report.svg import ticks
from busbench.verify.control_moves import ControlMove
from busbench.verify.inputs import ChannelPlan, VerifyInputs
from busbench.verify.link_loss import LinkLoss

LOSS = LinkLoss(4.0, 6.0, 4, 6, 5.0, 0.0, None, None, True, True)


def texts(svg: str) -> list[tuple[float, float, str]]:
    """Texts of a picture with their places."""
    return [
        (float(x), float(y), word)
        for x, y, word in re.findall(r'<text x="([^"]+)" y="([^"]+)"[^>]*>([^<]*)</text>', svg)
    ]


def lines(svg: str) -> list[tuple[float, ...]]:
    """Straight lines as x1, y1, x2, y2."""
    found = re.findall(r'<line x1="([^"]+)" y1="([^"]+)" x2="([^"]+)" y2="([^"]+)"', svg)
    return [tuple(map(float, one)) for one in found]


def paths(svg: str) -> list[str]:
    return re.findall(r'points="([^"]*)"', svg)


def boxes(svg: str) -> list[tuple[float, ...]]:
    """Boxes as x, y, width, height."""
    found = re.findall(r'<rect x="([^"]+)" y="([^"]+)" width="([^"]+)" height="([^"]+)"', svg)
    return [tuple(map(float, one)) for one in found]


def trace(channel: int = 1, *, is_on_off: bool = False, turn: ControlMove | None = None) -> str:
    """A recording of 10 s: channel 1 beyond both planned ends, 17 switched at 5 s."""
    counts = np.full((18, 6), 992, np.int16)
    counts[0] = [992, 92, 992, 992, 1892, 992]
    counts[16] = [173, 173, 173, 1811, 1811, 1811]
    inputs = SimpleNamespace(counts=counts, t_s=np.array([0.0, 2.0, 4.0, 6.0, 8.0, 10.0]), end_s=10.0)
    ends = SimpleNamespace(low_counts=173.0, neutral_counts=992.0, high_counts=1811.0)
    plan = SimpleNamespace(subject=f"channel {channel}", channel=channel, ends=ends, is_on_off=is_on_off)
    return draw_trace(cast(VerifyInputs, inputs), cast(ChannelPlan, plan), turn, LOSS)


def test_a_trace_runs_from_its_first_frame_to_its_last_in_the_range_of_plan_and_values() -> None:
    # y is 74 at 92 counts and 14 at 1892: 30 counts a unit.
    assert paths(trace())[0] == "96,44 211.6,74 327.2,44 442.8,44 558.4,14 674,44"


def test_a_trace_has_its_planned_ends_and_its_centre_where_they_are_on_its_scale() -> None:
    svg = trace()
    assert [line for line in lines(svg) if line[0] == 96.0 and line[2] == 674.0][:3] == [
        (96.0, 71.3, 674.0, 71.3),  # 173 counts
        (96.0, 44.0, 674.0, 44.0),
        (96.0, 16.7, 674.0, 16.7),  # 1811 counts
    ]
    assert [place for place in texts(svg) if place[0] == 90.0] == [
        (90.0, 75.3, "173"),
        (90.0, 48.0, "992"),
        (90.0, 20.7, "1811"),
    ]


def test_an_on_off_channel_is_drawn_from_off_to_on() -> None:
    svg = trace(17, is_on_off=True)
    assert paths(svg)[0] == "96,74 327.2,74 442.8,14 674,14"
    assert [word for x, _, word in texts(svg) if x == 90.0 and word] == ["off", "on"]


def test_the_turn_is_bracketed_and_the_time_without_link_hatched() -> None:
    svg = trace(turn=ControlMove("elevator", 1, 5, (), True))
    assert "211.6,11 211.6,7 558.4,7 558.4,11" in paths(svg)  # its first row to its last
    assert (327.2, 14.0, 115.6, 60.0) in boxes(svg)  # 4 s to 6 s
    assert (327.2, 11.0, "off") in texts(svg)


def test_the_time_axis_has_round_seconds_at_their_places() -> None:
    svg = trace()
    at = {word: (x, y) for x, y, word in texts(svg) if y == 93.0}
    assert at == {
        "0": (96.0, 93.0),
        "2": (211.6, 93.0),
        "4": (327.2, 93.0),
        "6": (442.8, 93.0),
        "8": (558.4, 93.0),
        "10": (674.0, 93.0),
        "s": (680.0, 93.0),
    }
    assert (211.6, 78.0, 211.6, 82.0) in lines(svg)


def event(kind: Kind, start_s: float, end_s: float) -> Outage:
    return Outage(kind, start_s, end_s, 1, 1, 0, 0, 0)


def test_each_outage_has_its_place_in_the_lane_of_its_kind() -> None:
    events = [
        event("gap", 1.0, 2.0),
        event("gap", 7.0, 7.001),
        event("damaged", 3.0, 4.0),
        event("failsafe", 9.0, 10.0),
    ]
    svg = draw_outages(events, 10.0)
    assert boxes(svg)[-4:] == [
        (153.8, 35.0, 57.8, 5.0),
        (500.6, 35.0, 1.5, 5.0),  # never too narrow to be seen
        (269.4, 55.0, 57.8, 5.0),
        (616.2, 95.0, 57.8, 5.0),
    ]
    assert [one for one in texts(svg) if one[2] in "GDLF"] == [
        (153.8, 33.0, "G"),
        (500.6, 33.0, "G"),
        (269.4, 53.0, "D"),
        (616.2, 93.0, "F"),
    ]


def test_two_outages_at_one_place_share_a_letter_and_have_a_box_each() -> None:
    svg = draw_outages([event("lost", 5.0, 5.1), event("lost", 5.15, 5.2)], 10.0)
    assert [box[0] for box in boxes(svg)[-2:]] == [385.0, 393.7]
    assert [one[2] for one in texts(svg)].count("L") == 1


def timing(mean_ms: float, high_ms: float) -> Timing:
    jitter = SimpleNamespace(period_high_s=high_ms / 1e3)
    return cast(Timing, SimpleNamespace(jitter=jitter, period_mean_s=mean_ms / 1e3))


def test_bars_stand_over_their_periods_with_the_highest_to_the_top() -> None:
    t_ns = np.cumsum([0, 13, 14, 14, 15, 14, 14, 13]) * 1_000_000
    svg = draw_histogram(timing(14.0, 0.1), t_ns, plan_ms=14.0)
    # 14 ms ± 1.05 ms in 48 bars of 12.0417: 13 ms is in the second, 14 in the 25th, 15 in the 47th.
    assert boxes(svg)[-3:] == [
        (108.5, 71.0, 11.0, 45.0),
        (385.5, 26.0, 11.0, 90.0),
        (650.4, 93.5, 11.0, 22.5),
    ]
    assert (385.0, 20.0, 385.0, 116.0) in lines(svg)  # the plan
    assert (385.0, 16.0, "plan 14 ms") in texts(svg)
    assert {(90.0, 34.0, "4"), (90.0, 116.0, "0"), (385.0, 131.0, "14")} <= set(texts(svg))
    assert "357.5,136 357.5,140 412.5,140 412.5,136" in paths(svg)  # ± 0.1 ms about the mean


def test_periods_over_time_are_at_their_times_and_lengths() -> None:
    svg = draw_periods(np.array([0.0, 0.014, 0.029, 0.043, 0.143, 0.157]), 0.157, most_s=0.021)
    # y is 92 at 14 ms and 14 at 15 ms; 360 columns of 1.606; a period is drawn where it ends.
    assert [line for line in lines(svg) if line[0] == line[2] and line[1] != 96.0] == [
        (148.2, 92.6, 148.2, 91.4),
        (202.8, 14.6, 202.8, 13.4),
        (254.1, 92.6, 254.1, 91.4),
        (621.8, 14.6, 621.8, 13.4),  # the gap, held at the upper edge
        (673.2, 92.6, 673.2, 91.4),
    ]
    assert [one for one in texts(svg) if one[2] in ("G", "14", "15", "ms")] == [
        (621.8, 10.0, "G"),
        (90.0, 96.0, "14"),
        (90.0, 18.0, "15"),
        (90.0, 10.0, "ms"),
    ]
    assert (96.0, 111.0, "0") in texts(svg)  # the time axis is below


def test_a_column_of_periods_runs_from_its_shortest_to_its_longest() -> None:
    t_s = np.cumsum([0.0, *[0.013, 0.014, 0.016] * 400])
    svg = draw_periods(t_s, float(t_s[-1]), most_s=0.021)
    assert lines(svg)[0] == (96.8, 92.6, 96.8, 13.4)


@pytest.mark.parametrize(
    ("low", "high", "expected"),
    [
        (0, 10, [0, 2, 4, 6, 8, 10]),
        (12.95, 15.05, [13, 13.5, 14, 14.5, 15]),
        (-3, 3, [-3, -2, -1, 0, 1, 2, 3]),
    ],
)
def test_ticks_lie_inside_the_range(low: float, high: float, expected: list[float]) -> None:
    assert [round(tick, 6) for tick in ticks(low, high)] == expected


def test_even_periods_lie_in_the_middle_of_a_hundredth_on_both_sides() -> None:
    svg = draw_periods(np.linspace(0, 2, 9), 2.0, most_s=1.0)
    marked = [one for one in texts(svg) if one[0] == 90.0 and one[2] != "ms"]
    assert marked == [(90.0, 88.2, "248"), (90.0, 57.0, "250"), (90.0, 25.8, "252")]
    assert (169.1, 53.6, 169.1, 52.4) in lines(svg)
