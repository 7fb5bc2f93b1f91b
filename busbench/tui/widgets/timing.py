"""The beat: figures on the left, the histogram of the steps between frames on the right."""

from __future__ import annotations

from busbench.analysis.jitter import Jitter
from busbench.tui.draw import bars
from busbench.tui.text import Line, duration, fit, wrap
from busbench.tui.timing import TimingFigures
from busbench.tui.widgets.frame import joined
from busbench.tui.widgets.line_widget import LineWidget

_FIGURES = 36


def exact(value_s: float) -> str:
    """A period to the microsecond: 14.999 ms."""
    return f"{value_s * 1e3:.3f} ms"


class TimingLines(LineWidget):
    """Both, side by side."""

    def lines(self, width: int, height: int) -> list[Line]:
        """Figures, histogram, and what the clock lets one say."""
        session = self.ui.needs
        view = session.beat()
        if view is None:
            return [[("", "ink")], [(" waiting for frames: the beat takes at least three", "dim")]]
        notes = [(line, style) for text, style in _notes(view) for line in wrap(text, width - 2)]
        body = height - len(notes) - 1
        figures = _figures(view)
        right = self._histogram(view, width - _FIGURES - 2, body)
        out: list[Line] = []
        for y in range(body):
            left = figures[y] if y < len(figures) else ("", "")
            out.append(
                [
                    (f" {fit(left[0], 17)}", "name"),
                    (fit(left[1], _FIGURES - 17), "title"),
                    *(right[y] if y < len(right) else [("", "ink")]),
                ]
            )
        return [*out, [("", "ink")], *([(f" {text}", style)] for text, style in notes)]

    def _histogram(self, view: TimingFigures, width: int, height: int) -> list[Line]:
        said = f"from frame to frame, {view.scope}"
        head: Line = [(said if len(said) <= width else view.scope, "head")]
        if not view.steps:
            return [head, [("", "ink")], [("no steps between frames can be told", "dim")]]
        pictures = bars(view.counts, width, max(1, height - 3), self.ui.glyphs)
        mean = view.figures.period_mean_s or 0.0
        low, middle, high = exact(view.low_s), exact(mean), exact(view.high_s)
        gap = max(1, (width - len(low) - len(middle) - len(high)) // 2)
        axis = low + " " * gap + middle + " " * gap + high
        if len(axis) > width:
            axis = low + high.rjust(width - len(low))
        marks = [(self.ui.glyphs.rule, "rule")] * width
        marks[width // 2] = self.ui.glyphs.tick, "rule"
        jitter = view.figures.jitter
        if jitter is not None:
            reach = jitter.floor_s / (view.high_s - view.low_s) * width
            for at in (width / 2 - reach, width / 2 + reach):
                marks[min(width - 1, max(0, int(at)))] = "F", "head"
        return [head, *([(one, "pen")] for one in pictures), joined(marks), [(axis, "dim")]]


def _figures(view: TimingFigures) -> list[tuple[str, str]]:
    """Names and values."""
    t = view.figures
    out = [("period, mean", "-" if t.period_mean_s is None else f"{t.period_mean_s * 1e3:.6f} ms")]
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
        ("shortest", exact(j.period_min_s)),
        ("longest", exact(j.period_max_s)),
        ("middle 98 % from", exact(j.period_p01_s)),
        ("middle 98 % to", exact(j.period_p99_s)),
        *_range(j),
        ("jitter peak", duration(j.period_peak_s)),
        ("cycle-to-cycle", cycle),
        ("time error rms", duration(j.tie_rms_s)),
    ]


def _range(j: Jitter) -> list[tuple[str, str]]:
    """The period jitter, and between what bounds the receiver's lies."""
    if j.kind == "at most":
        return [("jitter rms", f"at most {duration(j.period_high_s)}"), ("jitter seen rms", duration(j.period_rms_s))]
    bounds = f"{duration(j.period_low_s)} to {duration(j.period_high_s)}"
    return [("jitter rms", duration(j.period_rms_s)), ("true value", bounds)]


def _notes(view: TimingFigures) -> list[tuple[str, str]]:
    return [(view.figures.note, "ink" if view.figures.kind == "figure" else "warn")]
