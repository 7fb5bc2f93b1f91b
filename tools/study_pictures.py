"""Shared by the studies: arguments, and pictures of two or four panels on their own background."""

from __future__ import annotations

import argparse
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from make_pictures import FOLDER
from wiring_pictures import EDGE, INK, PAPER

from busbench.report.svg import DASHES, Drawing, number

WIDTH, HEIGHT = 860.0, 330.0
_TOP, _BOTTOM, _LEFT, _RIGHT = 44.0, 268.0, 62.0, 100.0
_MARKS = ("ring", "cross", "block")


@dataclass(frozen=True)
class Curve:
    """A method.

    Args:
        name: shown at the end of its line.
        points: (error rate, share); a share of 0 is on the line "none".
    """

    name: str
    points: list[tuple[float, float]]


@dataclass(frozen=True)
class Bar:
    """A reported figure: truth, report and floor in one unit."""

    true: float
    value: float
    floor: float


def run_study(study: Callable[[bool], str], *, picture: str, about: str | None) -> None:
    """Run a study from the command line.

    Args:
        study: prints its tables, the full ones if True, and returns the picture.
        picture: name of its file.
        about: the docstring whose first line is the help.
    """
    parser = argparse.ArgumentParser(description=about.splitlines()[0] if about else None)
    size = parser.add_mutually_exclusive_group()
    size.add_argument("--short", action="store_true", help="a look, some seconds")
    size.add_argument("--full", action="store_true", help="as in the text beside the tool, and draw the picture")
    is_full = parser.parse_args().full
    drawn = study(is_full)
    if is_full:
        (FOLDER / picture).write_text(drawn, encoding="utf-8", newline="\n")


def draw_curves(panels: Sequence[tuple[str, Sequence[Curve]]], *, x_title: str, title: str) -> str:
    """Shares against error rates, both on log axes.

    Args:
        panels: title and curves of each, side by side.
        x_title: what the rates are.
        title: for those who do not see the picture.
    """
    drawing = Drawing(WIDTH, HEIGHT, title=title)
    rates = [x for _, curves in panels for curve in curves for x, _ in curve.points]
    shares = [y for _, curves in panels for curve in curves for _, y in curve.points if y > 0]
    low, high = math.floor(math.log10(min(shares))), math.ceil(math.log10(max(shares)))
    none = low - 1
    for n, (words, curves) in enumerate(panels):
        left, right = _across(n, len(panels))
        x = _scale(math.log10(min(rates)), math.log10(max(rates)), left, right)
        y = _scale(none, high, _BOTTOM, _TOP)
        drawing.text(left, _TOP - 18, words, bold=True)
        for tick in range(none, high + 1):
            drawing.line(left, y(tick), right, y(tick), dash="dot", width=0.4)
            drawing.text(left - 6, y(tick) + 4, "none" if tick == none else f"1e{tick}", anchor="end", size=10)
        for tick in range(round(math.log10(min(rates))), round(math.log10(max(rates))) + 1):
            drawing.line(x(tick), _BOTTOM, x(tick), _BOTTOM + 5)
            drawing.text(x(tick), _BOTTOM + 17, f"1e{tick}", anchor="middle", size=10)
        drawing.line(left, _BOTTOM, right, _BOTTOM)
        drawing.text((left + right) / 2, _BOTTOM + 36, x_title, anchor="middle", size=10)
        ends: list[float] = []
        for curve, dash, mark in zip(curves, DASHES, _MARKS, strict=False):
            places = [(x(math.log10(rate)), y(math.log10(v) if v > 0 else none)) for rate, v in curve.points]
            drawing.path(places, dash=dash, width=1.4)
            for place in places:
                _mark(drawing, *place, mark)
            end = places[-1][1]
            while any(abs(end - other) < 13 for other in ends):
                end += 2
            ends.append(end)
            drawing.text(right + 9, end + 4, curve.name)
    return _on_paper(drawing, HEIGHT)


def draw_bars(panels: Sequence[tuple[str, Sequence[Bar]]], *, title: str) -> str:
    """Reports with their floors as bars against the truth, µs, on axes that run evenly to 1 and by decades from there.

    Args:
        panels: title and bars of each, in two rows.
        title: for those who do not see the picture.
    """
    drawing = Drawing(WIDTH, 2 * HEIGHT, title=title)
    ticks = (0, 1, 10, 100, 1000)
    for n, (words, bars) in enumerate(panels):
        left, right = _across(n % 2, 2)
        down = HEIGHT * (n // 2)
        x = _scale(0, _bent(1000), left, right)
        y = _scale(0, _bent(1000), down + _BOTTOM, down + _TOP)
        drawing.text(left, down + _TOP - 18, f"{words}: jitter reported, µs rms", bold=True)
        drawing.line(left, down + _BOTTOM, right, down + _BOTTOM)
        for tick in ticks:
            drawing.line(left, y(_bent(tick)), right, y(_bent(tick)), dash="dot", width=0.4)
            drawing.text(left - 6, y(_bent(tick)) + 4, f"{tick}", anchor="end", size=10)
            drawing.line(x(_bent(tick)), down + _BOTTOM, x(_bent(tick)), down + _BOTTOM + 5)
            drawing.text(x(_bent(tick)), down + _BOTTOM + 17, f"{tick}", anchor="middle", size=10)
        drawing.text((left + right) / 2, down + _BOTTOM + 36, "true jitter, µs rms", anchor="middle", size=10)
        drawing.line(x(0), y(0), x(_bent(1000)), y(_bent(1000)), dash="dash", width=0.8)
        drawing.text(right + 6, y(_bent(1000)) + 4, "the truth", size=10)
        for bar in bars:
            at = x(_bent(bar.true))
            a, b = y(_bent(max(0.0, bar.value - bar.floor))), y(min(_bent(1000), _bent(bar.value + bar.floor)))
            drawing.line(at, a, at, b, width=1.6)
            for end in (a, b):
                drawing.line(at - 4, end, at + 4, end, width=1.6)
            _mark(drawing, at, y(_bent(bar.value)), "block")
    return _on_paper(drawing, 2 * HEIGHT)


def _across(n: int, count: int) -> tuple[float, float]:
    width = WIDTH / count
    return n * width + _LEFT, (n + 1) * width - _RIGHT


def _scale(low: float, high: float, start: float, stop: float) -> Callable[[float], float]:
    return lambda value: start + (stop - start) * (value - low) / (high - low)


def _bent(value: float) -> float:
    return value if value < 1 else 1 + math.log10(value)


def _mark(drawing: Drawing, x: float, y: float, kind: str) -> None:
    if kind == "cross":
        drawing.line(x - 4, y - 4, x + 4, y + 4, width=1.6)
        drawing.line(x - 4, y + 4, x + 4, y - 4, width=1.6)
    elif kind == "block":
        drawing.box(x - 3.5, y - 3.5, 7, 7, fill="solid")
    else:
        corners = [(x + 5 * math.cos(math.tau * i / 8), y + 5 * math.sin(math.tau * i / 8)) for i in range(9)]
        drawing.path(corners, width=1.6)


def _on_paper(drawing: Drawing, height: float) -> str:
    space = ' xmlns="http://www.w3.org/2000/svg"'
    side, down = number(WIDTH), number(height)
    sheet = f'<rect width="{side}" height="{down}" rx="6" fill="{PAPER}" stroke="{EDGE}"/>'
    head = f'<svg{space} viewBox="0 0 {side} {down}" width="{side}" height="{down}" color="{INK}"'
    return f'{head} font-family="sans-serif">{sheet}{drawing.svg().replace(space, "", 1)}</svg>\n'
