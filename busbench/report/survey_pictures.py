"""Pictures of many recordings: intervals of a ranking, figures of one unit over time."""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta

from busbench.analysis.ranking import NO_GOOD_FRAME, Ranked
from busbench.analysis.trend import Trend
from busbench.report.svg import PAGE_WIDTH, Drawing, ticks

_LEFT, _RIGHT = 96.0, 30.0
_NAME_RIGHT, _NAME_MOST = 300.0, 46
_LANE = 17.0
_DECADES = 5  # from 0.001 % to 100 %
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def draw_ranking(ranking: Sequence[Ranked]) -> str:
    """The intervals of the ratios of missed frames, on a scale of powers of ten."""
    top, right = 22.0, PAGE_WIDTH - _RIGHT
    bottom = top + _LANE * len(ranking)
    drawing = Drawing(PAGE_WIDTH, bottom + 8, title="missed frames of each recording, between 95 % confidence limits")

    def x(ratio: float) -> float:
        share = 1 + math.log10(max(ratio, 10.0**-_DECADES)) / _DECADES
        return _NAME_RIGHT + 14 + (right - _NAME_RIGHT - 14) * share

    for power in range(-_DECADES, 1):
        place = x(10.0**power)
        drawing.line(place, top, place, bottom, dash="dot", width=0.5)
        drawing.text(place, top - 8, f"{10.0 ** (power + 2):g} %", anchor="middle", size=9)
    for number, one in enumerate(ranking):
        y = top + _LANE * (number + 0.5)
        name = one.name if len(one.name) <= _NAME_MOST else f"…{one.name[1 - _NAME_MOST :]}"
        drawing.text(_NAME_RIGHT, y + 4, name, anchor="end", size=10)
        if not one.has_good_frame:
            drawing.text(x(0), y + 4, NO_GOOD_FRAME, size=9)
            continue
        if one.ratio_low is None or one.ratio_high is None:
            drawing.text(x(0), y + 4, "no times: gaps cannot be seen", size=9)
            continue
        low, high = x(one.ratio_low), x(one.ratio_high)
        drawing.line(low, y, high, y, width=2)
        ends = (high,) if one.ratio_low <= 10.0**-_DECADES else (low, high)
        for end in ends:
            drawing.line(end, y - 4, end, y + 4, width=1.5)
        if one.missed_ratio:
            drawing.box(x(one.missed_ratio) - 2.5, y - 5, 5, 10, fill="solid")
    return drawing.svg()


def draw_trend(one: Trend, *, unit: str, factor: float) -> str:
    """A figure over time: values with their bounds, and the trend dashed, if there is one.

    Args:
        unit: of the axis.
        factor: from the figure's unit to that.
    """
    height, top, bottom, right = 132.0, 16.0, 100.0, PAGE_WIDTH - _RIGHT
    drawing = Drawing(PAGE_WIDTH, height, title=f"{one.name} over time")
    days = [point.day for point in one.points]
    values = [point.value * factor for point in one.points]
    first, last = days[0], max(days[-1], days[0] + 1e-6)
    low, high = _range(one, factor)

    def x(day: float) -> float:
        return _LEFT + (right - _LEFT) * (day - first) / (last - first)

    def y(value: float) -> float:
        return bottom - (bottom - top) * (min(high, max(low, value)) - low) / (high - low)

    for tick in ticks(low, high, most=4):
        drawing.line(_LEFT, y(tick), right, y(tick), dash="dot", width=0.4)
        drawing.text(_LEFT - 6, y(tick) + 4, f"{tick:.7g}", anchor="end", size=10)
    drawing.text(_LEFT - 6, top - 5, unit, anchor="end", size=10)
    for point, value in zip(one.points, values, strict=True):
        place = x(point.day)
        if point.low is not None and point.high is not None:
            drawing.line(place, y(point.low * factor), place, y(point.high * factor))
        drawing.box(place - 2, y(value) - 2, 4, 4, fill="solid")
    if one.slope_per_day is not None:
        slope = one.slope_per_day * factor
        middle = sorted(v - slope * (d - first) for d, v in zip(days, values, strict=True))
        start = middle[len(middle) // 2]
        drawing.path([(x(d), y(start + slope * (d - first))) for d in (first, last)], dash="dash")
    drawing.line(_LEFT, bottom, right, bottom)
    for day in ticks(first, last, most=6):
        drawing.line(x(day), bottom, x(day), bottom + 4)
        moment = _EPOCH + timedelta(days=day)
        words = f"{moment:%H:%M}" if last - first < 1 else f"{moment:%Y-%m-%d}"
        drawing.text(x(day), bottom + 15, words, anchor="middle", size=10)
    return drawing.svg()


def _range(one: Trend, factor: float) -> tuple[float, float]:
    """What the axis shows: all values, and of the bounds what is within three times their reach."""
    values = [point.value * factor for point in one.points]
    least, most = min(values), max(values)
    reach = 3 * (most - least) or 0.05 * abs(most) or 1e-3
    bounds = [bound * factor for point in one.points for bound in (point.low, point.high) if bound is not None]
    low = min([least, *(max(bound, least - reach) for bound in bounds)])
    high = max([most, *(min(bound, most + reach) for bound in bounds)])
    pad = 0.05 * (high - low) or reach
    return low - pad, high + pad
