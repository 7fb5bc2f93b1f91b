"""The pictures of the pages."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

from busbench.analysis.latency import Latency
from busbench.analysis.outages import Outage
from busbench.analysis.several import Several
from busbench.analysis.timing import Timing
from busbench.errors import sanitize
from busbench.model import F64, I64
from busbench.report.svg import PAGE_WIDTH, Drawing, ticks
from busbench.verify.control_moves import ControlMove
from busbench.verify.inputs import ChannelPlan, VerifyInputs
from busbench.verify.link_loss import LinkLoss
from busbench.wire.frame_spec import COUNTS_MAX

WIDTH = PAGE_WIDTH
_LEFT, _RIGHT = 96.0, 46.0
_COLUMNS = 360  # columns of a trace, each drawn from its min to its max
_BINS = 48
LANES = (("gap", "G"), ("damaged", "D"), ("lost", "L"), ("failsafe", "F"))
_KEPT_EVENTS = 2000
_LANE_MOST = 15  # letters of a receiver's name


def time_x(time_s: float, end_s: float) -> float:
    """Where a time is drawn."""
    return _LEFT + (WIDTH - _LEFT - _RIGHT) * time_s / max(end_s, 1e-9)


def time_axis(drawing: Drawing, end_s: float, y: float) -> None:
    """The axis of times, in seconds."""
    drawing.line(_LEFT, y, WIDTH - _RIGHT, y)
    for tick in ticks(0, end_s):
        drawing.line(time_x(tick, end_s), y, time_x(tick, end_s), y + 4)
        drawing.text(time_x(tick, end_s), y + 15, f"{tick:g}", anchor="middle", size=10)
    drawing.text(WIDTH - _RIGHT + 6, y + 15, "s", size=10)


def draw_trace(evidence: VerifyInputs, mapped: ChannelPlan, turn: ControlMove | None, loss: LinkLoss | None) -> str:
    """Draw a channel over the whole recording: planned endpoints dashed, its move bracketed, link loss hatched."""
    height, top, bottom = 96.0, 14.0, 74.0
    drawing = Drawing(WIDTH, height, title=f"{mapped.subject} over time")
    values, end_s = evidence.counts[mapped.channel - 1], max(evidence.end_s, 1e-9)
    ends = mapped.ends
    low = min(float(values.min(initial=COUNTS_MAX)), ends.low_counts)
    high = max(float(values.max(initial=0)), ends.high_counts)

    def y(counts: float) -> float:
        return bottom - (bottom - top) * (counts - low) / max(1.0, high - low)

    if loss is not None:
        a, b = time_x(loss.start_s, end_s), time_x(loss.end_s, end_s)
        drawing.box(a, top, b - a, bottom - top, fill="hatch")
        drawing.text(a, top - 3, "off", size=10)
    for counts, dash in ((ends.low_counts, "dash"), (ends.neutral_counts, "dot"), (ends.high_counts, "dash")):
        drawing.line(_LEFT, y(counts), WIDTH - _RIGHT, y(counts), dash=dash, width=0.7)
        word = f"{counts:.0f}"
        if mapped.is_on_off:
            word = {ends.low_counts: "off", ends.high_counts: "on"}.get(counts, "")
        drawing.text(_LEFT - 6, y(counts) + 4, word, anchor="end", size=10)
    drawing.path(((time_x(t, end_s), y(v)) for t, v in _thinned(evidence.t_s, values, end_s)), width=1.3)
    if turn is not None and turn.stop > turn.first:
        a, b = (time_x(float(evidence.t_s[row]), end_s) for row in (turn.first, min(turn.stop, values.size) - 1))
        drawing.path(((a, top - 3), (a, top - 7), (b, top - 7), (b, top - 3)))
    time_axis(drawing, end_s, bottom + 4)
    return drawing.svg()


def draw_channel(title: str, t_s: F64, values: NDArray[np.int16], end_s: float, *, gap_s: float) -> str:
    """Draw a channel of any recording over time, with min and max; the line breaks where no frame arrived.

    Args:
        t_s: seconds, float64 (N,).
        values: counts, or 0 and 1, int16 (N,).
        end_s: end of the recording.
        gap_s: frames farther apart are not joined.
    """
    height, top, bottom = 66.0, 10.0, 44.0
    drawing = Drawing(WIDTH, height, title=f"{title} over time")
    low, high = (float(values.min()), float(values.max())) if values.size else (0.0, 0.0)

    def y(counts: float) -> float:
        return bottom - (bottom - top) * (counts - low) / max(1.0, high - low)

    for counts in dict.fromkeys((low, high)):
        drawing.line(_LEFT, y(counts), WIDTH - _RIGHT, y(counts), dash="dot", width=0.5)
        drawing.text(_LEFT - 6, y(counts) + 4, f"{counts:.0f}", anchor="end", size=10)
    for run in np.split(np.arange(t_s.size), np.flatnonzero(np.diff(t_s) > gap_s)[:_KEPT_EVENTS] + 1):
        points = _thinned(t_s[run], values[run], max(end_s, 1e-9))
        drawing.path(((time_x(t, end_s), y(v)) for t, v in points), width=1.2)
    time_axis(drawing, end_s, bottom + 4)
    return drawing.svg()


def draw_periods(t_s: F64, end_s: float, *, most_s: float) -> str:
    """Draw frame periods over time, each column from min to max; those over `most_s` at the upper edge."""
    periods = np.diff(t_s)
    shown = periods[periods <= most_s]
    if not shown.size:
        return ""
    low, high = float(shown.min()) * 1e3, float(shown.max()) * 1e3
    low, high = (low, high) if high > low else (low * 0.99, high * 1.01 + 1e-9)
    return _ranges("frame periods over time", t_s[1:], periods * 1e3, end_s, low=low, high=high)


def draw_lateness(t_s: F64, late_s: F64, end_s: float) -> str:
    """Draw how late an adapter's times are, from 0 on, each column from min to max.

    Args:
        t_s: times of frames in seconds, float64 (N,), rising.
        late_s: their lateness in seconds, float64 (N,).
        end_s: end of the recording.
    """
    late_ms = late_s * 1e3
    low, high = min(0.0, float(late_ms.min())), max(1e-3, float(late_ms.max()))
    return _ranges("lateness of the adapter over time", t_s, late_ms, end_s, low=low, high=high)


def _ranges(title: str, t_s: F64, values_ms: F64, end_s: float, *, low: float, high: float) -> str:
    """Draw values over time, each column from min to max; one above `high` at the upper edge, with a G."""
    height, top, bottom = 120.0, 14.0, 92.0
    drawing = Drawing(WIDTH, height, title=title)

    def y(ms: float) -> float:
        return bottom - (bottom - top) * (min(ms, high) - low) / (high - low)

    column = np.minimum((t_s / max(end_s, 1e-9) * _COLUMNS).astype(np.int64), _COLUMNS - 1)
    starts = np.flatnonzero(np.diff(column, prepend=-1))
    least, most = np.minimum.reduceat(values_ms, starts), np.maximum.reduceat(values_ms, starts)
    width = (WIDTH - _LEFT - _RIGHT) / _COLUMNS
    for place, a, b in zip(column[starts].tolist(), least.tolist(), most.tolist(), strict=True):
        x = _LEFT + (place + 0.5) * width
        drawing.line(x, y(a) + 0.6, x, min(y(b), y(a)) - 0.6, width=width)
        if b > high:
            drawing.text(x, top - 4, "G", anchor="middle", size=9, bold=True)
    for tick in ticks(low, high, most=4):
        drawing.text(_LEFT - 6, y(tick) + 4, f"{tick:.6g}", anchor="end", size=10)
        drawing.line(_LEFT - 3, y(tick), _LEFT, y(tick))
    drawing.text(_LEFT - 6, top - 4, "ms", anchor="end", size=10)
    time_axis(drawing, end_s, bottom + 4)
    return drawing.svg()


def _thinned(t_s: F64, values: NDArray[np.int16], end_s: float) -> list[tuple[float, float]]:
    """Thin points without a visible change: first, min, max and last of each column."""
    if not values.size:
        return []
    column = np.minimum((t_s / end_s * _COLUMNS).astype(np.int64), _COLUMNS - 1)
    starts = np.flatnonzero(np.diff(column, prepend=-1))
    points: list[tuple[float, float]] = []
    for start, stop in zip(starts.tolist(), [*starts[1:].tolist(), values.size], strict=True):
        part = values[start:stop]
        for row in sorted({0, int(part.argmin()), int(part.argmax()), part.size - 1}):
            point = float(t_s[start + row]), float(part[row])
            if len(points) > 1 and points[-1][1] == points[-2][1] == point[1]:
                points[-1] = point
            else:
                points.append(point)
    return points


def draw_histogram(timing: Timing, t_ns: I64, *, plan_ms: float | None = None) -> str:
    """Draw the histogram of periods, with the planned one marked; "" if the clock does not show periods."""
    if timing.jitter is None or timing.period_mean_s is None:
        return ""
    mean_ms = timing.period_mean_s * 1e3
    periods = np.diff(t_ns) / 1e6
    periods = periods[(periods > 0) & (periods < 1.5 * mean_ms)]
    if not periods.size:
        return ""
    high_ms = timing.jitter.period_high_s * 1e3
    reach = max(float(np.abs(periods - mean_ms).max()), 2 * high_ms, abs((plan_ms or mean_ms) - mean_ms)) * 1.05
    reach = max(reach, 1e-6)
    low, high = mean_ms - reach, mean_ms + reach
    height, top, bottom = 158.0, 26.0, 116.0
    drawing = Drawing(WIDTH, height, title="histogram of the frame periods")
    x = _bars(drawing, periods, low, high, top=top, bottom=bottom)
    if plan_ms is not None:
        drawing.line(x(plan_ms), top - 6, x(plan_ms), bottom, dash="dash", width=1.5)
        drawing.text(x(plan_ms), top - 10, f"plan {plan_ms:g} ms", anchor="middle", size=10)
    a, b = max(_LEFT, x(mean_ms - high_ms)), min(WIDTH - _RIGHT, x(mean_ms + high_ms))
    drawing.path(((a, bottom + 20), (a, bottom + 24), (b, bottom + 24), (b, bottom + 20)))
    words = f"rms of the receiver's own jitter: at most ±{high_ms:.3g} ms"
    drawing.text((a + b) / 2, bottom + 34, words, anchor="middle", size=10)
    return drawing.svg()


def _bars(
    drawing: Drawing, values_ms: F64, low: float, high: float, *, top: float, bottom: float
) -> Callable[[float], float]:
    """Draw how many frames have which value, with an axis in ms; returns the place of a value on it."""
    counts, _ = np.histogram(values_ms, _BINS, (low, high))

    def x(ms: float) -> float:
        return _LEFT + (WIDTH - _LEFT - _RIGHT) * (ms - low) / (high - low)

    width = (WIDTH - _LEFT - _RIGHT) / _BINS
    for i, count in enumerate(counts.tolist()):
        size = (bottom - top) * count / max(1, int(counts.max()))
        if count:
            drawing.box(_LEFT + i * width + 0.5, bottom - max(1.0, size), width - 1, max(1.0, size), fill="solid")
    drawing.line(_LEFT, bottom, WIDTH - _RIGHT, bottom)
    for tick in ticks(low, high, most=6):
        drawing.line(x(tick), bottom, x(tick), bottom + 4)
        drawing.text(x(tick), bottom + 15, f"{tick:.7g}", anchor="middle", size=10)
    drawing.text(WIDTH - _RIGHT + 6, bottom + 15, "ms", size=10)
    drawing.text(_LEFT - 6, top + 8, f"{int(counts.max())}", anchor="end", size=10)
    drawing.text(_LEFT - 6, bottom, "0", anchor="end", size=10)
    drawing.text(_LEFT - 6, (top + bottom) / 2, "frames", anchor="end", size=10)
    return x


def draw_latency(name: str, latency: Latency) -> str:
    """Draw the latencies of a pulse output from 0 on, with their median marked."""
    height, top, bottom = 96.0, 22.0, 72.0
    drawing = Drawing(WIDTH, height, title=f"latency of {name}")
    median_ms = latency.to_json()["median"] * 1e3
    x = _bars(drawing, latency.seconds * 1e3, 0.0, float(latency.seconds.max()) * 1.05e3, top=top, bottom=bottom)
    drawing.line(x(median_ms), top - 4, x(median_ms), bottom, dash="dash")
    drawing.text(x(median_ms), top - 8, f"median {median_ms:.3f} ms", anchor="middle", size=10)
    return drawing.svg()


def draw_receivers(several: Several) -> str:
    """When each of several receivers was out, one lane for each, and below them when all were out at once."""
    ends_s = [begin / 1e9 + (one.outages.duration_s or 0.0) for begin, one in several.placed]
    end_s = max([*ends_s, 1e-9])
    lane, top = 20.0, 8.0
    lanes = [(sanitize(one.name, most=_LANE_MOST), begin / 1e9, one.outages.events) for begin, one in several.placed]
    height = top + lane * (len(lanes) + 1) + 26
    drawing = Drawing(WIDTH, height, title="outages of several receivers over time")
    for i, (name, begin_s, events) in enumerate(lanes):
        base = top + lane * (i + 1)
        drawing.text(_LEFT - 6, base - 3, name, anchor="end", size=10)
        drawing.line(time_x(begin_s, end_s), base, time_x(ends_s[i], end_s), base, dash="dot", width=0.5)
        for event in events[:_KEPT_EVENTS]:
            if event.start_s is not None and event.end_s is not None:
                a, b = time_x(begin_s + event.start_s, end_s), time_x(begin_s + event.end_s, end_s)
                drawing.box(a, base - 9, max(1.5, b - a), 9, fill="solid")
    base = top + lane * (len(lanes) + 1)
    drawing.text(_LEFT - 6, base - 3, "no receiver", anchor="end", size=10, bold=True)
    for one in several.coincidence.overlaps[:_KEPT_EVENTS]:
        if len(one.sources) == len(lanes):
            a, b = time_x(one.start_s, end_s), time_x(one.end_s, end_s)
            drawing.box(a, base - 11, max(1.5, b - a), 11, fill="solid")
            drawing.line(a, top, a, base - 11, dash="dot", width=0.5)
    time_axis(drawing, end_s, height - 22)
    return drawing.svg()


def draw_outages(events: Sequence[Outage], end_s: float, *, off: LinkLoss | None = None) -> str:
    """Draw the outages over time, one row per kind; hatched while the transmitter was off."""
    end_s = max(end_s, 1e-9)
    lane, top = 20.0, 20.0
    height = top + lane * len(LANES) + 26
    drawing = Drawing(WIDTH, height, title="outages over time")
    if off is not None:
        a, b = time_x(off.start_s, end_s), time_x(off.end_s, end_s)
        drawing.box(a, top, b - a, lane * len(LANES), fill="hatch")
        drawing.text(a, top - 4, "transmitter off", size=10)
    for i, (kind, letter) in enumerate(LANES):
        base = top + lane * (i + 1)
        drawing.text(_LEFT - 6, base - 6, f"{kind} {letter}", anchor="end", size=10)
        drawing.line(_LEFT, base, WIDTH - _RIGHT, base, dash="dot", width=0.5)
        last = -100.0
        for event in [one for one in events if one.kind == kind][:_KEPT_EVENTS]:
            start, stop = event.start_s or 0.0, event.end_s or 0.0
            a, b = time_x(start, end_s), time_x(stop, end_s)
            drawing.box(a, base - 5, max(1.5, b - a), 5, fill="solid")
            if a - last > 12:
                drawing.text(a, base - 7, letter, size=9, bold=True)
                last = a
    time_axis(drawing, end_s, height - 22)
    return drawing.svg()
