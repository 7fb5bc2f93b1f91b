"""Timing: figures on the left; on the right the histogram of the periods, and the periods over time."""

from __future__ import annotations

from functools import partial

import numpy as np

from busbench.analysis.jitter import Jitter
from busbench.tui.app_state import AppState
from busbench.tui.draw import bands, bars
from busbench.tui.session import Session
from busbench.tui.text import Line, between, duration, fit, place_words, width_of, wrap
from busbench.tui.timing import TimingFigures, look_at_timing
from busbench.tui.widgets.frame import joined
from busbench.tui.widgets.line_widget import LineWidget
from busbench.tui.window import timeline_window

_FIGURES = 40
_NAMES = 22  # of these, for the names
_AXIS = 9  # cells of the axis at the left of a picture
_BESIDE = 100  # cells from which the two pictures are side by side
_FRAME_ROWS = 5  # of a histogram beside its bars: head, axis, marks, labels, outliers


def exact(value_s: float) -> str:
    """A period to the microsecond: 14.999 ms."""
    return f"{value_s * 1e3:.3f} ms"


class TimingLines(LineWidget):
    """All of it: of the frames that the session measures, or of those that the timeline is zoomed to."""

    def __init__(self, ui: AppState) -> None:
        super().__init__(ui)
        self._asked: tuple[Session, int, int] | None = None  # rows that are measured, in a thread
        self._looked_at: tuple[Session, int, int] | None = None  # rows at the last drawing
        self._measured: tuple[Session, TimingFigures] | None = None

    def _view(self) -> TimingFigures | None:
        """Of a part the last ones, until those of the part are there."""
        session = self.ui.needs
        if self.ui.zoom is None:
            return session.timing()
        lo, hi = timeline_window(session, self.ui.zoom)
        rows = session, session.store.row_at(lo - 1) + 1, session.store.row_at(hi) + 1
        rests = session.is_live or rows == self._looked_at  # not while keys go through a recording
        self._looked_at = rows
        if rows != self._asked and rests:
            self._asked = rows
            scope = f"{place_words(session, lo)} to {place_words(session, hi)}"
            self.run_worker(partial(self._measure, *rows, scope), thread=True, exclusive=True)
        return self._measured[1] if self._measured is not None and self._measured[0] is session else session.timing()

    def _measure(self, session: Session, first: int, stop: int, scope: str) -> None:
        view = look_at_timing(session.store.times(first, stop), clock=session.clock, scope=scope)
        if self._asked == (session, first, stop):
            self._measured = session, view

    def lines(self, width: int, height: int) -> list[Line]:
        """Figures, pictures, and what the clock lets one say."""
        view = self._view()
        if view is None:
            words = "timing is measured once the whole recording is read"
            if not self.ui.needs.progress:
                words = "waiting for frames: timing takes at least three"
            return [[("", "ink")], [(f" {words}", "dim")]]
        style = "ink" if view.figures.kind == "figure" else "warn"
        notes = wrap(view.figures.note, width - 2)
        body = height - len(notes) - 1
        figures = _figures(view)
        right = self._pictures(view, width - _FIGURES - 1, body)
        out: list[Line] = []
        for y in range(body):
            left = figures[y] if y < len(figures) else ("", "")
            name: Line = [(f" {fit(left[0], _NAMES)}", "name"), (fit(left[1], _FIGURES - _NAMES), "title")]
            out.append([*name, *(right[y] if y < len(right) else [("", "ink")])])
        return [*out, [("", "ink")], *([(f" {text}", style)] for text in notes)]

    def _pictures(self, view: TimingFigures, width: int, height: int) -> list[Line]:
        if not view.steps:
            return [[(view.scope, "head")], [("", "ink")], [("no periods can be measured", "dim")]]
        if width >= _BESIDE:
            left = width * 11 // 20
            both = self._histogram(view, left - 2, height), self._over_time(view, width - left, height)
            gaps = [(" " * (left - width_of(line)), "ink") for line in both[0]]
            return [[*one, gap, *other] for one, gap, other in zip(both[0], gaps, both[1], strict=True)]
        lower = (height - _FRAME_ROWS) * 2 // 5 + 2 if height >= _FRAME_ROWS + 8 else 0
        upper = self._histogram(view, width, height - lower)
        return [*upper, *self._over_time(view, width, lower)] if lower else upper

    def _histogram(self, view: TimingFigures, width: int, height: int) -> list[Line]:
        """Bars with an axis of counts; below it the axis of the periods, marks, labels, and what lies outside."""
        edges, counts = view.histogram(width - _AXIS)
        each = (width - _AXIS) // counts.size  # columns of a bin
        columns = each * counts.size
        rows = max(1, height - _FRAME_ROWS)
        axis = [f"{int(counts.max()):,}", *[""] * (rows - 1)]
        if rows >= 6:
            axis[rows // 2] = f"{int(counts.max()) * (rows - rows // 2) // rows:,}"
        out: list[Line] = [[(fit(f"periods, {view.scope}", width), "head")]]
        pictures = bars(np.repeat(counts, each), columns, rows, self.ui.glyphs)
        out += [[(f"{axis[y]:>{_AXIS - 1}} ", "dim"), (one, "pen")] for y, one in enumerate(pictures)]
        mean_s = view.figures.period_mean_s or 0.0

        def column(value_s: float) -> int:
            return int(np.floor((value_s * 1e9 - edges[0]) / (edges[-1] - edges[0]) * columns))

        ticks = [(self.ui.glyphs.rule, "rule")] * columns
        for at in (0, column(mean_s), columns - 1):
            ticks[at] = self.ui.glyphs.tick, "rule"
        out.append([(f"{'0':>{_AXIS - 1}} ", "dim"), *joined(ticks)])
        marks, words = [(" ", "ink")] * columns, []
        jitter = view.figures.jitter
        if jitter is not None:
            words.append("F floor")
            for at in (column(mean_s - jitter.floor_s), column(mean_s + jitter.floor_s)):
                marks[min(columns - 1, max(0, at))] = "F", "mark"
        if self.ui.rig is not None:
            plan_s = self.ui.rig.plan.period_ms / 1e3
            is_inside = 0 <= column(plan_s) < columns
            words.append(f"P plan {plan_s * 1e3:.6g} ms" + ("" if is_inside else ", not in the picture"))
            if is_inside:
                marks[column(plan_s)] = "P", "mark"
        out.append([(" " * _AXIS, "ink"), *joined(marks)])
        labels = exact(edges[0] / 1e9), exact(mean_s), exact(edges[-1] / 1e9)
        out.append([(" " * _AXIS, "ink"), (_spread(labels, columns), "dim")])
        outside = f"{view.shorter:,} shorter, {view.longer:,} longer; "
        out.append([(fit(outside + ", ".join(words), width), "dim")])
        return out[:height]

    def _over_time(self, view: TimingFigures, width: int, height: int) -> list[Line]:
        """Shortest to longest period of each moment, blank where none came."""
        columns, rows, session = width - _AXIS, height - 2, self.ui.needs
        middle_ns = (view.figures.period_mean_s or 0.0) * 1e9
        some = view.lows_ns >= 0
        reach_ns = max(middle_ns - view.lows_ns[some].min(), view.highs_ns[some].max() - middle_ns, 1_000.0)
        ends = round(middle_ns - reach_ns), round(middle_ns + reach_ns)
        pens = bands(view.lows_ns, view.highs_ns, ends, columns, rows, self.ui.glyphs)
        axis = [f"{ends[1] / 1e6:.3f}", *[""] * (rows - 2), f"{ends[0] / 1e6:.3f}"]
        out: list[Line] = [[(fit("period over time, min to max, ms", width), "head")]]
        out += [[(f"{axis[y]:>{_AXIS - 1}} ", "dim"), (one, "pen")] for y, one in enumerate(pens)]
        labels = place_words(session, view.first_ns), place_words(session, view.last_ns)
        return [*out, [(" " * _AXIS, "ink"), (_spread(labels, columns), "dim")]]


def _spread(labels: tuple[str, ...], width: int) -> str:
    """Labels at the start, in the middle and at the end; without the middle one where it has no room."""
    first, *middle, last = labels
    used = len(first) + len(last)
    if not middle or used + len(middle[0]) + 2 > width:
        return first + last.rjust(width - len(first)) if used < width else first
    left = max(len(first) + 1, (width - len(middle[0])) // 2)
    text = first.ljust(left) + middle[0]
    return text + last.rjust(width - len(text))


def _figures(view: TimingFigures) -> list[tuple[str, str]]:
    """Names and values."""
    t = view.figures
    out = [("period, mean", "-" if t.period_mean_s is None else f"{t.period_mean_s * 1e3:.5f} ms")]
    if t.jitter is not None:
        out += _jitter(t.jitter)
    expected = "-" if t.missing is None else f"{t.frames + t.missing:,}"
    out += [("frames due", expected), ("frames missing", "-" if t.missing is None else f"{t.missing:,}")]
    out += [("frames measured", f"{t.frames:,}"), ("clock", t.clock.kind.value)]
    return out


def _jitter(j: Jitter) -> list[tuple[str, str]]:
    cycle = "-" if j.cycle_rms_s is None else f"{duration(j.cycle_rms_s)} / {duration(j.cycle_peak_s)}"
    return [
        ("period, median", exact(j.period_median_s)),
        ("period, min", exact(j.period_min_s)),
        ("period, max", exact(j.period_max_s)),
        ("1st percentile", exact(j.period_p01_s)),
        ("99th percentile", exact(j.period_p99_s)),
        *_range(j),
        ("period jitter, peak", duration(j.period_peak_s)),
        ("cycle-to-cycle jitter", cycle),
        ("TIE, rms", duration(j.tie_rms_s)),
    ]


def _range(j: Jitter) -> list[tuple[str, str]]:
    """The period jitter, and between what bounds the receiver's lies."""
    if j.kind == "at most":
        return [
            ("period jitter, rms", f"at most {duration(j.period_high_s)}"),
            ("period jitter, seen", duration(j.period_rms_s)),
        ]
    bounds = between(j.period_low_s, j.period_high_s)
    return [("period jitter, rms", duration(j.period_rms_s)), ("true value", bounds)]
